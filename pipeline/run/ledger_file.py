"""The SQLite file of a run's ledger: made whole, known for ours before it is touched, written by whole transactions.

The log is written ahead, so that a batch killed at any moment leaves whole transactions only, and pages can read while
it runs.
"""

from __future__ import annotations

import contextlib
import os
import sqlite3
import threading
import uuid
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

from pipeline.errors import RunError
from pipeline.run import ledger_tables
from pipeline.run.ledger_faults import with_cure
from pipeline.scans import run_mark
from pipeline.scans.run_mark import APPLICATION, LEDGER
from pipeline.tables.atomic import part_of

FILE = LEDGER
Transaction = sqlite3.Connection
"""What statements are given to within a transaction."""
_WRITTEN_AHEAD = f"{FILE}-wal"
_WAIT_SECONDS = 10
"""How long to wait for another process of this tool (the page, the report) that is writing."""
_opening = threading.Lock()
_open_here: Counter[tuple[int, int]] = Counter()
"""Connections of this process to each file. The first of them alone checks a file: reading it past SQLite would give up
the locks of the others (POSIX; SQLite, How To Corrupt, section 2.2), and looking through all rows takes time."""


class LedgerFile:
    """The open file. Errors of SQLite, and rows that do not hold what they should, become a `RunError` of one line."""

    def __init__(self, run: Path, *, create: bool) -> None:
        """Open the file in the folder `run`; with `create`, make it when there is none."""
        self.run = run
        self._path = run / FILE
        if create and not os.path.lexists(self._path):
            with self.one_line():
                self._make()
        with _opening:
            self._known = self._identity()
            first = _open_here[self._known] == 0
            if first:
                self._check()
            _open_here[self._known] += 1
        try:
            with self.one_line():
                self._db = sqlite3.connect(self._path, timeout=_WAIT_SECONDS, isolation_level=None)
        except BaseException:
            self._forget()
            raise
        try:
            with self.one_line():
                self._db.execute("PRAGMA journal_mode = WAL")
                self._db.execute("PRAGMA synchronous = NORMAL")  # a power cut may cost the last scans, never the file
                self._db.execute("PRAGMA foreign_keys = ON")
                sound = not (first and ledger_tables.damaged(self._db.execute))
            if not sound:
                raise RunError(
                    f"{self._path}: damaged (a row holds what no row should); restore a copy, or give another --out"
                )
        except BaseException:
            self.close()
            raise

    def close(self) -> None:
        """Close the file; nothing can be read or written any more."""
        self._db.close()
        self._forget()

    def _forget(self) -> None:
        with _opening:
            _open_here[self._known] -= 1

    @contextlib.contextmanager
    def transaction(self, *, to_disk: bool = False) -> Iterator[sqlite3.Connection]:
        """All statements in the block are kept, or none; with `to_disk`, no power cut after the block undoes them."""
        with self.one_line():
            self._db.execute(f"PRAGMA synchronous = {'FULL' if to_disk else 'NORMAL'}")
            self._db.execute("BEGIN IMMEDIATE")
            try:
                yield self._db
                self._db.execute("COMMIT")
            except BaseException:
                with contextlib.suppress(sqlite3.Error):  # the disk may be full; what was begun is dropped either way
                    self._db.execute("ROLLBACK")
                raise

    @contextlib.contextmanager
    def aside(self) -> Iterator[sqlite3.Connection]:
        """Statements in the block may write tables of this connection alone (`temp`), which nobody waits for."""
        with self.one_line():
            self._db.execute("BEGIN")
            try:
                yield self._db
            finally:
                self._db.execute("COMMIT")

    def rows(self, query: str, *values: object) -> list[tuple[object, ...]]:
        """All rows that a query finds."""
        with self.one_line():
            return self._db.execute(query, values).fetchall()

    def each_row(self, query: str) -> Iterator[tuple[object, ...]]:
        """The rows that a query finds, one at a time."""
        with self.one_line():
            yield from self._db.execute(query)

    def meta(self, key: str) -> str:
        """A fact about the run as a whole; blank: not known."""
        rows = self.rows("SELECT value FROM meta WHERE key = ?", key)
        return str(rows[0][0]) if rows else ""

    def set_meta(self, key: str, value: str) -> None:
        """Keep a fact about the run as a whole in place of the earlier one."""
        with self.transaction() as db:
            db.execute("INSERT OR REPLACE INTO meta VALUES (?, ?)", (key, value))

    @contextlib.contextmanager
    def one_line(self) -> Iterator[None]:
        """Errors of SQLite in the block become a `RunError` of one line."""
        try:
            yield
        except sqlite3.Error as e:
            raise RunError(f"{self._path}: {with_cure(str(e))}") from e

    @contextlib.contextmanager
    def whole_rows(self) -> Iterator[None]:
        """In the block rows are made into records; one that does not hold what it should becomes a `RunError`."""
        try:
            yield
        except (ValueError, TypeError, KeyError, IndexError, AttributeError, RecursionError) as e:
            raise RunError(
                f"{self._path}: damaged ({type(e).__name__} in a row); restore a copy, or give another --out"
            ) from e

    def _make(self) -> None:
        """Make the file beside its place and put it there whole: whoever sees it sees a ledger of ours."""
        if os.path.lexists(self.run / _WRITTEN_AHEAD):  # SQLite would play it into the new file
            raise RunError(
                f"{self.run}: holds {_WRITTEN_AHEAD} without its {FILE}; restore that file, or give another --out"
            )
        part = part_of(self._path)
        try:
            with contextlib.closing(sqlite3.connect(part, isolation_level=None)) as db:
                db.execute("PRAGMA journal_mode = MEMORY")  # a file left half made is never used
                db.execute("BEGIN")
                for statement in ledger_tables.TABLES.split(";"):
                    db.execute(statement)
                db.execute("INSERT INTO meta VALUES ('run', ?)", (uuid.uuid4().hex,))
                db.execute(f"PRAGMA application_id = {APPLICATION}")
                db.execute(f"PRAGMA user_version = {ledger_tables.VERSION}")
                db.execute("COMMIT")
            part.replace(self._path)
        except BaseException:
            part.unlink(missing_ok=True)
            raise

    def _identity(self) -> tuple[int, int]:
        """The file by its device and number. Raises RunError where there is no file, or only a link to one."""
        if self._path.is_symlink():
            raise RunError(f"{self._path}: is a link; put the file itself into the folder, or give another --out")
        if not self._path.is_file():
            raise RunError(f"{self.run}: holds no {FILE}; give the folder that `opercle age --out` wrote")
        found = self._path.stat()
        return found.st_dev, found.st_ino

    def _check(self) -> None:
        """Raise RunError unless the file is a ledger of ours. Its head alone is read (SQLite database file format,
        section 1.3): a database of somebody else's must not be opened, for that may change it, and one of ours that is
        being written cannot be read past its log."""
        try:
            head = run_mark.head_of(self._path)
        except OSError as e:
            raise RunError(f"{self._path}: {with_cure('unable to open')}") from e
        if head and not head.startswith(run_mark.SQLITE):
            raise RunError(f"{self._path}: {with_cure('not a database')}")
        if not run_mark.is_ours(head):
            raise RunError(f"{self._path}: not written by opercle, or empty; restore a copy, or give another --out")
        if int.from_bytes(head[60:64], "big") != ledger_tables.VERSION:
            raise RunError(f"{self._path}: of another version of opercle; use that one, or another --out")
