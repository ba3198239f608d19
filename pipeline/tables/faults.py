"""What is wrong with a table that people give, and what they may want to know of it: lines, each with its cure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from pipeline.errors import TableError

_MOST_ROWS = 10
"""Rows named in one line."""
_MOST_CHARACTERS = 300


@dataclass(frozen=True, slots=True)
class TableFault:
    """One fault."""

    row: int | None
    """As a spreadsheet shows it; None: of the whole table."""
    found: str
    cure: str


@dataclass(slots=True)
class Faults:
    """Every fault found in one table."""

    file: str
    found: list[TableFault] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)
    """Lines about what was understood and might not be meant; they stop nothing."""

    def add(self, row: int | None, found: str, cure: str) -> None:
        """Note a fault of a row, or of the whole table."""
        self.found.append(TableFault(row, shown(found), shown(cure)))

    def remark(self, line: str) -> None:
        """Note what the user may want to know."""
        self.remarks.append(f"{self.file}: {shown(line)}")

    def line(self, fault: TableFault) -> str:
        """A fault as one line."""
        place = self.file if fault.row is None else f"{self.file}, row {fault.row}"
        return f"{place}: {fault.found}; {fault.cure}"

    def lines(self) -> list[str]:
        """One line for each cure, the first row first, with the rows where the same must be done."""
        alike: dict[str, list[TableFault]] = {}
        for fault in sorted(self.found, key=lambda f: (f.row is not None, f.row or 0)):
            alike.setdefault(fault.cure, []).append(fault)
        lines = []
        for first, *more in alike.values():
            rows = list(dict.fromkeys(f.row for f in more if f.row not in (None, first.row)))
            lines.append(self.line(first) + (f" (also {named_rows(rows)})" if rows else ""))
        return lines

    def check(self) -> None:
        """Raise TableError with all faults, if there are any."""
        if self.found:
            raise TableError(self.lines())


def named_rows(rows: Sequence[int | None]) -> str:
    """Rows by number, as many as are read."""
    some = ", ".join(map(str, rows[:_MOST_ROWS]))
    more = f" and {len(rows) - _MOST_ROWS} more" if len(rows) > _MOST_ROWS else ""
    return f"row{'s' * (len(rows) > 1)} {some}{more}"


def shown(text: str) -> str:
    """Text for one line of a message: what cannot be printed is spelt out, and what is endless is cut."""
    text = "".join(c if c.isprintable() else f"\\x{ord(c):02x}" for c in text)
    return text if len(text) <= _MOST_CHARACTERS else f"{text[: _MOST_CHARACTERS - 3]}..."
