"""Single cells of tables that people give, checked: what was found and the cure go into the table's faults."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping

from pipeline.tables.faults import Faults
from pipeline.tables.given_table import GivenRow
from pipeline.tables.tables import FORMULA_STARTS

MOST_ID_CHARACTERS = 100
MOST_NAME_CHARACTERS = 200
"""Of a fish, a water, a species, a reader: longer ones are another cell's text, or a slip."""
MOST_NOTE_CHARACTERS = 4000
"""Of notes and of columns that are only handed through."""

_NUMBER = re.compile(r"[+-]?(\d{1,15}(\.\d{0,15})?|\.\d{1,15})", re.ASCII)
_WHOLE = re.compile(r"(\d{1,9})(\.0*)?", re.ASCII)
_DECIMAL_COMMA = re.compile(r"[+-]?\d{0,15},\d{1,15}", re.ASCII)
_WITH_UNIT = re.compile(r"[+-]?[\d.,]+\s*[^\d\s.,].*", re.ASCII)
_THOUSANDS = re.compile(r"[1-9]\d{0,2}(,\d{3})+", re.ASCII)
_NOT_IN_NAMES = ("Cc", "Cf", "Cs", "Zl", "Zp")
"""Unicode categories: control and formatting characters, halves of characters, ends of lines and paragraphs."""
_YES, _NO = ("true", "yes", "1", "x"), ("false", "no", "0")


class RowCells:
    """The cells of one row, read by column. A column that the table lacks is a blank cell."""

    def __init__(self, row: GivenRow, faults: Faults, *, semicolons: bool) -> None:
        self.row_number = row.number
        self._cells = row.cells
        self._faults = faults
        self._semicolons = semicolons
        self.decimal_marks: set[str] = set()
        """Decimal marks met in numbers so far."""
        self.maybe_thousands: set[str] = set()
        """Columns whose number here, as 1,235, has a comma that may part thousands."""

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
            self.fault(f"the {column} {text} holds an invisible character", "type it again without that character")
        if "/" in text or "\\" in text:
            self.fault(f"the {column} {text} holds a path separator", "write - or _ instead of / and \\")
        if len(text) > MOST_ID_CHARACTERS:
            self.fault(f"a {column} of {len(text)} characters", f"use at most {MOST_ID_CHARACTERS}")
        return text

    def name(self, column: str) -> str:
        """A name or a few words, or blank: fit for tables, pages, pictures and terminals."""
        text = self.text(column)
        if any(unicodedata.category(c) in _NOT_IN_NAMES for c in text):
            self.fault(
                f"the {column} {text} holds a control character", "type it again without that character, on one line"
            )
        if len(text) > MOST_NAME_CHARACTERS:
            self.fault(f"a {column} of {len(text)} characters", f"use at most {MOST_NAME_CHARACTERS}")
        return text

    def note(self, column: str) -> str:
        """Free text as written."""
        text = self.raw(column)
        if len(text) > MOST_NOTE_CHARACTERS:
            self.fault(f"a {column} of {len(text)} characters", f"use at most {MOST_NOTE_CHARACTERS}")
        return text

    def word(self, column: str, meanings: Mapping[str, str]) -> str:
        """One of a few words, in any case, as its meaning; or blank. `meanings` has the plain words first."""
        text = self.text(column)
        meant = meanings.get(text.casefold(), "")
        if text and not meant:
            self.fault(
                f"the {column} {text}", f"write one of {', '.join(dict.fromkeys(meanings.values()))}, or leave it blank"
            )
        return meant

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
                point = f"write the decimal point: {text.replace(',', '.')}"
                if _THOUSANDS.fullmatch(text):
                    point = f"write {text.replace(',', '')} if the comma parts thousands, else {text.replace(',', '.')}"
                self.fault(f"the {column} {text}", point)
                return None
            if _THOUSANDS.fullmatch(text):
                self.maybe_thousands.add(column)
            self.decimal_marks.add(",")
            return float(text.replace(",", "."))
        if _NUMBER.fullmatch(text):
            self.decimal_marks.update("." if "." in text else "")
            return float(text)
        if _THOUSANDS.fullmatch(text):
            self.fault(f"the {column} {text}", f"write {text.replace(',', '')}, without commas between thousands")
            return None
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
