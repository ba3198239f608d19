"""Tables that people enter into a run: readings or corrections, told apart by their columns, judged row by row."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from pipeline.records import Reading
from pipeline.tables import corrections, readings
from pipeline.tables.cells import RowCells
from pipeline.tables.corrections import CorrectionRow, correction_row
from pipeline.tables.given_table import Faults, GivenRow, read_given_table
from pipeline.tables.readings import reading_row

_PLACES = corrections.OPTIONAL[:6]
"""Columns by which a table is one of corrections."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One row of a table."""

    row: int
    """As a spreadsheet shows it."""
    content: Reading | CorrectionRow | None
    """None: the row is not filled in."""
    faults: tuple[str, ...] = ()
    """Whole lines, each with file, row and cure; a row with faults must not be used."""


def read_entries(path: Path) -> tuple[Entry, ...]:
    """The rows of a table of readings or of corrections, in order.

    Raises TableError when rows cannot be made out, or the columns are those of neither kind or of both.
    """
    faults = Faults(path.name)
    both = tuple(dict.fromkeys((*readings.REQUIRED, *readings.OPTIONAL, *corrections.OPTIONAL)))
    table = read_given_table(path, ("specimen",), both[1:], faults)
    counts, places = "annuli" in table.columns, [name for name in _PLACES if name in table.columns]
    head = Faults(path.name)
    if counts and places:
        head.add(table.header_row, f"columns of readings (annuli) and of corrections ({places[0]})", "give two tables")
    elif not counts and not places:
        head.add(
            table.header_row,
            f"neither readings nor corrections (there are {', '.join(table.columns)})",
            "give specimen, reader and annuli for readings; specimen with focus_x, focus_y, axis_x, axis_y, dpi or "
            "lighting for corrections",
        )
    elif counts and "reader" not in table.columns:
        head.add(table.header_row, "no column reader", "add reader; every reading needs it")
    head.check()
    if not table.rows and not faults.lines:
        faults.add(None, "no row below the header", "give one row a bone")
        faults.check()
    entries = [_entry(path, row, counts=counts, semicolons=table.semicolons) for row in table.rows]
    torn = [Entry(row=row, content=None, faults=(line,)) for row, line in faults.by_row]
    return tuple(sorted([*entries, *torn], key=lambda e: e.row))


def _entry(path: Path, given: GivenRow, *, counts: bool, semicolons: bool) -> Entry:
    faults = Faults(path.name)
    row = RowCells(given, faults, semicolons=semicolons)
    filled: Sequence[str] = readings.ANSWERS if counts else (*_PLACES, "note")
    if not any(row.text(name) for name in filled):
        return Entry(row=given.number, content=None)
    content = reading_row(row) if counts else correction_row(row)
    return Entry(row=given.number, content=content, faults=tuple(faults.lines))
