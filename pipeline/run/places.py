"""Where things lie in a run's folder."""

from __future__ import annotations

import hashlib
from pathlib import Path, PurePosixPath

CROPS = "crops"
SCANS = "scans"
OVERLAYS = "overlays"
TRAYS = "trays"
SMALL = "small"
"""Small pictures of overlays and tray sheets, in a folder of each kind."""

_MOST_BYTES = 180
"""Of a picture's name: file systems allow 255, and numbers, ends and a temporary name's additions must fit."""


def stem(scan: str) -> str:
    """The part of a picture's name that tells the scan: its file's stem, shortened when too long for a file system."""
    whole = PurePosixPath(scan).stem
    encoded = whole.encode("utf-8", "surrogateescape")
    if len(encoded) <= _MOST_BYTES:
        return whole
    sign = hashlib.sha256(encoded).hexdigest()[:12]
    return encoded[:_MOST_BYTES].decode("utf-8", "ignore") + "~" + sign


def crop(run: Path, scan: str, number: int) -> Path:
    """The unmarked picture of one bone."""
    return run / CROPS / f"{stem(scan)}-{number}.jpg"


def whole_scan(run: Path, scan: str) -> Path:
    """The unmarked, smaller picture of a whole scan."""
    return run / SCANS / f"{stem(scan)}-scan.jpg"


def small(picture: Path) -> Path:
    """The small picture that belongs to an overlay or a tray sheet."""
    return picture.parent.parent / SMALL / picture.parent.name / picture.name
