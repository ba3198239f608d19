"""Opening files that people name: only regular files, and never so that the program could wait for ever.

A pipe, a device or a socket in the place of a file would keep the one who opens it waiting until somebody writes to it.
"""

from __future__ import annotations

import errno
import os
import stat
from io import BufferedReader, BufferedWriter
from pathlib import Path
from typing import TypeVar

_Stream = TypeVar("_Stream", BufferedReader, BufferedWriter)

_AT_ONCE = getattr(os, "O_NONBLOCK", 0)
"""Opening does not wait (POSIX; elsewhere files of such kinds have no names among others)."""


def real_path(path: Path) -> Path:
    """The path with its links followed; as it is where they lead in a circle, which opening it will tell."""
    try:
        return path.resolve()
    except (OSError, RuntimeError):
        return path.absolute()


def opened(path: Path) -> BufferedReader:
    """The file, open for reading bytes. Raises OSError, also when it is no regular file."""
    return _checked(open(path, "rb", opener=_open_at_once), path)


def opened_to_append(path: Path) -> BufferedWriter:
    """The file, made if it is not there, open for writing bytes at its end. Raises OSError like `opened`."""
    return _checked(open(path, "ab", opener=_open_at_once), path)


def read(path: Path) -> bytes:
    """All bytes of the file. Raises OSError like `opened`."""
    with opened(path) as stream:
        return stream.read()


def _checked(stream: _Stream, path: Path) -> _Stream:
    if not stat.S_ISREG(os.fstat(stream.fileno()).st_mode):
        stream.close()
        raise OSError(errno.EINVAL, "not a regular file", str(path))
    return stream


def _open_at_once(path: str, flags: int) -> int:
    return os.open(path, flags | _AT_ONCE, 0o666)
