"""Tables as .xlsx: what a spreadsheet holds is read as the same table in CSV would be."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import openpyxl
import pytest

from pipeline.errors import TableError
from pipeline.records import ScanRef
from pipeline.tables.readings import read_readings
from pipeline.tables.specimens import read_specimens

REFS = tuple(ScanRef(scan=name, path=Path(name), size=1, mtime_ns=1) for name in ("a.tif", "b.tif", "c.tif"))


def book(path: Path, *rows: list[object], sheet: str = "Sheet1", more: dict[str, list[list[object]]] | None = None):
    made = openpyxl.Workbook()
    page = made.active
    assert page is not None
    page.title = sheet
    for row in rows:
        page.append(row)
    for name, lines in (more or {}).items():
        other = made.create_sheet(name)
        for line in lines:
            other.append(line)
    made.save(path)
    return page


def test_ids_stay_text_and_dates_are_dates(tmp_path):
    made = openpyxl.Workbook()
    page = made.active
    page.append(["Specimen", "Scan", "Captured", "Length (mm)", "Sex"])
    page.append(["00123", "a.tif", dt.datetime(2024, 5, 17), 412.5, "female"])
    page.append([7, "b.tif", dt.date(2024, 6, 1), 380, "M"])
    page.append([45, "c.tif", "2024-06", None, None])
    page["A4"].number_format = "00000"
    made.save(tmp_path / "t.xlsx")
    rows = read_specimens(tmp_path / "t.xlsx", REFS).rows
    assert [r.specimen for r in rows] == ["00123", "7", "00045"]
    assert [str(r.captured) for r in rows] == ["2024-05-17", "2024-06-01", "2024-06"]
    assert [r.length_mm for r in rows] == [412.5, 380.0, None]
    assert [dict(r.written)["length_mm"] for r in rows] == ["412.5", "380", ""]
    assert [r.sex for r in rows] == ["F", "M", ""]


def test_a_title_and_blank_rows_above_the_header_are_passed_over_and_rows_keep_their_numbers(tmp_path):
    book(tmp_path / "t.xlsx", ["Survey of 2024"], [], ["specimen", "scan", "sex"], ["B1", "a.tif", "hen"])
    with pytest.raises(TableError, match=r"t\.xlsx, row 4: the sex hen; write one of F, M, U"):
        read_specimens(tmp_path / "t.xlsx", REFS)
    (tmp_path / "t.csv").write_text('"Survey, 2024",,\n\nspecimen,scan,sex\nB1,a.tif,hen\n')
    with pytest.raises(TableError, match=r"t\.csv, row 4: "):
        read_specimens(tmp_path / "t.csv", REFS)


def test_the_first_sheet_is_read_or_the_one_named(tmp_path):
    second = {"Second sheet": [["specimen", "reader", "annuli"], ["B2", "Ann", 4]]}
    book(tmp_path / "t.xlsx", ["specimen", "reader", "annuli"], ["B1", "Ann", 3], more=second)
    assert [r.specimen for r in read_readings([tmp_path / "t.xlsx"])] == ["B1"]
    assert [r.specimen for r in read_readings([tmp_path / "t.xlsx#Second sheet"])] == ["B2"]
    with pytest.raises(TableError, match="no sheet Third \\(there are Sheet1, Second sheet\\)"):
        read_readings([tmp_path / "t.xlsx#Third"])


def test_yes_and_no_and_whole_numbers_come_as_people_mean_them(tmp_path):
    book(
        tmp_path / "t.xlsx",
        ["specimen", "reader", "annuli", "settles"],
        ["B1", "Ann", 3.0, True],
        ["B2", "Bo", 4, False],
    )
    assert [(r.annuli, r.settles) for r in read_readings([tmp_path / "t.xlsx"])] == [(3, True), (4, False)]


def test_a_formula_that_was_never_reckoned_is_refused(tmp_path):
    book(tmp_path / "t.xlsx", ["specimen", "reader", "annuli"], ["B1", "Ann", "=1+2"])
    with pytest.raises(TableError, match="row 2: a formula without its value; open the table in a spreadsheet"):
        read_readings([tmp_path / "t.xlsx"])


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (b"PK\x03\x04 torn", "archive or another kind of spreadsheet"),
        (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1 old", "old kind of spreadsheet"),
    ],
)
def test_what_only_looks_like_a_workbook_is_refused(tmp_path, content, says):
    (tmp_path / "t.xlsx").write_bytes(content)
    with pytest.raises(TableError, match=says):
        read_readings([tmp_path / "t.xlsx"])


def test_an_empty_sheet_is_an_empty_table(tmp_path):
    book(tmp_path / "t.xlsx")
    with pytest.raises(TableError, match="the table is empty"):
        read_readings([tmp_path / "t.xlsx"])


def test_a_damaged_workbook_is_refused_in_one_line(tmp_path):
    book(tmp_path / "t.xlsx", ["specimen", "reader", "annuli"], ["B1", "Ann", 3])
    content = (tmp_path / "t.xlsx").read_bytes()
    for cut in range(50, len(content), 997):
        spoiled = content[:cut] + bytes(b ^ 0xFF for b in content[cut : cut + 40]) + content[cut + 40 :]
        (tmp_path / "t.xlsx").write_bytes(spoiled)
        try:
            read_readings([tmp_path / "t.xlsx"])
        except TableError as error:
            assert len(error.faults) == 1  # noqa: PT017  (a change that harms nothing is no error)
