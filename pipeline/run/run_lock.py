"""Holding a run against a second batch."""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Iterator
from pathlib import Path

from pipeline.errors import RunError
from pipeline.run.ledger_faults import said

_LOCK = "batch.lock"


@contextlib.contextmanager
def only_batch(run: Path) -> Iterator[None]:
    """Hold the run against a second batch; raises RunError at once when one is at work. A killed batch holds nothing.

    The lock is SQLite's own on a file of its own: it works on every system, ends with the process, and does not
    keep pages from reading the ledger.
    """
    try:
        db = sqlite3.connect(run / _LOCK, timeout=0, isolation_level=None)
        db.execute("BEGIN EXCLUSIVE")
    except sqlite3.Error as e:
        if "locked" in str(e):
            raise RunError(f"{run}: another `opercle age` is at work here; wait for it, or give another --out") from e
        raise RunError(f"{run / _LOCK}: {said(str(e))}") from e
    with contextlib.closing(db):
        yield
