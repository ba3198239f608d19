"""Tables of readings and of corrections are told apart by their columns."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.errors import TableError
from pipeline.records import Reading
from pipeline.tables.corrections import CorrectionRow
from pipeline.tables.entries import read_entries


def entries(folder: Path, text: str):
    (folder / "t.csv").write_text(text, encoding="utf-8")
    return read_entries(folder / "t.csv")


def test_readings_and_corrections_are_known_by_their_columns(tmp_path):
    (reading,) = entries(tmp_path, "specimen,reader,annuli,settles\nB1,Ann,5,true\n")
    assert reading.content == Reading(specimen="B1", reader="Ann", annuli=5, settles=True)
    (correction,) = entries(tmp_path, "specimen,dpi,lighting\nB1,600,transmitted\n")
    assert correction.content == CorrectionRow(specimen="B1", dpi=600.0, lighting="transmitted")


@pytest.mark.parametrize(
    ("cell", "settles"),
    [("true", True), ("TRUE", True), ("yes", True), ("x", True), ("", False), ("no", False), ("false", False)],
)
def test_settles_is_yes_or_no(tmp_path, cell, settles):
    (row,) = entries(tmp_path, f"specimen,reader,annuli,settles\nB1,Ann,5,{cell}\n")
    assert isinstance(row.content, Reading)
    assert row.content.settles is settles


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("specimen,annuli\nB1,5\n", "no column reader"),
        ("specimen,reader,annuli,dpi\nB1,Ann,5,600\n", "give two tables"),
        ("specimen,note\nB1,fine\n", "neither readings nor corrections"),
        ("reader,annuli\nAnn,5\n", "no column specimen"),
        ("specimen,reader,annuli\n", "no row below"),
    ],
)
def test_a_table_of_neither_kind_is_refused_as_a_whole(tmp_path, text, says):
    with pytest.raises(TableError, match=says):
        entries(tmp_path, text)
