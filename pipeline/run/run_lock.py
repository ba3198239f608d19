"""Holding a run against a second batch."""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Iterator
from pathlib import Path

from pipeline.batch.isolate import held
from pipeline.errors import RunError
from pipeline.run.ledger_faults import with_cure

LOCK = "batch.lock"


@contextlib.contextmanager
def only_batch(run: Path) -> Iterator[None]:
    """Hold the run against a second batch; raises RunError at once when one is at work. A killed batch holds nothing.

    The lock is SQLite's own on a file of its own: it works on every system, ends with the process, and does not
    keep pages from reading the ledger. The folder itself is held too, where the system can: there a lock file can be
    deleted, and a second batch would make itself another.
    """
    with held(run) as alone:
        if not alone:
            raise _at_work(run)
        try:
            db = sqlite3.connect(run / LOCK, timeout=0, isolation_level=None)
            db.execute("PRAGMA journal_mode = MEMORY")  # no file beside the lock
            db.execute("BEGIN EXCLUSIVE")
        except sqlite3.Error as e:
            if "locked" in str(e):
                raise _at_work(run) from e
            raise RunError(f"{run / LOCK}: {with_cure(str(e))}") from e
        with contextlib.closing(db):
            yield


def _at_work(run: Path) -> RunError:
    return RunError(f"{run}: another `opercle age` is at work here; wait for it, or give another --out")
