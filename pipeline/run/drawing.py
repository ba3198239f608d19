"""Overlays and tray sheets of a run, drawn from the unmarked pictures that the first pass kept."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline import regular_files
from pipeline.pictures.overlay import draw_with_place
from pipeline.pictures.plates import TrayBone
from pipeline.pictures.tray_sheet import draw_tray
from pipeline.records import Age, BoneReading, Specimen
from pipeline.run import places
from pipeline.settings.whole import PictureSettings
from pipeline.tables.atomic import write_bytes

SMALL_PX = 320
"""Longer side of the small pictures, pixels: the report shows fifty of them at once."""
SMALL_QUALITY = 75
"""Of JPEG, 1 to 100: small pictures say which bone it is, the large ones behind them show the marks."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Overlay:
    """An overlay to be drawn: RUN/overlays/`name`.jpg."""

    name: str
    """Of `picture_names`."""
    reading: BoneReading
    """With a crop."""
    age: Age
    specimen: Specimen


@dataclass(frozen=True, slots=True, kw_only=True)
class TraySheet:
    """The two sheets of a tray to be drawn, with counts and with ids alone: `tray_path`, `tray_ids_path`."""

    scan: str
    width: int
    """Of the scan, pixels."""
    bones: tuple[TrayBone, ...]
    missing: tuple[str, ...] = ()
    """Specimens that the table promises on this scan and no bone was found for."""
    promised: int | None = None
    """Bones that the table promises; None without a table."""

    @property
    def wanted(self) -> bool:
        """A scan of one bone, as promised, needs no sheet."""
        return needs_sheet(len(self.bones), self.promised)


def needs_sheet(found: int, promised: int | None) -> bool:
    """Whether a tray with so many bones needs a sheet: see `TraySheet`."""
    return found > 1 or (promised is not None and promised != found)


def write_pictures(
    run: Path, overlays: Iterable[Overlay], trays: Iterable[TraySheet], settings: PictureSettings
) -> None:
    """Draw the given overlays and tray sheets (those that are `wanted`) into the run's folder, over older ones.

    Raises OSError when a crop cannot be read or a picture not be written.
    """
    for folder in (places.OVERLAYS, places.TRAYS, places.TRAY_IDS):
        (run / folder).mkdir(exist_ok=True)
        (run / places.SMALL / folder).mkdir(parents=True, exist_ok=True)
    jobs: list[Overlay | TraySheet] = [*overlays, *(t for t in trays if t.wanted)]
    for job in jobs:
        _write(run, settings, job)


def overlay_path(run: Path, name: str) -> Path:
    """Where the overlay of a specimen lies; `name` is that of `picture_names`."""
    return run / places.OVERLAYS / f"{name}.jpg"


def tray_path(run: Path, scan: str) -> Path:
    """Where the sheet of a tray lies."""
    return run / places.TRAYS / f"{places.stem(scan)}.jpg"


def tray_ids_path(run: Path, scan: str) -> Path:
    """Where the sheet of a tray without counts lies."""
    return run / places.TRAY_IDS / f"{places.stem(scan)}.jpg"


def _write(run: Path, settings: PictureSettings, job: Overlay | TraySheet) -> None:
    if isinstance(job, Overlay):
        if job.reading.crop is None:
            raise ValueError(f"{job.specimen.specimen}: no picture of this bone was kept")
        left, top, scale = job.reading.crop
        crop = _grey(places.crop(run, job.reading.scan, job.reading.number))
        drawn, box = draw_with_place(crop, (left, top), scale, job.reading, job.age, job.specimen, settings)
        x0, y0, x1, y1 = (round(v) for v in box)
        _keep(overlay_path(run, job.name), drawn, drawn[y0:y1, x0:x1], settings)
        return
    whole = _grey(places.whole_scan(run, job.scan))
    for path, counts in ((tray_path(run, job.scan), True), (tray_ids_path(run, job.scan), False)):
        scale = whole.shape[1] / job.width
        drawn = draw_tray(whole, scale, job.scan, job.bones, job.missing, job.promised, settings, counts=counts)
        _keep(path, drawn, drawn, settings)


def _keep(path: Path, picture: NDArray[np.uint8], shown_small: NDArray[np.uint8], settings: PictureSettings) -> None:
    """Write a picture, and beside it a small one that pages show many of."""
    write_bytes(places.small(path), _jpeg(_reduced(shown_small), SMALL_QUALITY), replaceable=True)
    write_bytes(path, _jpeg(picture, settings.jpeg_quality), replaceable=True)


def _reduced(picture: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """The picture no longer than `SMALL_PX`: halved by means of four pixels while it can be, then taken between
    neighbours. Exact means over areas (`bone.area_mean`) take six times as long and show the eye nothing more."""
    while max(picture.shape) >= 2 * SMALL_PX:
        height, width = (side // 2 for side in picture.shape[:2])
        even = picture[: 2 * height, : 2 * width]
        picture = np.asarray(cv2.resize(even, (width, height), interpolation=cv2.INTER_AREA), np.uint8)
    shrink = min(SMALL_PX / max(picture.shape), 1.0)
    small = cv2.resize(picture, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_LINEAR)
    return np.asarray(small, np.uint8)


def _grey(path: Path) -> NDArray[np.uint8]:
    """The picture (row, column). Read as bytes first: the image library cannot open every name on every system."""
    picture = cv2.imdecode(np.frombuffer(regular_files.read(path), np.uint8), cv2.IMREAD_GRAYSCALE)
    if picture is None:
        raise OSError(f"{path.parent.name}/{path.name}: the picture cannot be decoded")
    return np.asarray(picture, dtype=np.uint8)


def _jpeg(picture: NDArray[np.uint8], quality: int) -> bytes:
    """The picture as JPEG without metadata, colours at full resolution: halved, thin coloured lines turn grey."""
    colours = cv2.IMWRITE_JPEG_SAMPLING_FACTOR, cv2.IMWRITE_JPEG_SAMPLING_FACTOR_444
    options = [cv2.IMWRITE_JPEG_QUALITY, quality, *colours]
    done, jpeg = cv2.imencode(".jpg", cv2.cvtColor(picture, cv2.COLOR_RGB2BGR), options)
    if not done:
        raise ValueError("a picture could not be made")
    return jpeg.tobytes()
