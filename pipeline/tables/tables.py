"""The one writer of CSV tables, and the reader of what it wrote.

UTF-8 without byte order mark, line ends `\\n`, comma, decimal point, blank for none. Text that a spreadsheet would
take for a formula gets a leading `'`; the readers of this program take it away again.
"""

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Literal

from pipeline import regular_files
from pipeline.errors import TableError
from pipeline.tables.atomic import Replacement, replacing

Kind = Literal["text", "count", "flag", "probability", "px", "mm", "dpi", "number"]
Cell = str | int | float | bool | None

QUOTE = '"'
_QUOTED = re.compile('[,"\r\n]|^ | $')

_AGAIN = "make the table again with the command that wrote it"

DECIMALS: dict[str, int] = {"probability": 4, "px": 2, "mm": 3, "dpi": 2}
"""Digits after the decimal point, by kind of column."""

FORMULA_STARTS = "=+-@\t\r\n\0＝＋－＠"  # noqa: RUF001  (the full-width forms are meant)
"""First characters that make a spreadsheet take a cell for a formula: the list of the OWASP page on CSV injection, and
the full-width forms, which spreadsheets of East Asian languages read alike (from memory)."""
_HARMLESS = re.compile(r"[A-Za-z0-9](?:[A-Za-z0-9._/-]|[ ;](?=[A-Za-z0-9]))*")
"""Most text of a table: it needs neither quotes nor a guard, whatever the rules for the rest."""
_LIKE_A_FORMULA = re.compile(rf"[' \"]*[{re.escape(FORMULA_STARTS)}]")
"""Blanks and quotes before it do not keep every spreadsheet from it."""


@dataclass(frozen=True, slots=True)
class Column:
    """A column of a table: its name and what its cells are.

    `text` as it is, guarded; `count` a whole number; `flag` true or false; `probability`, `px`, `mm`, `dpi` numbers
    with the digits of `DECIMALS`; `number` any finite number, in the shortest form that reads back the same.
    """

    name: str
    kind: Kind = "text"


class TableFile:
    """A table that is being written, some rows at a time."""

    def __init__(self, columns: Sequence[Column], file: Replacement) -> None:
        names = [column.name for column in columns]
        if len(set(names)) != len(names):
            raise ValueError(f"a column name stands twice in {names}")
        self._put = [writer(column) for column in columns]
        self._file = file
        self._write(_line([_text(name) for name in names]))

    def add(self, rows: Iterable[Sequence[Cell]]) -> None:
        """Write more rows; every row has one cell a column.

        Raises ValueError for a cell that is not of its column's kind: that is a fault of this program.
        """
        for row in rows:
            self._write(_line([write(cell) for write, cell in zip(self._put, row, strict=True)]))

    @property
    def path(self) -> Path:
        """Where the table lies once it is whole."""
        return self._file.path

    def _write(self, line: str) -> None:
        self._file.stream.write(f"{line}\n".encode())


@contextmanager
def table_file(path: Path, columns: Sequence[Column]) -> Iterator[TableFile]:
    """A table to be written in the block, whole or not at all: see `atomic.replacing`."""
    with replacing(path) as file:
        yield TableFile(columns, file)


def write_table(path: Path, columns: Sequence[Column], rows: Iterable[Sequence[Cell]]) -> Path:
    """Write a table; returns the path written, as `atomic.write_bytes` does."""
    with table_file(path, columns) as table:
        table.add(rows)
    return table.path


def table_text(columns: Sequence[Column], rows: Iterable[Sequence[Cell]]) -> str:
    """The text of a table, as `write_table` writes it."""
    out = io.BytesIO()
    TableFile(columns, Replacement(out, Path())).add(rows)
    return out.getvalue().decode()


def _line(cells: Sequence[str]) -> str:
    # A single blank cell would be an empty line, which readers skip; quotes keep the row.
    return ",".join(cells) or '""'


def _quoted(cell: str) -> str:
    # The csv module of some Python versions leaves a carriage return unquoted, and the file would differ between them.
    return f'"{cell.replace(QUOTE, QUOTE * 2)}"' if _QUOTED.search(cell) else cell


def writer(column: Column) -> Callable[[Cell], str]:
    """What writes the cells of a column, as they stand in the file. It raises ValueError when a cell is not of the
    column's kind."""
    put = _PUT.get(column.kind) or partial(_decimal, digits=DECIMALS[column.kind])

    def write(cell: Cell) -> str:
        try:
            return "" if cell is None else put(cell)
        except (TypeError, ValueError):
            raise ValueError(f"{cell!r} in column {column.name} is no {column.kind}") from None

    return write


def _text(cell: Cell) -> str:
    if not isinstance(cell, str):
        raise TypeError
    return cell if _HARMLESS.fullmatch(cell) else _quoted(guarded(cell))


def _flag(cell: Cell) -> str:
    if not isinstance(cell, bool):
        raise TypeError
    return "true" if cell else "false"


def _finite(cell: Cell) -> int | float:
    if isinstance(cell, (bool, str)) or cell is None or not math.isfinite(cell):
        raise ValueError
    return cell


def _decimal(cell: Cell, digits: int) -> str:
    text = f"{_finite(cell):.{digits}f}"
    return text.removeprefix("-") if text[0] == "-" and not text.strip("-0.") else text  # there is no minus zero


def _number(cell: Cell) -> str:
    return repr(float(_finite(cell))).removesuffix(".0")


def _count(cell: Cell) -> str:
    number = _finite(cell)
    if number != int(number):
        raise ValueError
    return str(int(number))


_PUT: Mapping[str, Callable[[Cell], str]] = {"text": _text, "flag": _flag, "number": _number, "count": _count}


def guarded(text: str) -> str:
    """Text with a `'` wherever a spreadsheet would take what follows for a formula: at its start and, since where
    decimals have a comma it parts cells by semicolons, after each of them."""
    # Text that already looks guarded is guarded once more, so that reading gives back exactly what was written.
    return ";".join(f"'{part}" if _LIKE_A_FORMULA.match(part) else part for part in text.split(";"))


def unguarded(text: str) -> str:
    """Text without every `'` that `guarded` put into it."""
    parts = text.split(";")
    return ";".join(part[1:] if part[:1] == "'" and _LIKE_A_FORMULA.match(part[1:]) else part for part in parts)


def read_table(path: Path, names: Sequence[str]) -> list[dict[str, str]]:
    """Rows of a table that `write_table` wrote: column name to text, guards taken away.

    Raises TableError when the file cannot be read or lacks one of `names`.
    """
    try:
        text = regular_files.read(path).decode("utf-8")
        lines = list(csv.reader(io.StringIO(text, newline=""), strict=True))
    except (OSError, UnicodeDecodeError, csv.Error):
        raise TableError([f"{path.name}: this table cannot be read; {_AGAIN}"]) from None
    header = [unguarded(name) for name in lines[0]] if lines else []
    missing = [f"{path.name}: the column {name} is missing; {_AGAIN}" for name in names if name not in header]
    uneven = [
        f"{path.name}, row {number}: too many or too few cells; {_AGAIN}"
        for number, line in enumerate(lines[1:], 2)
        if len(line) != len(header)
    ]
    if missing or uneven:
        raise TableError([*missing, *uneven])
    return [dict(zip(header, map(unguarded, line), strict=True)) for line in lines[1:]]
