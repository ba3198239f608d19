"""Tables that people enter into a run: readings or corrections, known by their columns, judged row by row."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from pipeline.records import Captured, Reading
from pipeline.tables import corrections, readings
from pipeline.tables.cells import RowCells
from pipeline.tables.corrections import CorrectionRow, correction_row
from pipeline.tables.dates import dates
from pipeline.tables.faults import Faults
from pipeline.tables.given_table import GivenRow, GivenTable, read_given_table, table_path
from pipeline.tables.readings import is_filled, reading_row

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
    faults = Faults(table_path(path)[0].name)
    both = tuple(dict.fromkeys((*readings.REQUIRED, *readings.OPTIONAL, *corrections.OPTIONAL)))
    table = read_given_table(path, ("specimen",), both[1:], faults)
    counts, places = "annuli" in table.columns, [name for name in _PLACES if name in table.columns]
    if counts and places:
        faults.add(
            table.header_row, f"columns of readings (annuli) and of corrections ({places[0]})", "give two tables"
        )
    elif not counts and not places:
        faults.add(
            table.header_row,
            f"neither readings nor corrections (there are {', '.join(table.columns)})",
            "give specimen, reader and annuli for readings; specimen with focus_x, focus_y, axis_x, axis_y, dpi or "
            "lighting for corrections",
        )
    elif counts and "reader" not in table.columns:
        faults.add(table.header_row, "no column reader", "add reader; every reading needs it")
    days = dates("read_on", table.rows, faults)
    if not table.rows and not faults.found:
        faults.add(None, "no row below the header", "give one row a bone")
    if any(f.row in (None, table.header_row) for f in faults.found):
        faults.check()
    entries = {row.number: _entry(row, days.get(row.number), faults, table, counts=counts) for row in table.rows}
    for fault in faults.found:
        number = fault.row or 0
        known = entries.get(number)
        lines = (*(known.faults if known else ()), faults.line(fault))
        entries[number] = Entry(row=number, content=known.content if known else None, faults=lines)
    return tuple(entries[number] for number in sorted(entries))


def _entry(given: GivenRow, day: Captured | None, faults: Faults, table: GivenTable, *, counts: bool) -> Entry:
    row = RowCells(given, faults, semicolons=table.semicolons)
    if counts:
        content: Reading | CorrectionRow | None = reading_row(row, day) if is_filled(row) else None
    else:
        filled = any(row.text(name) for name in (*_PLACES, "note"))
        content = correction_row(row) if filled else None
    return Entry(row=given.number, content=content)
