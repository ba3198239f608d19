"""Columns of dates as people write them: every way of writing is read once for the whole column.

YYYY-MM-DD is certain, and so is a month's name. Of 5/3/2021 nobody can tell day from month by itself; a day over 12 in
any row, or a date to come, tells for all rows. A column that leaves it open, or mixes both, is refused in one line.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from pipeline.records import Captured
from pipeline.tables.faults import Faults
from pipeline.tables.given_table import GivenRow

EARLIEST_YEAR, LATEST_YEAR = 1800, 2199
"""No collection of bones is older; a fish caught later is refused as a date to come, where today is known."""
ISO_CURE = "write dates as YYYY-MM-DD, or YYYY-MM or YYYY when the rest is not known"

_MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
_TIME = r"(?:[T ]\d{1,2}:\d\d(?::\d\d(?:\.\d+)?)?(?:Z|[+-]\d\d:?\d\d)?)?"
_ISO = re.compile(rf"(\d{{4}})(?:-(\d\d)(?:-(\d\d){_TIME})?)?", re.ASCII)
_YEAR_FIRST = re.compile(rf"(\d{{4}})[/.\- ](\d{{1,2}})[/.\- ](\d{{1,2}}){_TIME}", re.ASCII)
_YEAR_LAST = re.compile(rf"(\d{{1,2}})[/.\- ](\d{{1,2}})[/.\- ](\d{{4}}){_TIME}", re.ASCII)
_DAY_MONTH = re.compile(r"(\d{1,2})[ .\-]*([A-Za-z]{3,9})\.?[ ,.\-]*(\d{4})", re.ASCII)
_MONTH_DAY = re.compile(r"([A-Za-z]{3,9})\.? *(\d{1,2})(?:st|nd|rd|th)?[ ,]+(\d{4})", re.ASCII)
_SHORT_YEAR = re.compile(r"\d{1,2}[/.\- ](\d{1,2}|[A-Za-z]{3,9})[/.\- ]\d\d", re.ASCII)
_DAY_NUMBER = re.compile(r"\d{5}", re.ASCII)

DAY_FIRST, MONTH_FIRST = "day/month/year", "month/day/year"


@dataclass(frozen=True, slots=True)
class _Cell:
    row: int
    text: str
    ways: Mapping[str, Captured]
    """What the text may mean, by order of day and month; one entry under "" when it is certain."""
    problem: str = ""
    cure: str = ISO_CURE


def dates(column: str, rows: Sequence[GivenRow], faults: Faults, today: date | None = None) -> dict[int, Captured]:
    """The dates of a column by row; rows that are blank or at fault have none.

    `today` is needed to refuse dates to come; None: no date is too late.
    """
    cells = [_cell(r.number, text) for r in rows if (text := r.cells.get(column, "").strip())]
    order = _order(column, [c for c in cells if c.ways and "" not in c.ways], faults, today)
    found: dict[int, Captured] = {}
    for cell in cells:
        if cell.problem:
            faults.add(cell.row, f"the {column} {cell.text}{cell.problem}", cell.cure)
            continue
        value = cell.ways.get("") or cell.ways.get(order)
        if value is None:
            continue  # the column as a whole is at fault
        if today is not None and _to_come(value, today):
            faults.add(cell.row, f"the {column} {cell.text} is in the future", "check the year")
        else:
            found[cell.row] = value
    return found


def _order(column: str, open_cells: Sequence[_Cell], faults: Faults, today: date | None) -> str:
    """The one order of day and month that all cells allow; blank when there is none, which is then a fault."""
    if not open_cells:
        return ""
    first = open_cells[0]
    fits = {way: [c for c in open_cells if _fits(c, way, today)] for way in (DAY_FIRST, MONTH_FIRST)}
    able = [way for way, cells in fits.items() if len(cells) == len(open_cells)]
    if len(able) == 1:
        value = first.ways[able[0]]
        faults.remark(f"{column} is {able[0]} throughout: {first.text} in row {first.row} was read as {value}")
        return able[0]
    if not able:
        lone = {way: next((c for c in open_cells if not _fits(c, way, today)), first) for way in fits}
        odd_day, odd_month = lone[DAY_FIRST], lone[MONTH_FIRST]
        faults.add(
            None,
            f"{column} is neither day/month/year throughout (row {odd_day.row}: {odd_day.text}) nor month/day/year "
            f"(row {odd_month.row}: {odd_month.text})",
            "write all its dates as YYYY-MM-DD",
        )
        return ""
    if all(len(set(c.ways.values())) == 1 for c in open_cells):
        return DAY_FIRST
    doubtful = next(c for c in open_cells if len(set(c.ways.values())) > 1)
    values = " or ".join(sorted(map(str, doubtful.ways.values())))
    faults.add(
        None,
        f"the {column} {doubtful.text} in row {doubtful.row}: nothing in the column tells day from month",
        f"write all its dates as YYYY-MM-DD, this one as {values}, whichever it is",
    )
    return ""


def _fits(cell: _Cell, way: str, today: date | None) -> bool:
    value = cell.ways.get(way)
    return value is not None and not (today is not None and _to_come(value, today))


def _to_come(value: Captured, today: date) -> bool:
    return (value.year, value.month or 1, value.day or 1) > (today.year, today.month, today.day)


def _cell(row: int, text: str) -> _Cell:
    match = _ISO.fullmatch(text) or _YEAR_FIRST.fullmatch(text)
    if match:
        year, month, day = (None if part is None else int(part) for part in match.groups())
        return _certain(row, text, year or 0, month, day)
    if match := _YEAR_LAST.fullmatch(text):
        first, second, year = (int(part) for part in match.groups())
        ways = {
            way: Captured(year=year, month=month, day=day)
            for way, month, day in ((DAY_FIRST, second, first), (MONTH_FIRST, first, second))
            if not no_day(year, month, day)
        }
        return _Cell(row, text, ways, problem="" if ways else f": {no_day(year, min(first, second), 32)}")
    for pattern, order in ((_DAY_MONTH, (2, 1, 0)), (_MONTH_DAY, (2, 0, 1))):
        if (match := pattern.fullmatch(text)) and match[order[1] + 1][:3].lower() in _MONTHS:
            parts = match.groups()
            month = _MONTHS.index(parts[order[1]][:3].lower()) + 1
            return _certain(row, text, int(parts[order[0]]), month, int(parts[order[2]]))
    if _SHORT_YEAR.fullmatch(text):
        return _Cell(row, text, {}, problem=": a year of two digits", cure="write dates as YYYY-MM-DD")
    if _DAY_NUMBER.fullmatch(text):
        cure = "format the column as text and write YYYY-MM-DD"
        return _Cell(row, text, {}, problem=" is a spreadsheet's number of a day", cure=cure)
    return _Cell(row, text, {}, problem=" is no date")


def _certain(row: int, text: str, year: int, month: int | None, day: int | None) -> _Cell:
    wrong = no_day(year, month, day)
    if wrong:
        return _Cell(row, text, {}, problem=f": {wrong}")
    return _Cell(row, text, {"": Captured(year=year, month=month, day=day)})


def no_day(year: int, month: int | None, day: int | None) -> str:
    """What is wrong with a date; blank when nothing is."""
    if not EARLIEST_YEAR <= year <= LATEST_YEAR:
        return f"the year {year} is impossible"
    try:
        date(year, 1 if month is None else month, 1)
    except ValueError:
        return f"there is no month {month:02d}"
    try:
        date(year, month or 1, 1 if day is None else day)
    except ValueError:
        return f"there is no day {day:02d} in that month"
    return ""
