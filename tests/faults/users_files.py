"""Files of the user's, laid into a folder, and what a folder holds."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

MINE = b"mine"


def names(folder: Path) -> list[str]:
    """All files below it, by their paths from it."""
    return sorted(p.relative_to(folder).as_posix() for p in folder.rglob("*") if p.is_file())


def contents(folder: Path) -> dict[str, bytes]:
    """Of all files below it."""
    return {name: (folder / name).read_bytes() for name in names(folder)}


def lay(folder: Path, wanted: Iterable[str]) -> None:
    """Put files of the user's there."""
    for name in wanted:
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_bytes(MINE)
