"""Tables that people give: opened and split into rows, with every fault named together with its cure.

CSV or .xlsx; any order of columns, headings in any case. Lines above the header (a title, a blank row) are passed over.
Rows are numbered as a spreadsheet shows them.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from pipeline import regular_files
from pipeline.errors import TableError
from pipeline.tables.cells_of_sheet import cells_of_sheet, is_workbook
from pipeline.tables.cells_of_text import UTF8, IsHeader, cells_of_text
from pipeline.tables.faults import Faults
from pipeline.tables.tables import unguarded

_OTHER_KINDS = {
    b"PK\x03\x04": "an archive or another kind of spreadsheet",
    b"\xd0\xcf\x11\xe0": "an old kind of spreadsheet",
    b"%PDF": "a PDF",
}
_AS_TEXT_OR_SHEET = f"save the table as .xlsx, or as CSV in UTF-8 ({UTF8.split('(')[1]}"
_SHEET_MARK = ".xlsx#"
_ROWS_TO_HEADER = 30
"""Rows among which the header is looked for."""
_ALIKE = 0.8
"""Likeness of two headings (0 to 1) from which the one may be a slip of the other."""


@dataclass(frozen=True, slots=True, kw_only=True)
class GivenRow:
    """One row that is not blank."""

    number: int
    """As a spreadsheet shows it."""
    cells: dict[str, str]
    """Column to text, as written but for our own guard against formulas."""


@dataclass(frozen=True, slots=True, kw_only=True)
class GivenTable:
    """A table split into rows; those with too many or too few cells are left out and noted as faults."""

    columns: tuple[str, ...]
    """Those asked for by their own names, all others as written."""
    header_row: int
    """Number of the row that holds them."""
    rows: tuple[GivenRow, ...]
    semicolons: bool
    """Separated by semicolons: numbers may have decimal commas."""


def table_path(given: Path) -> tuple[Path, str]:
    """The file and the name of its sheet, blank for the first: `book.xlsx#Sheet two` names one."""
    name = given.name
    place = name.lower().find(_SHEET_MARK)
    if place < 0 or given.exists():
        return given, ""
    end = place + len(_SHEET_MARK)
    return given.with_name(name[: end - 1]), name[end:]


def read_given_table(path: Path, required: Sequence[str], optional: Sequence[str], faults: Faults) -> GivenTable:
    """Split a table. Raises TableError at once when no rows can be made out; other faults go into `faults`."""
    known = {_plain(name): name for name in (*required, *optional)}

    def is_header(cells: list[str]) -> bool:
        found = {known.get(_plain(cell)) for cell in cells}
        return found.issuperset(required)

    lines, semicolons, commas = _cells(path, is_header, faults)
    top = next((n for n, cells in enumerate(lines[:_ROWS_TO_HEADER]) if is_header(cells)), None)
    if top is None:
        top = next((n for n, cells in enumerate(lines) if any(cell.strip() for cell in cells)), 0)
    header = [unguarded(name) for name in lines[top]] if lines else []
    while header and not header[-1].strip():  # a spreadsheet that once had more columns leaves nameless ones at the end
        header.pop()
    header = _columns(header, top + 1, known, required, faults)
    faults.check()
    rows = []
    for number, cells in enumerate(lines[top + 1 :], top + 2):
        if not any(cell.strip() for cell in cells):
            continue
        if len(cells) < len(header) or any(cell.strip() for cell in cells[len(header) :]):
            used = len(cells) if len(cells) < len(header) else max(i for i, cell in enumerate(cells, 1) if cell.strip())
            faults.add(
                number,
                f"{used} cells where the header has {len(header)}",
                "put text that holds a comma into quotes, and write decimals with a point"
                if commas and used > len(header)
                else "give every column a cell, blank if there is nothing to say",
            )
            continue
        rows.append(GivenRow(number=number, cells=dict(zip(header, map(unguarded, cells), strict=False))))
    return GivenTable(columns=tuple(header), header_row=top + 1, rows=tuple(rows), semicolons=semicolons)


def _cells(given: Path, is_header: IsHeader, faults: Faults) -> tuple[list[list[str]], bool, bool]:
    """Lines of cells; whether semicolons, and whether commas, part them."""
    path, sheet = table_path(given)
    try:
        content = regular_files.read(path)
    except FileNotFoundError:
        raise TableError([f"{path}: no such file; check the path"]) from None
    except OSError as error:
        raise TableError([f"{path}: cannot be read ({error.strerror}); check the path and your rights"]) from None
    if is_workbook(content):
        lines = cells_of_sheet(content, sheet, faults)
        width = max((len(row) for row in lines), default=0)
        if not any(cell.strip() for row in lines for cell in row):
            faults.add(None, "the table is empty", "give a header and one row a bone")
            faults.check()
        return [row + [""] * (width - len(row)) for row in lines], False, False
    kind = next((kind for start, kind in _OTHER_KINDS.items() if content.startswith(start)), None)
    if kind:
        faults.add(None, f"this is {kind}, not a table", _AS_TEXT_OR_SHEET)
        faults.check()
    lines, semicolons = cells_of_text(content, is_header, faults)
    return lines, semicolons, not semicolons


def _columns(
    header: Sequence[str], row: int, known: dict[str, str], required: Sequence[str], faults: Faults
) -> list[str]:
    """The columns under their own names; what is wrong with the header goes into `faults`."""
    columns = [known.get(_plain(name), name) for name in header]
    for name in dict.fromkeys(columns):
        written = [w for w, c in zip(header, columns, strict=True) if c == name]
        if not name.strip():
            faults.add(row, "a column without a name", "name it, or delete it")
        elif len(set(written)) > 1:
            faults.add(row, f"{' and '.join(written)} are both the column {name}", "keep one of them")
        elif len(written) > 1:
            faults.add(row, f"the column {written[0]} appears {len(written)} times", "keep one of them")
    for name in required:
        if name not in columns:
            faults.add(row, f"no column {name} (there are {', '.join(header)})", f"add {name}; every row needs it")
    lacking = {plain: name for plain, name in known.items() if name not in columns}
    for name in columns:
        near = (
            difflib.get_close_matches(_plain(name), lacking, n=1, cutoff=_ALIKE) if name not in known.values() else []
        )
        if near:
            faults.remark(f"the column {name} is kept as one of yours; did you mean {lacking[near[0]]}?")
    return columns


def _plain(name: str) -> str:
    return re.sub(r"[\W_]+", "", name).casefold()
