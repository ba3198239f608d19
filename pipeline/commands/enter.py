"""`opercle enter`: people's readings and corrections into a run; final ages, queue and tables follow."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from pipeline.batch.batch import Here
from pipeline.commands.report import write_report
from pipeline.errors import OpercleError, RunError, TableError
from pipeline.run import run_folder
from pipeline.run.ages_of_run import age_run
from pipeline.run.ledger import Ledger
from pipeline.run.people import Entered
from pipeline.run.people import enter as entered
from pipeline.run.queue_of_run import shorten_queue
from pipeline.run.run_lock import only_batch
from pipeline.run.workbook_of_run import NAME as WORKBOOK
from pipeline.run.workbook_of_run import write_workbook_of_run
from pipeline.tables.entries import Entry, read_entries

Say = Callable[[str], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class EnterSummary:
    """What a call has entered, and what follows."""

    run: Path
    files: tuple[Entered, ...]
    read_by_people: int
    """Bones of the run that have a reading."""
    differ: int
    """Of these, bones whose readers differ and nothing settles it."""

    def lines(self) -> tuple[str, ...]:
        """As printed."""
        lines = [f.line() for f in self.files]
        lines.append(f"bones read by people {self.read_by_people}, of these without an agreed count {self.differ}")
        corrections = sum(f.corrections for f in self.files)
        if corrections:
            lines.append(
                f"bones with a new correction: {corrections}; give the line of `opercle age` again: it reads these "
                "bones alone"
            )
        return (*lines, str(self.run / "ages.csv"))


def enter(run: Path, files: Sequence[Path], workers: int, say: Say) -> EnterSummary:
    """Enter tables of readings and corrections; rows that cannot be taken are named, the others are kept.

    Raises TableError when a table cannot be used at all, and RunError when the run holds no ages yet: nothing is kept
    then. Raises OpercleError when every row was refused.
    """
    tables = _read(files)
    here = Here(workers)
    try:
        with Ledger(run) as ledger, only_batch(run):  # what is no run gets no lock
            settings = run_folder.settings_of(run, ledger)
            if not ledger.ages.specimens():
                raise RunError(f"{run}: holds no ages yet; let `opercle age` with this --out come to its end")
            today = date.today().isoformat()
            found = tuple(entered(ledger, path.name, entries, today) for path, entries in tables)
            for line in (line for f in found for line in f.refused):
                say(line)
            if found and all(f.refused and not f.taken and not f.known for f in found):
                raise OpercleError("no row was taken; correct the tables and enter them again")
            if any(f.readings for f in found):
                accounts = age_run(run, ledger, settings, here, say, command="enter")
                run_folder.describe_call(run, ledger, accounts.counts())
                shorten_queue(run, ledger, say)
                write_report(run, ledger, settings, say)
                if (run / WORKBOOK).is_file():
                    write_workbook_of_run(run, ledger, say)
            finals = [bone.final for bone in ledger.ages.all()]
            read = {r.specimen for r in ledger.people.readings()} & ledger.ages.specimens().keys()
    finally:
        here.stop()
    return EnterSummary(run=run, files=found, read_by_people=len(read), differ=sum(f.differ for f in finals))


def _read(files: Sequence[Path]) -> list[tuple[Path, tuple[Entry, ...]]]:
    tables: list[tuple[Path, tuple[Entry, ...]]] = []
    faults: list[str] = []
    for path in files:
        try:
            tables.append((path, read_entries(path)))
        except TableError as error:
            faults += error.faults
    if faults:
        raise TableError(faults)
    return tables
