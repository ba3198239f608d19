"""Sixty tables as people give them that cannot be used: each ends in clear lines with the row and the cure, and nothing
is written."""

from __future__ import annotations

import io
from pathlib import Path

import openpyxl
import pytest
from command_line import called

FIXTURES = Path(__file__).parent.parent.parent / "fixtures"
HEAD = "specimen,scan"
ROW = "B1,sauger_1.jpg"


def with_column(name: str, *cells: str) -> str:
    """A table of one more column; the first row has the first cell."""
    rows = "".join(f'B{n},sauger_1.jpg,{n},"{cell}"\n' for n, cell in enumerate(cells, 1))
    return f"specimen,scan,bone,{name}\n{rows}"


def workbook(*rows: list[object]) -> bytes:
    book, content = openpyxl.Workbook(), io.BytesIO()
    for row in rows:
        book.active.append(row)
    book.save(content)
    return content.getvalue()


TABLES: dict[str, tuple[str | bytes, str]] = {
    "empty": ("", "the table is empty"),
    "blank lines": ("\n\n\n", "the table is empty"),
    "header alone": (f"{HEAD}\n", "no row below the header"),
    "no header": (f"{ROW}\n", "no column specimen"),
    "title alone": ("Survey of 2024\n", "no column specimen"),
    "title above no header": (f"Survey of 2024\n{ROW}\n", "no column specimen"),
    "no scan column": ("specimen,sex\nB1,F\n", "no column scan"),
    "no specimen column": ("scan,sex\nsauger_1.jpg,F\n", "no column specimen"),
    "doubled column": (f"{HEAD},sex,sex\n{ROW},F,F\n", "appears 2 times"),
    "doubled column in another case": (f"{HEAD},sex,SEX\n{ROW},F,F\n", "are both the column sex"),
    "nameless column": (f"{HEAD},,sex\n{ROW},,F\n", "without a name"),
    "tabs": ("specimen\tscan\nB1\tsauger_1.jpg\n", "tabs"),
    "bars": ("specimen|scan\nB1|sauger_1.jpg\n", "bars"),
    "two separators": ("specimen,scan;sex\nB1,sauger_1.jpg;F\n", "commas and semicolons"),
    "old coding": (f"{HEAD},water\n{ROW},M\u00fcggel\n".encode("cp1252"), "not UTF-8"),
    "utf-16": (f"{HEAD}\n{ROW}\n".encode("utf-16"), "UTF-16"),
    "open quote": (f'{HEAD}\nB1,"sauger_1.jpg\n', "quote that is not closed"),
    "run-together quotes": (f'{HEAD}\nB1,"sauger"_1.jpg\n', "quotes around whole cells"),
    "too few cells": (f"{HEAD},sex\n{ROW}\n", "2 cells where the header has 3"),
    "decimal comma among commas": (f"{HEAD},length_mm\n{ROW},412,5\n", "write decimals with a point"),
    "old spreadsheet": (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1", "old kind of spreadsheet"),
    "archive": (b"PK\x03\x04 letters", "archive"),
    "pdf": (b"%PDF-1.7", "a PDF"),
    "empty workbook": (workbook(), "the table is empty"),
    "workbook without a header": (workbook(["B1", "sauger_1.jpg"]), "no column specimen"),
    "formula never reckoned": (workbook(["specimen", "scan"], ["B1", '="sauger_1"&".jpg"']), "a formula without"),
    "blank id": (f"{HEAD}\n,sauger_1.jpg\n", "no specimen"),
    "blank scan": (f"{HEAD}\nB1,\n", "no scan"),
    "id like a formula": (f"{HEAD}\n=1+1,sauger_1.jpg\n", "like a formula"),
    "id with a path": (f"{HEAD}\nB/1,sauger_1.jpg\n", "path separator"),
    "id too long": (f"{HEAD}\n{'B' * 101},sauger_1.jpg\n", "101 characters"),
    "invisible character": (f"{HEAD}\nB\u200b1,sauger_1.jpg\n", "invisible"),
    "doubled id": (f"{HEAD},bone\n{ROW},1\n{ROW},2\n", "is also in row 2"),
    "one id for both sides": (f"{HEAD},bone,side\n{ROW},1,L\n{ROW},2,R\n", "column fish"),
    "one place twice": (f"{HEAD}\n{ROW}\nB2,sauger_1.jpg\n", "column bone"),
    "windows path": (f"{HEAD}\nB1,day1\\sauger_1.jpg\n", "write / between folders"),
    "table of another folder": (f"{HEAD}\nB1,x.tif\nB2,y.tif\n", "name scans that are not here"),
    "word for a number": (with_column("length_mm", "long"), "write a number"),
    "unit in the cell": (with_column("length_mm", "412 mm"), "without its unit"),
    "centimetres": (with_column("length_mm", "41.2", "38.0"), "inches or centimetres"),
    "inches": (with_column("length_mm", "16.2", "15"), "inches or centimetres"),
    "impossible length": (with_column("length_mm", "412", "4120"), "between 20 and 1500"),
    "kilograms": (f"{HEAD},length_mm,weight_g\n{ROW},412,0.65\n", "another unit"),
    "comma that may part thousands": (with_column("weight_g", "1,235"), "1235 if the comma parts thousands"),
    "thousands with semicolons": ("specimen;scan;weight_g\nB1;sauger_1.jpg;1,235\n", "1235 or 1.235"),
    "commas between millions": (with_column("weight_g", "1,235,000"), "without commas between thousands"),
    "two decimal marks": (
        "specimen;scan;bone;length_mm\nB1;sauger_1.jpg;1;412,5\nB2;sauger_1.jpg;2;380.5\n",
        "one decimal mark",
    ),
    "sex in another word": (with_column("sex", "hen"), "F, M, U"),
    "maturity in another word": (with_column("maturity", "ripe"), "immature, mature, unknown"),
    "side in another word": (with_column("side", "top"), "L, R"),
    "lighting in another word": (with_column("lighting", "dark"), "reflected, transmitted"),
    "no resolution": (with_column("dpi", "72"), "between 100 and 9600"),
    "open order of days": (with_column("captured", *["5/3/2021"] * 300), "2021-03-05 or 2021-05-03"),
    "mixed order of days": (with_column("captured", "3/25/2021", "25/3/2021"), "row 3: 25/3/2021"),
    "date to come": (with_column("captured", "2199-01-01"), "in the future"),
    "no such day": (with_column("captured", "2021-02-30"), "no day 30"),
    "year of two digits": (with_column("captured", "5/3/21"), "two digits"),
    "a spreadsheet's day": (with_column("captured", "44319"), "number of a day"),
    "season": (with_column("captured", *["spring 2021"] * 300), "is no date"),
    "half a correction": (with_column("focus_x", "10"), "without focus_y, axis_x, axis_y"),
    "correction without length": (f"{HEAD},focus_x,focus_y,axis_x,axis_y\n{ROW},1,2,1,2\n", "at one place"),
    "correction outside the scan": (
        f"{HEAD},focus_x,focus_y,axis_x,axis_y\n{ROW},1,2,99999,2\n",
        "lies outside the scan",
    ),
    "bone by name": (with_column("bone number", "x").replace("bone,bone number", "note,bone"), "whole number from 1"),
    "more faults than anybody reads": (
        f"{HEAD},bone\n" + "".join(f"B{n // 2},sauger_1.jpg,{n + 1}\n" for n in range(80)),
        "... and 21 more faults: correct these first",
    ),
}


def test_there_are_sixty_of_them():
    assert len(TABLES) >= 60


@pytest.mark.parametrize("name", TABLES)
def test_a_bad_table_ends_in_clear_lines_and_nothing_is_written(name, tmp_path):
    content, says = TABLES[name]
    path = tmp_path / "specimens.csv"
    path.write_bytes(content.encode() if isinstance(content, str) else content)
    scan = FIXTURES / "scans" / "sauger_1.jpg"
    status, out, err = called("age", scan, "--specimens", path, "--out", tmp_path / "run")
    lines = err.splitlines()
    assert (status, out) == (1, "")
    assert says in err
    assert 1 <= len(lines) <= 20
    assert all(line.startswith(("specimens.csv", "... and ")) and (": " in line or "; " in line) for line in lines)
    assert all("; " in line for line in lines if not line.startswith("... and "))
    assert all(line.isprintable() and len(line) < 800 for line in lines)
    assert not (tmp_path / "run").exists()
