"""Readings tables: what people counted. Checked row by row."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from pipeline.errors import TableError
from pipeline.names import folded
from pipeline.records import MACHINE, Captured, Reading
from pipeline.regular_files import real_path
from pipeline.tables.cells import RowCells
from pipeline.tables.dates import dates
from pipeline.tables.faults import Faults
from pipeline.tables.given_table import read_given_table, table_path

REQUIRED = ("specimen", "reader", "annuli")
OPTIONAL = ("age_class", "edge", "readability", "seconds", "read_on", "settles", "note")
ANSWERS = ("reader", "annuli", "age_class", "edge", "readability", "seconds", "read_on", "settles", "note")
"""Columns of which a row that is filled in has one at least."""
"""The reader that stands for this program in every comparison."""
MOST_ANNULI = 99
MOST_SECONDS = 86_400.0
"""A day: nobody looks at one bone for longer."""


def read_readings(paths: Sequence[Path]) -> tuple[Reading, ...]:
    """The readings of one or several tables, in the order of tables and rows; repeat readings are kept.

    Raises TableError with every fault of every table, each as `file, row N: what was found; cure`.
    """
    readings: list[Reading] = []
    lines: list[str] = []
    seen: set[Path] = set()
    for path in paths:
        faults = Faults(table_path(path)[0].name)
        if real_path(path) in seen:
            faults.add(None, "this table is given twice", "give it once: its readings would count as repeats")
        seen.add(real_path(path))
        try:
            readings.extend(_readings(path, faults))
            faults.check()
        except TableError as error:
            lines.extend(error.faults)
    if lines:
        raise TableError(lines)
    return tuple(readings)


def _readings(path: Path, faults: Faults) -> list[Reading]:
    table = read_given_table(path, REQUIRED, OPTIONAL, faults)
    days = dates("read_on", table.rows, faults)
    rows = (RowCells(row, faults, semicolons=table.semicolons) for row in table.rows)
    return [reading_row(row, days.get(row.row_number)) for row in rows if is_filled(row)]


def is_filled(row: RowCells) -> bool:
    """Whether anything was answered: sheets to fill in have rows that nobody has come to yet."""
    return any(row.text(name) for name in ANSWERS)


def reading_row(row: RowCells, day: Captured | None) -> Reading:
    """One row; what is wrong goes into the table's faults. `day` is the date in `read_on`."""
    reader = row.needed("reader") and row.name("reader")
    if folded(reader) == MACHINE:
        row.fault(f"the reader {reader}", "that name stands for the program; give the person's")
    return Reading(
        specimen=row.identity("specimen"),
        reader=reader,
        annuli=row.whole("annuli", 0, MOST_ANNULI, "; leave it blank when the bone could not be aged"),
        age_class=row.whole("age_class", 0, MOST_ANNULI + 1, ", or leave it blank"),
        edge=row.name("edge"),
        readability=row.name("readability"),
        seconds=row.number("seconds", 0, MOST_SECONDS, "s"),
        read_on="" if day is None else text if (text := row.text("read_on")).startswith(str(day)) else str(day),
        settles=row.flag("settles"),
        note=row.note("note"),
    )
