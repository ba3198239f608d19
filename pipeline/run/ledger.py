"""The ledger of a run: one SQLite file behind all tables, by what is kept in it.

Machine results (scans, bones, ages, changes, queue) may be dropped and made again; readings and corrections are
people's work, only ever appended to. Every statement of SQL is in the modules `ledger_*`.
"""

from __future__ import annotations

from pathlib import Path
from typing import Self

from pipeline.run import record_text
from pipeline.run.ledger_ages import AgeRows
from pipeline.run.ledger_desk import DeskRows
from pipeline.run.ledger_drafts import DraftRows
from pipeline.run.ledger_file import LedgerFile
from pipeline.run.ledger_files import FileRows
from pipeline.run.ledger_people import PeopleRows
from pipeline.run.ledger_pictures import PictureRows
from pipeline.run.ledger_queue import FORGET_UNREAD_CHECKS, QueueRows
from pipeline.run.ledger_scans import ScanRows
from pipeline.run.ledger_specimens import SpecimenRows


class Ledger:
    """The open ledger of one run. Errors of its file become a `RunError` of one line."""

    def __init__(self, run: Path, *, create: bool = False) -> None:
        """Open the ledger in the folder `run`; with `create`, make it when there is none."""
        self._file = LedgerFile(run, create=create)
        self.scans = ScanRows(self._file)
        self.specimens = SpecimenRows(self._file)
        self.ages = AgeRows(self._file)
        self.drafts = DraftRows(self._file)
        self.queue = QueueRows(self._file)
        self.pictures = PictureRows(self._file)
        self.people = PeopleRows(self._file)
        self.desk = DeskRows(self._file)
        self.files = FileRows(self._file)

    @property
    def run(self) -> str:
        """The run's id: it tells this run from all others, wherever its folder lies."""
        return self._file.meta("run")

    @property
    def description(self) -> str:
        """What run.json says, as JSON; blank before the first call has come to its end."""
        return self._file.meta("description")

    def describe(self, description: str) -> None:
        """Keep what run.json says: the file can be made again of it."""
        self._file.set_meta("description", description)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._file.close()

    def rename_scan(self, old: str, new: str) -> None:
        """Give a scan another name, with its bones and with people's corrections of them. One transaction."""
        with self._file.transaction() as db:
            db.execute("PRAGMA defer_foreign_keys = ON")  # the bones follow their scan within this transaction
            db.execute("UPDATE scans SET scan = ? WHERE scan = ?", (new, old))
            for number, measures in db.execute("SELECT number, measures FROM bones WHERE scan = ?", (old,)).fetchall():
                text = record_text.on_scan(str(measures), new)
                row = (new, record_text.digest_of_text(text), text, old, number)
                db.execute("UPDATE bones SET scan = ?, digest = ?, measures = ? WHERE scan = ? AND number = ?", row)
            db.execute("UPDATE corrections SET scan = ? WHERE scan = ?", (new, old))

    def drop_machine_results(self) -> None:
        """Forget everything the machine found; people's readings and corrections stay."""
        with self._file.transaction() as db:
            for table in ("bones", "scans", "specimens", "ages", "calls", "changes", "queue"):
                db.execute(f"DELETE FROM {table}")
            db.execute("DELETE FROM meta WHERE key = 'extra_columns'")
            db.execute(FORGET_UNREAD_CHECKS)
            db.execute("UPDATE pictures SET drawn_from = ''")  # their files are still there
