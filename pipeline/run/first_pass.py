"""The first pass over one scan, as a child process does it: file -> bones -> readings and unmarked pictures.

What only children need is imported where they use it: the parent, which only names this work, does without, and the
server that children are forked from has it all (`preloaded`).
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TypeVar

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.batch.isolate import peak_megabytes
from pipeline.errors import ScanRefused
from pipeline.records import Bone, BoneReading, Hint, Refusal, Scan, ScanRef
from pipeline.run.record_text import KeptBone, kept
from pipeline.scans.scan_header import ScanHeader
from pipeline.settings.first_pass import CropSettings
from pipeline.settings.whole import Settings

_Answer = TypeVar("_Answer")


@dataclass(frozen=True, slots=True, kw_only=True)
class ScanJob:
    """All that reading one scan depends on."""

    ref: ScanRef
    hints: tuple[Hint, ...]
    """What people say of the bones on this scan (`plan.hints_by_scan`); nothing else of the specimens table, so that no
    other change of the table makes a scan be read again."""
    settings: Settings
    known_sha256: str = ""
    """When the file's bytes still have this digest, what was read before holds, but for `bones`."""
    bones: tuple[int, ...] = ()
    """Numbers of those that must be read all the same."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Unchanged:
    """The file was touched, but its bytes are those read before."""

    scan: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ScanRead:
    """What the first pass found on one scan, and its pictures as JPEG without any metadata."""

    scan: str
    sha256: str
    width: int
    height: int
    """Pixels, after orientation."""
    bones: tuple[KeptBone, ...]
    others_hold: bool
    """What was read before of the scan's other bones still holds."""
    seconds: dict[str, float]
    """CPU seconds by stage."""
    peak_megabytes: float
    crops: tuple[tuple[int, bytes], ...]
    """(bone's number, picture)."""
    whole: bytes
    """The whole scan, smaller."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RefusedRead:
    """The scan cannot be used."""

    refusal: Refusal
    sha256: str = ""
    """Of the bytes, when they could be decoded."""
    seconds: float = 0.0


Outcome = ScanRead | RefusedRead | Unchanged


@dataclass(frozen=True, slots=True, kw_only=True)
class HeadersJob:
    """A few scans whose headers are looked at together."""

    refs: tuple[ScanRef, ...]
    settings: Settings


def read_headers(job: HeadersJob) -> tuple[ScanHeader, ...]:
    """The headers of some scans, in their order; no pixel is decoded."""
    from pipeline.scans.scan_file import read_header

    return tuple(read_header(ref, job.settings.scan) for ref in job.refs)


def read_one(job: ScanJob) -> Outcome:
    """Read one scan."""
    from pipeline.bone.read_bone import read_bones
    from pipeline.scans.scan_file import digest_of_file, read_scan

    name = job.ref.scan
    seconds: dict[str, float] = {}
    try:
        if job.known_sha256 and not job.bones and digest_of_file(job.ref) == job.known_sha256:
            return Unchanged(scan=name)
        scan = _timed(seconds, "file", lambda: read_scan(job.ref, job.settings.scan))
    except ScanRefused as e:
        return RefusedRead(
            refusal=Refusal(scan=name, stage="file", code=e.code, detail=e.detail), seconds=seconds.get("file", 0.0)
        )
    others_hold = bool(job.bones) and scan.sha256 == job.known_sha256
    numbers = job.bones if others_hold else ()
    found = _timed(seconds, "bones", lambda: read_bones(scan, job.hints, job.settings, numbers))
    if not found and not numbers:
        refusal = Refusal(scan=name, stage="bones", code="no-bones", detail="nothing on it looks like a bone")
        return RefusedRead(refusal=refusal, sha256=scan.sha256, seconds=sum(seconds.values()))
    settings = job.settings.crops
    cut = _timed(seconds, "pictures", lambda: [crop_bone(scan, bone, reading, settings) for bone, reading in found])
    whole = _timed(
        seconds, "pictures", lambda: _picture(scan.pixels, scan.white, settings.scan_longest_px, settings)[0]
    )
    height, width = scan.pixels.shape
    return ScanRead(
        scan=name,
        sha256=scan.sha256,
        width=width,
        height=height,
        bones=tuple(kept(reading) for reading, _ in cut),
        others_hold=others_hold,
        seconds=seconds,
        peak_megabytes=peak_megabytes(),
        crops=tuple((r.number, jpeg) for r, jpeg in cut),
        whole=whole,
    )


def _timed(seconds: dict[str, float], stage: str, call: Callable[[], _Answer]) -> _Answer:
    began = time.process_time()
    try:
        return call()
    finally:
        seconds[stage] = seconds.get(stage, 0.0) + time.process_time() - began


def crop_bone(scan: Scan, bone: Bone, reading: BoneReading, settings: CropSettings) -> tuple[BoneReading, bytes]:
    """The bone's unmarked picture as JPEG, and its reading with the place of the picture."""
    height, width = scan.pixels.shape
    low, high = bone.outline.min(axis=0), bone.outline.max(axis=0)
    around = settings.margin * float((high - low).max())
    left, top = (max(int(np.floor(v - around)), 0) for v in low)
    right, bottom = (min(int(np.ceil(v + around)) + 1, most) for v, most in zip(high, (width, height), strict=True))
    jpeg, scale = _picture(scan.pixels[top:bottom, left:right], scan.white, settings.longest_px, settings)
    return replace(reading, crop=(float(left), float(top), scale)), jpeg


def _picture(
    pixels: NDArray[np.uint8] | NDArray[np.uint16], white: int, longest: int, settings: CropSettings
) -> tuple[bytes, float]:
    """JPEG of grey pixels (row, column), made smaller if its longer side exceeds `longest`, and pixels a scan pixel."""
    scale = min(longest / max(pixels.shape), 1.0)
    small = pixels if scale == 1 else cv2.resize(pixels, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    grey = cv2.convertScaleAbs(small, alpha=255 / white)
    done, jpeg = cv2.imencode(".jpg", grey, [cv2.IMWRITE_JPEG_QUALITY, settings.quality])
    if not done:
        raise ValueError("a picture could not be made")
    return jpeg.tobytes(), scale
