"""Columns of dates: each way of writing is read once for the whole column, and never guessed."""

from __future__ import annotations

from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.tables.dates import dates
from pipeline.tables.faults import Faults
from pipeline.tables.given_table import GivenRow

TODAY = date(2026, 11, 26)


def read(*texts: str, today: date | None = TODAY) -> tuple[list[str], list[str], list[str]]:
    """Dates found, lines of faults, lines of remarks."""
    faults = Faults("t.csv")
    rows = [GivenRow(number=n, cells={"captured": text}) for n, text in enumerate(texts, 2)]
    found = dates("captured", rows, faults, today)
    return [str(found.get(row.number, "")) for row in rows], faults.lines(), faults.remarks


@pytest.mark.parametrize(
    "text",
    ["2021-05-03", "2021/5/3", "2021-5-3", "2021.05.03", "3 May 2021", "03-May-2021", "May 3, 2021", "3 MAY 2021",
     "2021-05-03 10:00", "2021-05-03T00:00:00", "May 3rd, 2021"],
)  # fmt: skip
def test_a_date_that_can_mean_one_day_only_is_that_day(text):
    assert read(text) == (["2021-05-03"], [], [])


def test_year_and_month_or_the_year_alone_are_kept():
    assert read("2021", "2021-05", "") == (["2021", "2021-05", ""], [], [])


def test_one_day_over_twelve_tells_the_order_for_the_whole_column_once():
    found, faults, remarks = read("3/5/2021", "3/25/2021", "4/1/2021")
    assert (found, faults) == (["2021-03-05", "2021-03-25", "2021-04-01"], [])
    assert remarks == ["t.csv: captured is month/day/year throughout: 3/5/2021 in row 2 was read as 2021-03-05"]
    found, faults, remarks = read("3/5/2021", "25.3.2021")
    assert (found, faults) == (["2021-05-03", "2021-03-25"], [])
    assert "day/month/year throughout" in remarks[0]


def test_a_date_to_come_tells_the_order_too():
    found, faults, _ = read("3/12/2026", "5/11/2026")
    assert (found, faults) == (["2026-03-12", "2026-05-11"], [])


def test_three_hundred_dates_that_leave_the_order_open_are_one_line():
    found, faults, _ = read(*["5/3/2021"] * 300)
    assert set(found) == {""}
    (line,) = faults
    assert line.startswith("t.csv: the captured 5/3/2021 in row 2: nothing in the column tells day from month; ")
    assert "2021-03-05 or 2021-05-03, whichever it is" in line


def test_the_same_day_and_month_is_no_question():
    assert read("4.4.2021", "5/5/2021") == (["2021-04-04", "2021-05-05"], [], [])


def test_a_column_that_mixes_both_orders_is_one_line_that_names_a_row_of_each():
    _, faults, _ = read("3/25/2021", "25/3/2021", "3/4/2021")
    (line,) = faults
    assert "row 2: 3/25/2021" in line
    assert "row 3: 25/3/2021" in line


def test_a_date_to_come_is_refused_where_today_is_known():
    _, faults, _ = read("2026-11-26", "2026-11-27", "2027", "2062-05-01")
    assert faults == ["t.csv, row 3: the captured 2026-11-27 is in the future; check the year (also rows 4, 5)"]
    assert read("2062-05-01", today=None)[1] == []


@pytest.mark.parametrize(
    ("text", "says"),
    [("spring 2021", "is no date"), ("44319", "number of a day"), ("5/3/21", "two digits"), ("99/99/2021", "no month"),
     ("2021-02-29", "no day 29"), ("31/2/2021", "no day"), ("Foo 3, 2021", "is no date")],
)  # fmt: skip
def test_what_is_no_date_is_refused(text, says):
    found, faults, _ = read(text)
    assert found == [""]
    assert says in faults[0]


@given(st.lists(st.dates(date(1950, 1, 1), TODAY), min_size=1, max_size=12), st.sampled_from(["%d/%m/%Y", "%m/%d/%Y"]))
def test_a_column_of_one_order_is_read_right_or_refused_never_wrong(days, order):
    found, faults, _ = read(*(day.strftime(order) for day in days))
    assert faults or found == [day.isoformat() for day in days]
    if any(day.day > 12 for day in days):
        assert not faults


@given(st.dates(date(1950, 1, 1), TODAY - timedelta(1)))
def test_iso_dates_stay_as_they_are(day):
    assert read(day.isoformat())[0] == [day.isoformat()]
