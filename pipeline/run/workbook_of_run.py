"""ages.xlsx of a run: ages, fish, refused scans and the meaning of all codes, for those who work in a spreadsheet."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

from pipeline.codes import NOTICES, REASONS, REFUSALS
from pipeline.run.ledger import Ledger
from pipeline.run.people_tables import FISH, FISH_FILE
from pipeline.run.results import AGES, REFUSED
from pipeline.tables.tables import Cell, Column, read_table
from pipeline.tables.workbook import Sheet, write_workbook

Say = Callable[[str], None]

NAME = "ages.xlsx"
_CODES = (Column("kind"), Column("code"), Column("what was found"), Column("look at, or do"))


def write_workbook_of_run(run: Path, ledger: Ledger, say: Say) -> Path:
    """Write the workbook from the tables of the run; a number there is a number here."""
    registries = (("reason", REASONS), ("notice", NOTICES), ("refusal", REFUSALS))
    codes: list[tuple[Cell, ...]] = [
        (kind, c.code, c.means, c.cure) for kind, registry in registries for c in registry.values()
    ]
    ledger.files.claim((NAME,))
    path = write_workbook(
        run / NAME,
        [
            _sheet(run, "ages", AGES),
            _sheet(run, Path(FISH_FILE).stem, FISH),
            _sheet(run, "refused", REFUSED),
            Sheet(name="codes", columns=_CODES, rows=codes),
        ],
    )
    if path.name != NAME:
        say(f"{NAME} is open in another program; the new workbook is beside it, in {path.name}")
    return path


def _sheet(run: Path, name: str, columns: Sequence[Column]) -> Sheet:
    rows = read_table(run / f"{name}.csv", [column.name for column in columns])
    known = {column.name: column for column in columns}
    names = list(rows[0]) if rows else list(known)
    shown = [known.get(n, Column(n)) for n in names]
    # length_mm stands in the tables as it was written, but is a number to whoever sorts by it.
    shown = [Column(c.name, "number") if c.name == "length_mm" else c for c in shown]
    return Sheet(name=name, columns=shown, rows=[[_value(row[c.name], c) for c in shown] for row in rows])


def _value(text: str, column: Column) -> Cell:
    if text == "" or column.kind == "text":
        return text
    if column.kind == "flag":
        return text == "true"
    try:
        return int(text) if column.kind == "count" else float(text)
    except ValueError:
        return text
