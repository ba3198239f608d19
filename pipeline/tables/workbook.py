"""Tables out as a workbook (.xlsx): ids as text, dates as dates, the header frozen, a filter on every column."""

from __future__ import annotations

import io
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from openpyxl import Workbook
from openpyxl.cell.cell import ILLEGAL_CHARACTERS_RE, WriteOnlyCell
from openpyxl.cell.cell import Cell as SheetCell
from openpyxl.styles import Font
from openpyxl.utils import get_column_letter

from pipeline.tables.atomic import write_bytes
from pipeline.tables.tables import DECIMALS, Cell, Column

DATES = frozenset({"captured", "read_on"})
"""Columns of text whose full dates become dates."""
_FORMATS = {kind: f"0.{'0' * digits}" for kind, digits in DECIMALS.items()}
_WIDEST, _NARROWEST = 50, 6
"""Characters of a column."""
_MOST_CHARACTERS = 32_767
"""Of a cell: the most that the format allows."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """One sheet."""

    name: str
    columns: Sequence[Column]
    rows: Sequence[Sequence[Cell]]


def write_workbook(path: Path, sheets: Iterable[Sheet]) -> Path:
    """Write the sheets; returns the path written, as `atomic.write_bytes` does."""
    book = Workbook(write_only=True)
    for sheet in sheets:
        page = book.create_sheet(sheet.name)
        page.freeze_panes = "A2"
        for number, column in enumerate(sheet.columns, 1):
            cells = [len(str(row[number - 1])) for row in sheet.rows if row[number - 1] is not None]
            width = min(max([_NARROWEST, len(column.name) + 3, *cells]), _WIDEST)
            page.column_dimensions[get_column_letter(number)].width = width
        heads = []
        for column in sheet.columns:
            head = _text(page, column.name)
            head.font = Font(bold=True)
            heads.append(head)
        page.append(heads)
        for row in sheet.rows:
            page.append([_cell(page, cell, column) for cell, column in zip(row, sheet.columns, strict=True)])
        page.auto_filter.ref = f"A1:{get_column_letter(len(sheet.columns))}{len(sheet.rows) + 1}"
    content = io.BytesIO()
    book.save(content)
    return write_bytes(path, content.getvalue())


def _cell(page: object, value: Cell, column: Column) -> SheetCell | None:
    if value is None or value == "":
        return None
    if isinstance(value, str):
        day = _day(value) if column.name in DATES else None
        if day is None:
            return _text(page, value)
        cell = WriteOnlyCell(page, day)  # type: ignore[arg-type]
        cell.number_format = "yyyy-mm-dd"
        return cell
    cell = WriteOnlyCell(page, value)  # type: ignore[arg-type]
    cell.number_format = _FORMATS.get(column.kind, "General")
    return cell


def _text(page: object, value: str) -> SheetCell:
    """A cell of text that no spreadsheet program takes for a number, a date or a formula."""
    cell = WriteOnlyCell(page, ILLEGAL_CHARACTERS_RE.sub("\ufffd", value)[:_MOST_CHARACTERS])  # type: ignore[arg-type]
    cell.data_type = "s"
    cell.number_format = "@"
    return cell


def _day(text: str) -> date | None:
    try:
        return date.fromisoformat(text) if len(text) == len("2024-05-17") else None
    except ValueError:
        return None
