"""Where things lie in a run's folder."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterable, Iterator
from pathlib import Path, PurePath, PurePosixPath

CROPS = "crops"
SCANS = "scans"
OVERLAYS = "overlays"
TRAYS = "trays"
TRAY_IDS = "tray_ids"
"""Tray sheets without counts: for checking the list, and for readers who must not see the machine's."""
SMALL = "small"
"""Small pictures of overlays and tray sheets, in a folder of each kind."""

PICTURES = (
    CROPS, SCANS, OVERLAYS, TRAYS, TRAY_IDS, SMALL, f"{SMALL}/{OVERLAYS}", f"{SMALL}/{TRAYS}", f"{SMALL}/{TRAY_IDS}",
)  # fmt: skip
"""Folders of pictures in a run, below its own."""

_FAR = "digest:"
_MOST_STEPS_UP = 3
"""From a run to a folder that it shares with its scans: `year/runs/one` and `year/scans` are two steps apart."""
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


def kept_path(run: Path, scan: Path) -> str:
    """Where a scan lies, as the ledger keeps it: from the run's folder, with `/`.

    No more than a digest of it when the two have no folder in common nearby: the way would tell how this machine is
    laid out, and a run may be handed on. Such a scan is found again when its folder is given again.
    """
    folder, place = run.resolve(), scan.absolute().parent.resolve() / scan.name
    try:
        way = PurePath(os.path.relpath(place, folder))
    except ValueError:  # another drive (Windows)
        return _digest_of_place(place)
    up = way.parts.count("..")
    return way.as_posix() if up <= _MOST_STEPS_UP and up < len(folder.parts) - 1 else _digest_of_place(place)


def _digest_of_place(place: Path) -> str:
    return _FAR + hashlib.sha256(os.fsencode(place)).hexdigest()[:32]


def is_far(kept: str) -> bool:
    """Whether no more than a digest was kept of where a scan lies."""
    return kept.startswith(_FAR)


def found_path(run: Path, kept: str) -> Path | None:
    """The scan that `kept_path` names; None when no more than a digest was kept."""
    return None if is_far(kept) or not kept else Path(os.path.normpath(run.resolve() / kept))


def crop(run: Path, scan: str, number: int) -> Path:
    """The unmarked picture of one bone."""
    return run / CROPS / f"{stem(scan)}-{number}.jpg"


def whole_scan(run: Path, scan: str) -> Path:
    """The unmarked, smaller picture of a whole scan."""
    return run / SCANS / f"{stem(scan)}-scan.jpg"


def with_small(names: Iterable[str]) -> Iterator[str]:
    """Names of overlays and tray sheets below the run's folder, each followed by that of its small picture."""
    for name in names:
        yield name
        yield small(Path("run") / name).relative_to("run").as_posix()


def small(picture: Path) -> Path:
    """The small picture that belongs to an overlay or a tray sheet."""
    return picture.parent.parent / SMALL / picture.parent.name / picture.name
