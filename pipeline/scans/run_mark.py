"""What tells a folder of results from a folder of scans: the mark in run.json, or a ledger of ours."""

from __future__ import annotations

import json
import re
from pathlib import Path

from pipeline import regular_files

NAME = "run.json"
LEDGER = "run.sqlite"
APPLICATION = 0x6F706572
""""oper": the application id in the head of our SQLite files (bytes 68 to 71 of the file, big endian; SQLite database
file format, section 1.3)."""
MADE_BY = "opercle"

_ID = re.compile(r"[0-9a-f]{32}")
SQLITE = b"SQLite format 3\0"
"""How every SQLite file begins."""
_HEAD_BYTES = 100
_MOST_MARK_BYTES = 10_000_000
"""run.json holds the settings of a run, some ten kilobytes; what is larger is not read."""


def is_run(folder: Path) -> bool:
    """Whether the folder is a run by what it holds, whatever its files are called."""
    return holds_ledger(folder) or run_id(folder) != ""


def holds_ledger(folder: Path) -> bool:
    """Whether the folder holds a ledger of ours; the file is only looked at."""
    try:
        return is_ours(head_of(folder / LEDGER))
    except OSError:
        return False


def head_of(path: Path) -> bytes:
    """The head of a file that may be a database. Raises OSError."""
    with regular_files.opened(path) as stream:
        return stream.read(_HEAD_BYTES)


def is_ours(head: bytes) -> bool:
    """Whether a file that begins so is a ledger of ours."""
    return head.startswith(SQLITE) and head[68:72] == APPLICATION.to_bytes(4, "big")


def run_id(folder: Path) -> str:
    """The id of the run that run.json tells of; blank when there is none, or it is not ours."""
    try:
        with regular_files.opened(folder / NAME) as stream:
            content = json.loads(stream.read(_MOST_MARK_BYTES))
    except (OSError, ValueError, RecursionError):
        return ""
    if not isinstance(content, dict) or content.get("made_by") != MADE_BY:
        return ""
    found = content.get("run")
    return found if isinstance(found, str) and _ID.fullmatch(found) else ""
