"""A table given as a sheet of a workbook (.xlsx): every cell as the text that a CSV table would hold.

Numbers as they are stored, in their shortest form (an id that a format pads with zeros keeps them); dates as
YYYY-MM-DD; yes and no as true and false.
"""

from __future__ import annotations

import io
import re
import warnings
import zipfile
from datetime import date, datetime, time, timedelta
from typing import Any

from pipeline.errors import TableError
from pipeline.tables.faults import Faults

MOST_BYTES = 300_000_000
"""Of a workbook unpacked: a table of a hundred thousand bones has a tenth."""
_PADDED = re.compile(r"0{2,20}")
_WORKBOOK = "xl/workbook.xml"
_NO_VALUE = "open the table in a spreadsheet program and save it there, or copy the column as values"


def is_workbook(content: bytes) -> bool:
    """Whether the bytes are a workbook that this module reads."""
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            return _WORKBOOK in archive.namelist()
    except (zipfile.BadZipFile, OSError, ValueError):
        return False


def cells_of_sheet(content: bytes, sheet: str, faults: Faults) -> list[list[str]]:
    """Lines of cells of the sheet named, or of the first one. Raises TableError when it cannot be read."""
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        if sum(entry.file_size for entry in archive.infolist()) > MOST_BYTES:
            faults.add(None, "the workbook is far too large for a table of bones", "copy the table into a new workbook")
            faults.check()
    rows = _rows(content, sheet, faults, values=False)
    if any(cell.data_type == "f" for row in rows for cell in row):
        rows = _with_values(rows, _rows(content, sheet, faults, values=True), faults)
    faults.check()
    return [[_text(cell) for cell in row] for row in rows]


def _rows(content: bytes, sheet: str, faults: Faults, *, values: bool) -> list[tuple[Any, ...]]:
    import openpyxl  # here, because most tables are text and it takes a while to load

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of parts of a workbook that no table needs
            book = openpyxl.load_workbook(io.BytesIO(content), read_only=True, data_only=values)
            names = [s.title for s in book.worksheets]
            if sheet and sheet not in names:
                faults.add(None, f"no sheet {sheet} (there are {', '.join(names)})", "give the name of one of these")
                faults.check()
            page = book[sheet] if sheet else book.worksheets[0]
            page.reset_dimensions()  # some programs store a wrong size
            rows = list(page.iter_rows())
            book.close()
    except TableError:
        raise
    except Exception as e:  # whatever a spoiled workbook makes of the libraries that unpack it
        faults.add(None, f"the workbook is damaged ({type(e).__name__})", "save it again as .xlsx, or as CSV UTF-8")
        faults.check()
        raise
    return rows


def _with_values(rows: list[tuple[Any, ...]], values: list[tuple[Any, ...]], faults: Faults) -> list[tuple[Any, ...]]:
    """The rows with the values that the spreadsheet program reckoned in the place of formulas."""
    for number, (row, valued) in enumerate(zip(rows, values, strict=True), 1):
        if any(c.data_type == "f" and v.value is None for c, v in zip(row, valued, strict=True)):
            faults.add(number, "a formula without its value", _NO_VALUE)
    return values


def _text(cell: Any) -> str:
    value = cell.value
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, datetime):
        return value.date().isoformat() if value.time() == time() else value.isoformat(timespec="seconds")
    if isinstance(value, (date, time)):
        return value.isoformat()
    if isinstance(value, (int, float)):
        return _number(value, str(cell.number_format or ""))
    return str(value) if not isinstance(value, timedelta) else str(value.total_seconds())


def _number(value: float, number_format: str) -> str:
    if value == int(value) and abs(value) < 1e15:
        padded = len(number_format) if _PADDED.fullmatch(number_format) else 0
        return f"{int(value):0{padded}d}"
    return repr(float(value))
