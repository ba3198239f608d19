"""Tables that people give: opened, decoded and split into rows, with every fault named together with its cure.

UTF-8 with or without byte order mark; comma, or semicolon and then with decimal commas; any order of columns. Rows are
numbered as a spreadsheet shows them: the header is row 1.
"""

from __future__ import annotations

import csv
import io
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

from pipeline import regular_files
from pipeline.errors import TableError
from pipeline.tables.tables import unguarded

_UTF8 = "save the table as CSV in UTF-8 (spreadsheets call it CSV UTF-8)"
_SPREADSHEETS = {b"PK\x03\x04": "a spreadsheet or an archive", b"\xd0\xcf\x11\xe0": "a spreadsheet", b"%PDF": "a PDF"}
_SEPARATORS = {",": "commas", ";": "semicolons", "\t": "tabs", "|": "bars"}
_SEPARATOR_LINE = re.compile(r"^\s*\"?sep=.\"?\s*$", re.IGNORECASE)
"""A line that some spreadsheets put first, for themselves."""


@dataclass(slots=True)
class Faults:
    """Every fault found in one table."""

    file: str
    lines: list[str] = field(default_factory=list)
    by_row: list[tuple[int, str]] = field(default_factory=list)
    """Those of `lines` that concern one row, with its number."""

    def add(self, row: int | None, found: str, cure: str) -> None:
        """Note a fault of a row, or of the whole table."""
        place = self.file if row is None else f"{self.file}, row {row}"
        line = f"{place}: {_shown(found)}; {_shown(cure)}"
        self.lines.append(line)
        if row is not None:
            self.by_row.append((row, line))

    def check(self) -> None:
        """Raise TableError with all faults, if there are any."""
        if self.lines:
            raise TableError(self.lines)


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
    header_row: int
    """Number of the row that holds them."""
    rows: tuple[GivenRow, ...]
    semicolons: bool
    """Separated by semicolons: numbers may have decimal commas."""


def read_given_table(path: Path, required: Sequence[str], optional: Sequence[str], faults: Faults) -> GivenTable:
    """Split a table. Raises TableError at once when no rows can be made out; other faults go into `faults`."""
    text = _text(path, faults)
    separator = _separator(text, faults)
    lines = _lines(text, separator, faults)
    header = [unguarded(name) for name in lines[0]]
    while header and not header[-1].strip():  # a spreadsheet that once had more columns leaves nameless ones at the end
        header.pop()
    _check_header(header, required, optional, faults)
    faults.check()
    rows = []
    for number, cells in enumerate(lines[1:], 2):
        if not any(cell.strip() for cell in cells):
            continue
        if len(cells) < len(header) or any(cell.strip() for cell in cells[len(header) :]):
            used = len(cells) if len(cells) < len(header) else max(i for i, cell in enumerate(cells, 1) if cell.strip())
            commas = separator == "," and used > len(header)
            faults.add(
                number,
                f"{used} cells where the header has {len(header)}",
                "put text that holds a comma into quotes, and write decimals with a point"
                if commas
                else "give every column a cell, blank if there is nothing to say",
            )
            continue
        rows.append(GivenRow(number=number, cells=dict(zip(header, map(unguarded, cells), strict=False))))
    return GivenTable(columns=tuple(header), header_row=1, rows=tuple(rows), semicolons=separator == ";")


def _text(path: Path, faults: Faults) -> str:
    try:
        content = regular_files.read(path)
    except FileNotFoundError:
        raise TableError([f"{path}: no such file; check the path"]) from None
    except OSError as error:
        raise TableError([f"{path}: cannot be read ({error.strerror}); check the path and your rights"]) from None
    kind = next((kind for start, kind in _SPREADSHEETS.items() if content.startswith(start)), None)
    if kind:
        faults.add(None, f"this is {kind}, not a table of text", _UTF8)
    elif content.startswith((b"\xff\xfe", b"\xfe\xff")) or b"\0" in content[:1000]:
        faults.add(None, "the text is coded as UTF-16 or holds zero bytes", _UTF8)
    elif not content.strip(b" \t\r\n\xef\xbb\xbf,;"):
        faults.add(None, "the table is empty", "give a header and one row a bone")
    faults.check()
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        row = len(re.findall(rb"\r\n|\r|\n", content[: error.start])) + 1
        seen = content[error.start : error.start + 1].decode("cp1252", "replace")
        faults.add(row, f"a byte that is not UTF-8 ({seen} in the old coding of Windows)", _UTF8)
        raise TableError(faults.lines) from None


def _separator(text: str, faults: Faults) -> str:
    first = text.lstrip("\r\n").splitlines()[0]
    if _SEPARATOR_LINE.match(first):
        faults.add(1, f"the line {first.strip()}, which only spreadsheets know", "delete that line")
        faults.check()
    bare = re.sub(r'"[^"]*"', "", first)
    used = [mark for mark in _SEPARATORS if mark in bare]
    if len(used) > 1:
        what = " and ".join(_SEPARATORS[mark] for mark in used)
        faults.add(1, f"the header is separated by {what}", "separate by commas alone, or by semicolons alone")
    elif used and used[0] not in ",;":
        faults.add(1, f"the header is separated by {_SEPARATORS[used[0]]}", "save the table as CSV, with commas")
    faults.check()
    return used[0] if used else ","


def _lines(text: str, separator: str, faults: Faults) -> list[list[str]]:
    lines: list[list[str]] = []
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
    try:
        lines.extend(reader)
    except csv.Error as error:
        found = "a quote that is not closed" if "end of data" in str(error) else f"cells that run together ({error})"
        faults.add(len(lines) + 1, found, "put quotes around whole cells, and double those inside")
    if lines and not any(cell.strip() for cell in lines[0]):
        faults.add(1, "a blank row above the header", "delete it")
    faults.check()
    return lines


def _check_header(header: Sequence[str], required: Sequence[str], optional: Sequence[str], faults: Faults) -> None:
    known = {_plain(name): name for name in (*required, *optional)}
    meant = {name: known[_plain(name)] for name in header if _plain(name) in known and name not in known.values()}
    for name, right in meant.items():
        faults.add(1, f'a column "{name}"', f"did you mean {right}? Write it exactly so")
    for name, count in Counter(header).items():
        if not name.strip():
            faults.add(1, "a column without a name", "name it, or delete it")
        elif count > 1:
            faults.add(1, f"the column {name} stands there {count} times", "keep one of them")
    for name in required:
        if name not in header and name not in meant.values():
            faults.add(1, f"no column {name} (there are {', '.join(header)})", f"add {name}; every row needs it")


def _plain(name: str) -> str:
    return re.sub(r"[\W_]+", "", name).casefold()


def _shown(text: str) -> str:
    """Text for one line of a message: what cannot be printed is spelt out, and what is endless is cut."""
    text = "".join(c if c.isprintable() else f"\\x{ord(c):02x}" for c in text)
    return text if len(text) <= 300 else f"{text[:297]}..."
