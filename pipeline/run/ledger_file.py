"""The SQLite file of a run's ledger: opened, checked, and written one transaction at a time.

The log is written ahead, so that a batch killed at any moment leaves whole transactions only, and pages can read while
it runs.
"""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Iterator
from pathlib import Path

from pipeline.errors import RunError
from pipeline.run import ledger_tables
from pipeline.run.ledger_faults import said

FILE = "run.sqlite"
_APPLICATION = 0x6F706572  # "oper": tells our files from other SQLite files
_WAIT_SECONDS = 10
"""How long to wait for another process of this tool (the page, the report) that is writing."""


class LedgerFile:
    """The open file. Errors of SQLite become a `RunError` of one line."""

    def __init__(self, run: Path, *, create: bool) -> None:
        """Open the file in the folder `run`; with `create`, make it when there is none."""
        self._path = run / FILE
        if not create and not self._path.is_file():
            raise RunError(f"{run}: holds no {FILE}; give the folder that `opercle age --out` wrote")
        with self._one_line():
            self._db = sqlite3.connect(self._path, timeout=_WAIT_SECONDS, isolation_level=None)
            self._prepare()

    def close(self) -> None:
        """Close the file; nothing can be read or written any more."""
        self._db.close()

    @contextlib.contextmanager
    def transaction(self) -> Iterator[sqlite3.Connection]:
        """All statements in the block are kept, or none."""
        with self._one_line():
            self._db.execute("BEGIN IMMEDIATE")
            try:
                yield self._db
                self._db.execute("COMMIT")
            except BaseException:
                with contextlib.suppress(sqlite3.Error):  # the disk may be full; what was begun is dropped either way
                    self._db.execute("ROLLBACK")
                raise

    def rows(self, query: str, *values: object) -> list[tuple[object, ...]]:
        """All rows that a query finds."""
        with self._one_line():
            return self._db.execute(query, values).fetchall()

    def each_row(self, query: str) -> Iterator[tuple[object, ...]]:
        """The rows that a query finds, one at a time."""
        with self._one_line():
            yield from self._db.execute(query)

    def _prepare(self) -> None:
        self._db.execute("PRAGMA journal_mode = WAL")
        self._db.execute("PRAGMA synchronous = NORMAL")  # a power cut may cost the last scans, never the file
        self._db.execute("PRAGMA foreign_keys = ON")
        with self.transaction():
            schema = self._db.execute("PRAGMA user_version").fetchone()[0]
            ours = self._db.execute("PRAGMA application_id").fetchone()[0]
            if schema == 0 and ours == 0:
                if self._db.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]:
                    raise RunError(f"{self._path}: not written by opercle; give another --out")
                for statement in ledger_tables.TABLES.split(";"):
                    self._db.execute(statement)
                self._db.execute(f"PRAGMA application_id = {_APPLICATION}")
                self._db.execute(f"PRAGMA user_version = {ledger_tables.VERSION}")
            elif ours != _APPLICATION:
                raise RunError(f"{self._path}: not written by opercle; give another --out")
            elif schema != ledger_tables.VERSION:
                raise RunError(f"{self._path}: of another version of opercle; use that one, or another --out")

    @contextlib.contextmanager
    def _one_line(self) -> Iterator[None]:
        try:
            yield
        except sqlite3.Error as e:
            raise RunError(f"{self._path}: {said(str(e))}") from e
