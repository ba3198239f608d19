"""Pictures of bones at the resolution of their scans, cut when they are wanted and kept while there is room.

Decoding a large tray takes a second or two, so all bones of a scan are cut at once and the next scans are fetched
ahead. Until a cut is there, the page shows the smaller picture that the run keeps.
"""

from __future__ import annotations

import io
import threading
from collections import OrderedDict
from collections.abc import Callable, Mapping
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

from pipeline.errors import ScanRefused
from pipeline.records import Scan
from pipeline.run import places
from pipeline.run.ledger_scans import KnownScan

ROOM_BYTES = 300_000_000
"""Of all cuts kept: some three hundred bones at 1200 dpi."""
MOST_MEGAPIXELS = 24
"""Of one cut: what a browser can still draw at every turn of the wheel."""
QUALITY = 95
"""Of JPEG, 1 to 100: beyond, files double and no eye sees more."""

ReadScan = Callable[[KnownScan], Scan | None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Box:
    """A rectangle of a scan, whole pixels."""

    left: int
    top: int
    right: int
    bottom: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Cut:
    """A picture of one bone."""

    jpeg: bytes
    left: float
    top: float
    """Scan pixel of its first pixel."""
    scale: float
    """Its pixels a scan pixel. Scan pixel x lies at picture pixel (x - left + 0.5) * scale - 0.5."""


def stored_picture(run: Path, scan: str, number: int) -> bytes:
    """The unmarked picture that the run keeps of a bone. Raises OSError when it is gone or lies outside the run."""
    path = places.crop(run, scan, number)
    if not path.resolve().is_relative_to(run.resolve()):
        raise OSError(f"{path.name}: leads out of the run's folder")
    return path.read_bytes()


def box_of(crop: tuple[float, float, float], jpeg: bytes, scan: KnownScan) -> Box:
    """What part of its scan a stored picture shows; `crop` as in `BoneReading.crop`."""
    left, top, scale = crop
    with Image.open(io.BytesIO(jpeg), formats=("JPEG",)) as picture:
        width, height = picture.size
    right, bottom = left + width / scale, top + height / scale
    right, bottom = min(round(right), scan.width), min(round(bottom), scan.height)
    return Box(left=int(left), top=int(top), right=right, bottom=bottom)


class Cuts:
    """Cuts by (scan, digest of its bytes, bone)."""

    def __init__(self, read: ReadScan) -> None:
        """`read` decodes a scan, None when it is not found; it may raise ScanRefused or OSError."""
        self._read = read
        self._kept: OrderedDict[tuple[str, str, int], Cut] = OrderedDict()
        self._bytes = 0
        self._lock = threading.Lock()
        self._in_hand: dict[tuple[str, str], Future[None]] = {}
        # One at a time: a large tray takes half a gigabyte while it is decoded.
        self._reader = ThreadPoolExecutor(max_workers=1, thread_name_prefix="cuts")

    def close(self) -> None:
        """Drop what is waiting."""
        self._reader.shutdown(wait=True, cancel_futures=True)

    def get(self, scan: KnownScan, number: int, boxes: Mapping[int, Box]) -> Cut | None:
        """The cut of a bone; waits for it. None when the scan is gone, changed, or cannot be read any more."""
        found = self._found(scan, number)
        if found is None:
            self.fetch(scan, boxes).result()
            found = self._found(scan, number)
        return found

    def fetch(self, scan: KnownScan, boxes: Mapping[int, Box]) -> Future[None]:
        """Begin to cut all bones of a scan, unless that is in hand or done."""
        name = (scan.scan, scan.sha256)
        with self._lock:
            waiting = self._in_hand.get(name)
            if waiting is None:
                waiting = self._in_hand[name] = self._reader.submit(self._cut_all, scan, dict(boxes))
        return waiting

    def has(self, scan: KnownScan, number: int) -> bool:
        """Whether the cut is there."""
        return self._found(scan, number) is not None

    def _found(self, scan: KnownScan, number: int) -> Cut | None:
        name = (scan.scan, scan.sha256, number)
        with self._lock:
            if name in self._kept:
                self._kept.move_to_end(name)
            return self._kept.get(name)

    def _cut_all(self, scan: KnownScan, boxes: Mapping[int, Box]) -> None:
        try:
            if all(self.has(scan, number) for number in boxes):
                return
            decoded = self._decoded(scan)
            if decoded is not None:
                for number, box in boxes.items():
                    self._keep((scan.scan, scan.sha256, number), cut(decoded, box))
        finally:
            with self._lock:
                self._in_hand.pop((scan.scan, scan.sha256), None)

    def _decoded(self, known: KnownScan) -> Scan | None:
        try:
            scan = self._read(known)
        except (OSError, ScanRefused):
            return None  # the page says that it shows the stored picture instead
        # Only the file that was aged is shown: marks are placed on its pixels, and no other file can be had from here.
        return scan if scan is not None and scan.sha256 == known.sha256 else None

    def _keep(self, name: tuple[str, str, int], made: Cut) -> None:
        with self._lock:
            before = self._kept.pop(name, None)
            self._bytes += len(made.jpeg) - (len(before.jpeg) if before else 0)
            self._kept[name] = made
            while self._bytes > ROOM_BYTES and len(self._kept) > 1:
                _, dropped = self._kept.popitem(last=False)
                self._bytes -= len(dropped.jpeg)


def cut(scan: Scan, box: Box) -> Cut:
    """One bone cut out of a decoded scan, at the scan's resolution as far as `MOST_MEGAPIXELS` allow."""
    pixels: NDArray[np.integer[Any]] = scan.pixels[box.top : box.bottom, box.left : box.right]
    scale = min((MOST_MEGAPIXELS * 1e6 / max(pixels.size, 1)) ** 0.5, 1.0)
    if scale < 1:
        small = cv2.resize(pixels, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
        pixels = np.asarray(small, dtype=pixels.dtype)
    grey = cv2.convertScaleAbs(pixels, alpha=255 / scan.white)
    done, jpeg = cv2.imencode(".jpg", grey, [cv2.IMWRITE_JPEG_QUALITY, QUALITY])
    if not done:
        raise ValueError("a picture could not be made")
    return Cut(jpeg=jpeg.tobytes(), left=float(box.left), top=float(box.top), scale=scale)
