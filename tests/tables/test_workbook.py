"""Workbooks that come out: ids are text, dates are dates, nothing is a formula."""

from __future__ import annotations

import datetime as dt

import openpyxl
import pytest

from pipeline.tables.tables import Column
from pipeline.tables.workbook import Sheet, write_workbook

COLUMNS = (Column("specimen"), Column("captured"), Column("annuli", "count"), Column("confidence", "probability"),
           Column("review", "flag"), Column("note"))  # fmt: skip
ROWS = [
    ("00123", "2024-05-17", 5, 0.87654, True, "=1+1"),
    ("1E5", "2024-05", None, None, False, "\x07bell"),
]


@pytest.fixture
def page(tmp_path):
    write_workbook(tmp_path / "t.xlsx", [Sheet(name="ages", columns=COLUMNS, rows=ROWS)])
    return openpyxl.load_workbook(tmp_path / "t.xlsx")["ages"]


def test_ids_and_partial_dates_stay_text_and_full_dates_are_dates(page):
    assert [page["A2"].value, page["A3"].value] == ["00123", "1E5"]
    assert {page["A2"].data_type, page["A3"].data_type} == {"s"}
    assert page["A2"].number_format == "@"
    assert page["B2"].value == dt.datetime(2024, 5, 17)
    assert page["B2"].number_format == "yyyy-mm-dd"
    assert page["B3"].value == "2024-05"


def test_numbers_are_numbers_and_blanks_are_empty(page):
    assert (page["C2"].value, page["D2"].value, page["E2"].value) == (5, 0.87654, True)
    assert page["D2"].number_format == "0.0000"
    assert page["C3"].value is page["D3"].value is None


def test_text_that_begins_like_a_formula_is_text_and_odd_characters_do_no_harm(page):
    assert (page["F2"].value, page["F2"].data_type) == ("=1+1", "s")
    assert page["F3"].value == "\ufffdbell"


def test_the_header_is_frozen_and_every_column_has_a_filter(page):
    assert page.freeze_panes == "A2"
    assert page.auto_filter.ref == "A1:F3"
    assert page["A1"].font.bold
