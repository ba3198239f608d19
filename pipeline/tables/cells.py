"""Single cells of tables that people give, checked: what was found and the cure go into the table's faults."""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import date, datetime

from pipeline.records import Captured
from pipeline.tables.given_table import Faults, GivenRow

FORMULA_STARTS = "=+-@"
MOST_ID_CHARACTERS = 100
EARLIEST_YEAR, LATEST_YEAR = 1800, 2199
"""No collection of bones is older, and no clock is asked for today's date: it would make results depend on the day."""

_NUMBER = re.compile(r"[+-]?(\d{1,15}(\.\d{0,15})?|\.\d{1,15})", re.ASCII)
_WHOLE = re.compile(r"(\d{1,9})(\.0*)?", re.ASCII)
_DECIMAL_COMMA = re.compile(r"[+-]?\d{0,15},\d{1,15}", re.ASCII)
_WITH_UNIT = re.compile(r"[+-]?[\d.,]+\s*[^\d\s.,].*", re.ASCII)
_ISO = re.compile(r"(\d{4})(?:-(\d\d)(?:-(\d\d))?)?", re.ASCII)
_OTHER_DATE = re.compile(r"(\d{1,2})[/.\- ](\d{1,2})[/.\- ](\d{4})", re.ASCII)
_LOOSE_ISO = re.compile(r"(\d{4})[/.\- ](\d{1,2})[/.\- ](\d{1,2})", re.ASCII)
_DAY_NUMBER = re.compile(r"\d{5}", re.ASCII)
_YES, _NO = ("true", "yes", "1", "x"), ("false", "no", "0")
_ISO_CURE = "write dates as YYYY-MM-DD, or YYYY-MM or YYYY when the rest is not known"


class RowCells:
    """The cells of one row, read by column. A column that the table lacks is a blank cell."""

    def __init__(self, row: GivenRow, faults: Faults, *, semicolons: bool) -> None:
        self.row_number = row.number
        self._cells = row.cells
        self._faults = faults
        self._semicolons = semicolons
        self.decimal_marks: set[str] = set()
        """Decimal marks met in numbers so far."""

    def fault(self, found: str, cure: str) -> None:
        """Note a fault of this row."""
        self._faults.add(self.row_number, found, cure)

    def text(self, column: str) -> str:
        """The cell without blanks around it."""
        return self._cells.get(column, "").strip()

    def raw(self, column: str) -> str:
        """The cell as written."""
        return self._cells.get(column, "")

    def needed(self, column: str) -> str:
        """A cell that may not be blank."""
        text = self.text(column)
        if not text:
            self.fault(f"no {column}", f"give every row its {column}, or delete the row")
        return text

    def identity(self, column: str) -> str:
        """A name that goes into tables, pages and pictures: not blank, and nothing that would do harm there."""
        text = self.needed(column)
        if text.startswith(tuple(FORMULA_STARTS)):
            self.fault(f"the {column} {text} begins with {text[0]} like a formula", "begin it with a letter or a digit")
        if not text.isprintable():
            self.fault(f"the {column} {text} holds an invisible character", "type it again without")
        if "/" in text or "\\" in text:
            self.fault(f"the {column} {text} holds a path separator", "write - or _ instead of / and \\")
        if len(text) > MOST_ID_CHARACTERS:
            self.fault(f"a {column} of {len(text)} characters", f"use at most {MOST_ID_CHARACTERS}")
        return text

    def word(self, column: str, allowed: Sequence[str]) -> str:
        """One of a few words, or blank."""
        text = self.text(column)
        if text and text not in allowed:
            self.fault(f"the {column} {text}", f"write one of {', '.join(allowed)}, or leave it blank")
            return ""
        return text

    def number(self, column: str, least: float, most: float, unit: str = "") -> float | None:
        """A number within a range; None when blank or faulty."""
        value = self.any_number(column)
        if value is None or least <= value <= most:
            return value
        unit = f" {unit}" if unit else ""
        self.fault(f"the {column} {self.text(column)}", f"it must lie between {least:g} and {most:g}{unit}")
        return None

    def any_number(self, column: str) -> float | None:
        """A number of any size; None when blank or faulty."""
        text = self.text(column)
        if not text:
            return None
        if _DECIMAL_COMMA.fullmatch(text):
            if not self._semicolons:
                self.fault(f"the {column} {text}", f"write the decimal point: {text.replace(',', '.')}")
                return None
            self.decimal_marks.add(",")
            return float(text.replace(",", "."))
        if _NUMBER.fullmatch(text):
            self.decimal_marks.update("." if "." in text else "")
            return float(text)
        unit = _WITH_UNIT.fullmatch(text)
        self.fault(f"the {column} {text}", f"write a number{' without its unit' if unit else ''}, or leave it blank")
        return None

    def whole(self, column: str, least: int, most: int, cure: str = "") -> int | None:
        """A whole number within a range; None when blank or faulty."""
        text = self.text(column)
        if not text:
            return None
        match = _WHOLE.fullmatch(text)
        if match and least <= int(match[1]) <= most:
            return int(match[1])
        self.fault(f"the {column} {text}", f"write a whole number from {least} to {most}{cure}")
        return None

    def flag(self, column: str) -> bool:
        """Yes or no; blank is no."""
        text = self.text(column).casefold()
        if text in ("", *_NO):
            return False
        if text not in _YES:
            self.fault(f"the {column} {self.text(column)}", "write true, or leave it blank")
        return text in _YES

    def captured(self, column: str) -> Captured | None:
        """An ISO date, or its year and month, or its year; None when blank or faulty."""
        text = self.text(column)
        if not text:
            return None
        match = _ISO.fullmatch(text)
        if not match:
            self.fault(f"the {column} {text}", _date_cure(text))
            return None
        year, month, day = (None if part is None else int(part) for part in match.groups())
        wrong = _no_day(year or 0, month, day)
        if wrong:
            self.fault(f"the {column} {text}: {wrong}", _ISO_CURE)
            return None
        return Captured(year=year or 0, month=month, day=day)

    def moment(self, column: str) -> str:
        """An ISO date with or without a time of day, kept as written; blank when blank or faulty."""
        text = self.text(column)
        try:
            if text:
                datetime.fromisoformat(text)
        except ValueError:
            self.fault(f"the {column} {text}", _date_cure(text))
            return ""
        return text


def _no_day(year: int, month: int | None, day: int | None) -> str:
    if not EARLIEST_YEAR <= year <= LATEST_YEAR:
        return f"the year {year} cannot be"
    try:
        date(year, 1 if month is None else month, 1)
    except ValueError:
        return f"there is no month {month:02d}"
    try:
        date(year, month or 1, 1 if day is None else day)
    except ValueError:
        return f"there is no day {day:02d} in that month"
    return ""


def _date_cure(text: str) -> str:
    other = _OTHER_DATE.fullmatch(text)
    if other:
        first, second, year = (int(part) for part in other.groups())
        orders = dict.fromkeys([(second, first), (first, second)])
        days = [f"{year:04d}-{month:02d}-{day:02d}" for month, day in orders if not _no_day(year, month, day)]
        if days:
            return f"write {' or '.join(days)}{', whichever it is' if len(days) > 1 else ''}"
    loose = _LOOSE_ISO.fullmatch(text)
    if loose:
        year, month, day = (int(part) for part in loose.groups())
        if not _no_day(year, month, day):
            return f"write {year:04d}-{month:02d}-{day:02d}"
    if _DAY_NUMBER.fullmatch(text):
        return "this is a spreadsheet's number of a day; format the column as text and write YYYY-MM-DD"
    if _ISO.match(text) and ":" in text:
        return "leave out the time of day"
    return _ISO_CURE
