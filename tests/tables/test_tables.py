"""Tables out, and back in."""

from __future__ import annotations

import csv
import io
import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.errors import TableError
from pipeline.tables.tables import Cell, Column, Kind, guarded, read_table, table_text, unguarded, write_table, writer


@pytest.mark.parametrize(
    ("kind", "cell", "text"),
    [
        ("text", "00123", "00123"),
        ("text", "", ""),
        ("count", 3, "3"),
        ("count", 3.0, "3"),
        ("flag", True, "true"),
        ("flag", False, "false"),
        ("probability", 0.12345, "0.1235"),
        ("probability", 1, "1.0000"),
        ("px", 1.005, "1.00"),
        ("px", -0.001, "0.00"),
        ("px", -1.5, "-1.50"),
        ("mm", 2.0, "2.000"),
        ("dpi", 1199.9976, "1200.00"),
        ("number", 0.1, "0.1"),
        ("number", 5.0, "5"),
        ("number", 1e-9, "1e-09"),
        *((kind, None, "") for kind in ("text", "count", "flag", "probability", "px", "mm", "dpi", "number")),
    ],
)
def test_a_cell_is_written_by_its_kind(kind: Kind, cell: Cell, text: str) -> None:
    assert writer(Column("any", kind))(cell) == text


@pytest.mark.parametrize(
    ("kind", "cell"),
    [
        ("count", 2.5),
        ("count", True),
        ("count", "3"),
        ("px", float("nan")),
        ("px", float("inf")),
        ("px", "1"),
        ("text", 3),
        ("flag", 1),
        ("flag", "true"),
        ("mm", True),
    ],
)
def test_a_cell_of_another_kind_is_a_fault_of_the_program(kind: Kind, cell: Cell) -> None:
    with pytest.raises(ValueError, match="any"):
        writer(Column("any", kind))(cell)


@pytest.mark.parametrize("start", ["=", "+", "-", "@", "\t", "\r", "\0", "\n", "＝", "＋", "－", "＠", " =", '"='])  # noqa: RUF001
def test_text_that_begins_like_a_formula_is_guarded_and_numbers_are_not(start: str) -> None:
    assert guarded(f"{start}1") == f"'{start}1"
    assert unguarded(f"'{start}1") == f"{start}1"
    assert writer(Column("any", "px"))(-1.5) == "-1.50"


def test_formulas_after_a_semicolon_are_guarded_too() -> None:
    assert guarded('eel;=1+1; "@x;perch') == "eel;'=1+1;' \"@x;perch"
    assert unguarded("eel;'=1+1;' \"@x;perch") == 'eel;=1+1; "@x;perch'


@given(st.text(st.sampled_from("=+-@;' \"\t\n\0＝a")) | st.text())  # noqa: RUF001
def test_guarding_is_undone_by_reading(text: str) -> None:
    assert unguarded(guarded(text)) == text
    assert not any(part[:1] in tuple("=+-@\t\r\n\0＝＋－＠") for part in guarded(text).split(";"))  # noqa: RUF001


@given(st.text(st.sampled_from("aZ9 ;.-_/=+@'\",\n")))
def test_text_that_is_written_at_once_needed_neither_guard_nor_quotes(text: str) -> None:
    kept = guarded(text)
    quoted = '"' + kept.replace('"', '""') + '"' if re.search('[,"\r\n]|^ | $', kept) else kept
    assert writer(Column("any"))(text) == quoted


TEXT = st.text(st.characters(exclude_categories=["Cs"]), max_size=8)


@given(st.lists(st.tuples(TEXT, TEXT), max_size=5))
def test_text_comes_back_as_it_was(rows: list[tuple[str, str]]) -> None:
    columns = (Column("specimen"), Column("=note, free"))
    text = table_text(columns, rows)
    back = list(csv.reader(io.StringIO(text, newline=""), strict=True))
    assert [[unguarded(cell) for cell in row] for row in back] == [["specimen", "=note, free"], *map(list, rows)]


def test_a_table_is_utf8_with_plain_line_ends_and_without_a_mark(tmp_path: Path) -> None:
    columns = (Column("specimen"), Column("annuli", "count"))
    path = write_table(tmp_path / "ages.csv", columns, [("M\u00fc", 3), ("B", None)])
    assert path.read_bytes() == "specimen,annuli\nM\u00fc,3\nB,\n".encode()


def test_a_blank_cell_alone_is_still_a_row(tmp_path: Path) -> None:
    path = write_table(tmp_path / "t.csv", (Column("note"),), [("",), ("x",)])
    assert read_table(path, ["note"]) == [{"note": ""}, {"note": "x"}]


def test_a_row_too_short_or_a_column_twice_is_a_fault_of_the_program(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="zip"):
        write_table(tmp_path / "t.csv", (Column("a"), Column("b")), [("x",)])
    with pytest.raises(ValueError, match="twice"):
        write_table(tmp_path / "t.csv", (Column("a"), Column("a")), [])
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    "content", [b"", b"specimen\nB1\n", b"specimen,annuli\nB1\n", b"specimen,annuli\n\xff,1\n", b'a,"b\n']
)
def test_a_damaged_table_is_an_error_with_its_cure(tmp_path: Path, content: bytes) -> None:
    (tmp_path / "ages.csv").write_bytes(content)
    with pytest.raises(TableError, match=r"ages\.csv.*make the table again"):
        read_table(tmp_path / "ages.csv", ["specimen", "annuli"])
