"""Writing a file so that others see the old one or the new one, never half of one."""

from __future__ import annotations

import hashlib
import os
import re
import secrets
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import count
from pathlib import Path
from typing import BinaryIO

_SIGN = "opercle-"
"""In the names of files in the making: whoever tidies up must know ours from all others."""
_FOLDER_DIGITS = 8
"""Of what names the folder in which a file is made."""
_PART = re.compile(rf"\.(.+)\.{_SIGN}([0-9a-f]{{{_FOLDER_DIGITS}}})-[0-9a-z_]{{8}}\.part(-journal)?")
MOST_OF_NAME = 40
"""Characters of a file's name that are kept while it is in the making: file systems allow 255 bytes."""


@dataclass(slots=True)
class Replacement:
    """A file in the making."""

    stream: BinaryIO
    path: Path
    """Where the content lies once it is whole."""


@contextmanager
def replacing(path: Path, *, replaceable: bool = False) -> Iterator[Replacement]:
    """In the block a file is written beside `path`; at its end it is flushed to the disk and put in the place of
    `path`. An error in the block leaves what stood at `path` unharmed.

    A file that is `replaceable` is not waited for: a power cut soon after may leave it missing or empty, so whoever
    looks whether it is there must ask whether it is `there`, and make it anew.

    The content then lies at the replacement's `path`: `path` itself, or, where another program holds `path` open and
    the system then forbids replacing it (a spreadsheet on Windows), a file beside it named `STEM.new.SUFFIX`; the
    caller says so. Raises OSError when nothing could be written.
    """
    handle, name = tempfile.mkstemp(prefix=_beginning(path), suffix=".part", dir=path.parent)
    beside = Path(name)
    try:
        with os.fdopen(handle, "wb") as stream:
            made = Replacement(stream, path)
            yield made
            stream.flush()
            if not replaceable:
                os.fsync(stream.fileno())
        beside.chmod(_usual_mode())
        try:
            beside.replace(path)
        except PermissionError:
            made.path = next(p for p in _beside(path) if not os.path.lexists(p))
            beside.replace(made.path)
    except BaseException:
        beside.unlink(missing_ok=True)
        raise
    if not replaceable:
        _sync_folder(path.parent)


def write_bytes(path: Path, content: bytes, *, replaceable: bool = False) -> Path:
    """Write `content` as `replacing` does; returns the path that holds it."""
    with replacing(path, replaceable=replaceable) as made:
        made.stream.write(content)
    return made.path


def _beside(path: Path) -> Iterator[Path]:
    yield path.with_name(f"{path.stem}.new{path.suffix}")
    yield from (path.with_name(f"{path.stem}.new-{n}{path.suffix}") for n in count(2))


def part_of(path: Path) -> Path:
    """A name beside `path` for a file in the making, which `is_part` knows again."""
    return path.with_name(f"{_beginning(path)}{secrets.token_hex(4)}.part")


def _beginning(path: Path) -> str:
    return f".{path.name[:MOST_OF_NAME]}.{_SIGN}{_named(path.parent)}-"


def _named(folder: Path) -> str:
    """The folder by its number in the file system: a file that was made elsewhere and brought here names another."""
    return hashlib.sha256(str(folder.stat().st_ino).encode()).hexdigest()[:_FOLDER_DIGITS]


def is_part(name: str) -> bool:
    """Whether a file of this name may be one of ours in the making."""
    return _PART.fullmatch(name) is not None


def becoming(path: Path) -> str | None:
    """What a file that we were making in this folder was to be named, or the first `MOST_OF_NAME` characters of that;
    None for others."""
    found = _PART.fullmatch(path.name)
    return found[1] if found and found[2] == _named(path.parent) else None


def there(path: Path) -> bool:
    """Whether a replaceable file need not be made anew."""
    try:
        return path.stat().st_size > 0
    except OSError:
        return False


def write_text(path: Path, content: str) -> Path:
    """`write_bytes` of UTF-8 text, without byte order mark, line ends as they are."""
    return write_bytes(path, content.encode("utf-8"))


def _usual_mode() -> int:
    # A temporary file is private to its owner; a result is as open as the user's other files.
    mask = os.umask(0)
    os.umask(mask)
    return 0o666 & ~mask


def _sync_folder(folder: Path) -> None:
    # The new name is safe on the disk only once its folder is. Systems that cannot open a folder need no such call.
    if not hasattr(os, "O_DIRECTORY"):
        return
    handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
