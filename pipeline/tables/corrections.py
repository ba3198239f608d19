"""Corrections tables: what people see of a bone that the machine took wrongly. Checked row by row."""

from __future__ import annotations

from dataclasses import dataclass

from pipeline.records import Point
from pipeline.tables.cells import RowCells
from pipeline.tables.specimens import DPI, LIGHTING_WORDS, correction_points

REQUIRED = ("specimen",)
OPTIONAL = ("focus_x", "focus_y", "axis_x", "axis_y", "dpi", "lighting", "reader", "note")


@dataclass(frozen=True, slots=True, kw_only=True)
class CorrectionRow:
    """One row of a corrections table. Blank or None: not corrected."""

    specimen: str
    focus: Point | None = None
    """Always given together with `tip`; scan pixels."""
    tip: Point | None = None
    dpi: float | None = None
    lighting: str = ""
    reader: str = ""
    note: str = ""


def correction_row(row: RowCells) -> CorrectionRow:
    """One row; what is wrong goes into the table's faults."""
    focus, tip = correction_points(row)
    found = CorrectionRow(
        specimen=row.identity("specimen"),
        focus=focus,
        tip=tip,
        dpi=row.number("dpi", *DPI, "pixels an inch"),
        lighting=row.word("lighting", LIGHTING_WORDS),
        reader=row.name("reader"),
        note=row.note("note"),
    )
    if not any(row.text(name) for name in OPTIONAL[:6]):
        row.fault("a row that corrects nothing", "give focus_x, focus_y, axis_x, axis_y, or dpi, or lighting")
    return found
