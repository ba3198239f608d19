"""What a table of specimens may say, and how its faults are named."""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.errors import TableError
from pipeline.records import Captured, ScanRef
from pipeline.scans.scan_folder import find_scans
from pipeline.settings.files import read_settings
from pipeline.tables.specimens import SpecimensTable, read_specimens

SCANS = ("a.tif", "b.tif", "c.tif", "lake/d.tif", "M\u00fcggel.png")
REFS = tuple(ScanRef(scan=name, path=Path(name), size=1, mtime_ns=1) for name in SCANS)

Table = Callable[..., SpecimensTable]


@pytest.fixture
def table(tmp_path: Path) -> Table:
    def write(text: str | bytes, scans: tuple[ScanRef, ...] = REFS) -> SpecimensTable:
        path = tmp_path / "specimens.csv"
        path.write_bytes(text if isinstance(text, bytes) else text.encode())
        return read_specimens(path, scans)

    return write


def faults(table: Table, text: str | bytes) -> list[str]:
    with pytest.raises(TableError) as caught:
        table(text)
    for line in caught.value.faults:
        assert line.startswith("specimens.csv")
        assert "; " in line  # what was found; the cure
        assert line.isprintable()
    return list(caught.value.faults)


def fault_of(table: Table, column: str, cell: str) -> str:
    """The one fault of a cell."""
    (line,) = faults(table, f"specimen,scan,{column}\nB1,a.tif,{cell}\n")
    assert line.startswith("specimens.csv, row 2: ")
    return line


# ---------------------------------------------------------------------------------------------------- what may stand
def test_a_full_row_is_read(table: Table) -> None:
    found = table(
        "specimen,scan,bone,fish,species,water,captured,length_mm,weight_g,sex,maturity,side,lighting,dpi,focus_x,focus_y,"
        "axis_x,axis_y,net\n"
        "00123,a.tif,2,F9,walleye,Lake One,2021-05-03,412.0,655,F,mature,L,reflected,1200,10.5,20,300,400.25,gill 7\n"
    )
    (row,) = found.rows
    assert (row.specimen, row.scan, row.bone, row.fish, row.species, row.water) == (
        "00123",
        "a.tif",
        2,
        "F9",
        "walleye",
        "Lake One",
    )
    assert (row.captured, row.length_mm, row.weight_g) == (Captured(year=2021, month=5, day=3), 412.0, 655.0)
    assert (row.sex, row.maturity, row.side, row.lighting, row.dpi) == ("F", "mature", "L", "reflected", 1200.0)
    assert (row.focus, row.tip) == ((10.5, 20.0), (300.0, 400.25))
    assert row.written == (("length_mm", "412.0"), ("net", "gill 7"))
    assert found.extra_columns == ("net",)
    assert found.absent == ()


def test_a_row_needs_only_specimen_and_scan(table: Table) -> None:
    (row,) = table("scan,specimen\na.tif,B1\n").rows
    assert (row.bone, row.fish, row.species, row.captured, row.length_mm, row.focus) == (1, "B1", "", None, None, None)


@pytest.mark.parametrize(
    "encoded",
    [
        lambda text: text.encode(),
        lambda text: text.encode("utf-8-sig"),
        lambda text: text.replace("\n", "\r\n").encode(),
        lambda text: text.replace("\n", "\r").encode(),
        lambda text: text.rstrip("\n").encode(),
    ],
)
def test_byte_order_mark_and_line_ends_do_not_matter(table: Table, encoded: Callable[[str], bytes]) -> None:
    found = table(encoded("specimen,scan,water\nB1,a.tif,M\u00fcggel\nB2,b.tif,Two\n"))
    assert [(row.specimen, row.water) for row in found.rows] == [("B1", "M\u00fcggel"), ("B2", "Two")]


def test_blank_rows_and_nameless_blank_columns_are_passed_over(table: Table) -> None:
    found = table("specimen,scan,,\nB1,a.tif,,\n,,,\n\nB2,b.tif,,\n")
    assert [row.specimen for row in found.rows] == ["B1", "B2"]
    assert found.extra_columns == ()


def test_semicolons_with_decimal_commas_are_read_and_come_out_with_points(table: Table) -> None:
    found = table("specimen;scan;length_mm;note\nB1;a.tif;412,5;1,5 net\nB2;b.tif;380;\n")
    assert [row.length_mm for row in found.rows] == [412.5, 380.0]
    assert found.rows[0].written == (("length_mm", "412.5"), ("note", "1,5 net"))


def test_dates_may_lack_their_day_or_month(table: Table) -> None:
    found = table("specimen,scan,captured\nB1,a.tif,2021\nB2,b.tif,2021-05\nB3,c.tif,2020-02-29\n")
    assert [str(row.captured) for row in found.rows] == ["2021", "2021-05", "2020-02-29"]


def test_a_scan_is_found_by_its_path_its_bare_name_and_any_unicode_form(table: Table) -> None:
    found = table("specimen,scan\nB1,lake/d.tif\nB2,Mu\u0308ggel.png\n")
    assert [row.scan for row in found.rows] == ["lake/d.tif", "M\u00fcggel.png"]
    (row,) = table("specimen,scan\nB1,d.tif\n").rows
    assert row.scan == "lake/d.tif"


def test_a_bare_name_of_two_scans_is_refused(table: Table) -> None:
    both = tuple(ScanRef(scan=name, path=Path(name), size=1, mtime_ns=1) for name in ("x/a.tif", "y/a.tif"))
    with pytest.raises(TableError, match=r"x/a\.tif or y/a\.tif"):
        table("specimen,scan\nB1,a.tif\n", both)


def test_a_row_whose_scan_is_not_there_is_listed_and_the_others_go_on(table: Table) -> None:
    found = table("specimen,scan\nB1,gone.tif\nB2,b.tif\nB3,A.TIF\nB4,c\nB5,d.tif\nB6,M\u00fcggel.png\n")
    assert [row.specimen for row in found.rows] == ["B2", "B5", "B6"]
    assert [(row.row, row.specimen, row.scan, row.near) for row in found.absent] == [
        (2, "B1", "gone.tif", ""),
        (4, "B3", "A.TIF", "a.tif"),
        (5, "B4", "c", "c.tif"),
    ]
    assert "row 4" in str(found.absent[1])
    assert "did you mean a.tif" in str(found.absent[1])


def test_our_own_guard_against_formulas_is_taken_away(table: Table) -> None:
    (row,) = table("specimen,scan,note,water\nB1,a.tif,'=1+1,'s Lake\n").rows
    assert dict(row.written)["note"] == "=1+1"
    assert row.water == "'s Lake"


def test_columns_beyond_the_fixed_ones_keep_their_order_and_text(table: Table) -> None:
    found = table("z,specimen,annuli,scan,Comment\n 1 ,B1,07,a.tif,\n")
    assert found.extra_columns == ("z", "annuli", "Comment")
    assert found.rows[0].written == (("length_mm", ""), ("z", " 1 "), ("annuli", "07"), ("Comment", ""))


@pytest.mark.parametrize("header", ["Specimen,SCAN,Sex", "specimen ,scan , sex", "SPECIMEN,Scan,sex"])
def test_headings_are_known_in_any_case(table: Table, header: str) -> None:
    found = table(f"{header}\nB1,a.tif,F\n")
    assert (found.rows[0].specimen, found.rows[0].sex, found.extra_columns) == ("B1", "F", ())


@pytest.mark.parametrize(
    ("column", "cell", "means"),
    [
        ("sex", "female", "F"), ("sex", "f", "F"), ("sex", "Male", "M"), ("sex", "UNKNOWN", "U"),
        ("maturity", "MATURE", "mature"), ("maturity", "Imm", "immature"), ("maturity", "unk", "unknown"),
        ("side", "left", "L"), ("side", "Right", "R"), ("lighting", "Reflected", "reflected"),
    ],
)  # fmt: skip
def test_usual_words_in_any_case_are_understood(table: Table, column: str, cell: str, means: str) -> None:
    (row,) = table(f"specimen,scan,{column}\nB1,a.tif,{cell}\n").rows
    assert getattr(row, column) == means


def test_a_heading_that_is_nearly_one_of_ours_is_said_and_kept_as_the_user_s(table: Table) -> None:
    found = table("specimen,scan,lenght_mm\nB1,a.tif,300\n")
    assert found.rows[0].length_mm is None
    assert found.extra_columns == ("lenght_mm",)
    (remark,) = found.remarks
    assert remark == "specimens.csv: the column lenght_mm is kept as one of yours; did you mean length_mm?"


def test_other_names_of_species_in_the_settings_are_understood_and_slips_are_said(tmp_path: Path) -> None:
    (tmp_path / "s.toml").write_text('[other_names]\n"WAE" = "walleye"\n')
    (tmp_path / "t.csv").write_text(
        "specimen,scan,species\nB1,a.tif,YP\nB2,b.tif,wae\nB3,c.tif,Waleye\nB4,d.tif,waleye\n"
        "B5,M\u00fcggel.png,Walleye\n",
        encoding="utf-8",
    )
    found = read_specimens(tmp_path / "t.csv", REFS, read_settings([str(tmp_path / "s.toml")]))
    assert [r.species for r in found.rows] == ["yellow perch", "walleye", "Waleye", "Waleye", "walleye"]
    cure = "Correct the table, or the general settings apply"
    assert [r.split(": ", 1)[1] for r in found.remarks] == [
        f"the species Waleye in rows 4, 5 has no settings; did you mean walleye? {cure}",
    ]


def test_a_water_or_a_species_in_several_spellings_is_one_and_that_is_said(tmp_path: Path) -> None:
    (tmp_path / "t.csv").write_text(
        "specimen,scan,species,water\nB1,a.tif,WALLEYE,Lake Orrin\nB2,b.tif,Walleye,lake  orrin\n"
        "B3,c.tif,Arctic char,LAKE ORRIN\nB4,d.tif,arctic-char,Lake Orrin\nB5,M\u00fcggel.png,walleye,Sedge Lake\n",
        encoding="utf-8",
    )
    found = read_specimens(tmp_path / "t.csv", REFS, read_settings())
    assert [r.species for r in found.rows] == ["walleye", "walleye", "Arctic char", "Arctic char", "walleye"]
    assert [r.water for r in found.rows] == ["Lake Orrin"] * 4 + ["Sedge Lake"]
    assert found.remarks == (
        "t.csv: the water Lake Orrin is also written lake  orrin in row 3, LAKE ORRIN in row 4; taken as one",
    )


def test_a_dash_for_a_water_and_a_blank_one_stay_as_they_are(table: Table) -> None:
    found = table("specimen,scan,water\nB1,a.tif,-\nB2,b.tif,\n")
    assert [r.water for r in found.rows] == ["-", ""]
    assert found.remarks == ()


def test_bones_of_one_fish_that_tell_different_things_are_said(table: Table) -> None:
    found = table("specimen,scan,fish,length_mm,sex\nB1,a.tif,F1,300,F\nB2,b.tif,F1,310,F\n")
    (remark,) = found.remarks
    assert "the bones of fish F1 in rows 2 and 3 have different length_mm (300, 310)" in remark


# ---------------------------------------------------------------------------------------------------- faults of cells
@pytest.mark.parametrize(
    ("column", "cell", "says"),
    [
        ("captured", "2021-13-01", "no month 13"),
        ("captured", "2021-00", "no month 00"),
        ("captured", "2021-02-30", "no day 30"),
        ("captured", "2021-02-29", "no day 29"),
        ("captured", "0021-02-01", "year 21"),
        ("captured", "44319", "spreadsheet's number"),
        ("captured", "5/3/21", "two digits"),
        ("captured", "31/31/2021", "no month 31"),
        ("captured", "spring 2021", "YYYY-MM-DD"),
        ("captured", "\u0662\u0660\u0662\u0661", "YYYY-MM-DD"),
        ("length_mm", "1501", "between 20 and 1500"),
        ("length_mm", "-300", "between 20 and 1500"),
        ("length_mm", "0", "between 20 and 1500"),
        ("length_mm", '"412,5"', "412.5"),
        ("length_mm", "412 mm", "without its unit"),
        ("length_mm", "long", "write a number"),
        ("length_mm", "nan", "write a number"),
        ("length_mm", "inf", "write a number"),
        ("length_mm", "4e2", "write a number"),
        ("weight_g", "0", "between 0.05 and 25000"),
        ("weight_g", "26000", "between 0.05 and 25000"),
        ("sex", "hen", "F, M, U"),
        ("maturity", "ripe", "immature, mature, unknown"),
        ("side", "top", "L, R"),
        ("lighting", "dark", "reflected, transmitted"),
        ("dpi", "12", "between 100 and 9600"),
        ("dpi", "0", "between 100 and 9600"),
        ("dpi", "20000", "between 100 and 9600"),
        ("bone", "0", "whole number from 1"),
        ("bone", "1.5", "whole number from 1"),
        ("bone", "-1", "whole number from 1"),
        ("bone", "first", "whole number from 1"),
        ("focus_x", "10", "without focus_y, axis_x, axis_y"),
    ],
)
def test_a_cell_that_cannot_be_is_refused_with_its_cure(table: Table, column: str, cell: str, says: str) -> None:
    line = fault_of(table, column, cell)
    assert says in line
    assert column in line


def test_a_focus_needs_its_axis_and_the_axis_a_length(table: Table) -> None:
    head = "specimen,scan,focus_x,focus_y,axis_x,axis_y\n"
    assert "focus_x, focus_y without axis_x, axis_y" in faults(table, f"{head}B1,a.tif,1,2,,\n")[0]
    assert "one place" in faults(table, f"{head}B1,a.tif,1,2,1,2\n")[0]
    assert "axis_x -3" in faults(table, f"{head}B1,a.tif,1,2,-3,2\n")[0]


@pytest.mark.parametrize(
    ("specimen", "says"),
    [
        ("=B1", "formula"),
        ("+1", "formula"),
        ("-1", "formula"),
        ("@B", "formula"),
        ("'=B1", "formula"),
        ("B/1", "path separator"),
        ("B\\1", "path separator"),
        ("B\u00071", "invisible"),
        ("B\u200b1", "invisible"),
        ("B" * 101, "101 characters"),
        ("", "no specimen"),
    ],
)
def test_an_id_that_would_do_harm_elsewhere_is_refused(table: Table, specimen: str, says: str) -> None:
    (line,) = faults(table, f"specimen,scan\n{specimen},a.tif\n")
    assert says in line


@pytest.mark.parametrize(
    ("column", "cell", "says"),
    [
        ("water", "l" * 20_000, "a water of 20000 characters"),
        ("fish", "F\x1b[31m1", "control character"),
        ("species", '"wall\neye"', "control character"),
        ("boat", "x" * 4001, "a boat of 4001 characters"),
    ],
)
def test_text_without_end_and_control_characters_are_refused_with_their_row(
    table: Table, column: str, cell: str, says: str
) -> None:
    (line,) = faults(table, f"specimen,scan,{column}\nB1,a.tif,{cell}\n")
    assert "row 2" in line
    assert says in line


def test_an_id_of_a_hundred_characters_is_kept(table: Table) -> None:
    assert table(f"specimen,scan\n{'B' * 100},a.tif\n").rows[0].specimen == "B" * 100


def test_a_windows_path_is_refused(table: Table) -> None:
    (line,) = faults(table, "specimen,scan\nB1,lake\\d.tif\n")
    assert "write / between folders" in line


# ---------------------------------------------------------------------------------------------------- faults of tables
def test_all_faults_are_listed_each_with_its_row(table: Table) -> None:
    lines = faults(table, "specimen,scan,sex,captured\nB1,a.tif,x,2021-13\n,b.tif,F,\nB1,c.tif,F,\n")
    assert [line.split(":")[0] for line in lines] == [
        "specimens.csv, row 2",
        "specimens.csv, row 2",
        "specimens.csv, row 3",
        "specimens.csv, row 4",
    ]


def test_a_doubled_id_or_place_names_both_rows(table: Table) -> None:
    (line,) = faults(table, "specimen,scan\nB1,a.tif\nB2,b.tif\nB1,c.tif\n")
    assert "row 4" in line
    assert "row 2" in line
    (line,) = faults(table, "specimen,scan,bone\nB1,lake/d.tif,\nB2,d.tif,1\nB3,d.tif,2\n")
    assert "row 3" in line
    assert "row 2" in line
    assert "column bone" in line
    assert faults(table, "specimen,scan\nB1,gone.tif\nB2,gone.tif\n")


def test_one_id_for_both_bones_points_to_the_column_fish(table: Table) -> None:
    (line,) = faults(table, "specimen,scan,side\nB1,a.tif,L\nB1,b.tif,R\n")
    assert "if B1 is a fish with two bones, write it into the column fish, and B1-L and B1-R as specimens" in line


def test_a_comma_that_may_part_thousands_is_never_guessed(table: Table) -> None:
    assert "write 1235 if the comma parts thousands, else 1.235" in fault_of(table, "weight_g", '"1,235"')
    assert "write 1235000" in fault_of(table, "weight_g", '"1,235,000"')
    (line,) = faults(table, "specimen;scan;weight_g\nB1;a.tif;850\nB2;b.tif;1,235\n")
    assert "row 3: the weight_g 1,235" in line
    assert "1235 or 1.235" in line
    rows = table("specimen;scan;weight_g\nB1;a.tif;850,5\nB2;b.tif;1,235\n").rows
    assert [row.weight_g for row in rows] == [850.5, 1.235], "another row shows that it is a decimal comma"


def test_a_table_of_other_scans_stops_before_the_start_in_one_line(table: Table) -> None:
    (line,) = faults(table, "specimen,scan\nB1,day1/x.tif\nB2,day1/y.tif\nB3,a.tif\n")
    assert "2 of 3 rows name scans that are not here (row 2: day1/x.tif), and 4 of 5 scans have no row" in line
    later = table("specimen,scan\nB1,x.tif\nB2,y.tif\nB3,a.tif\n", REFS[:1])
    assert len(later.absent) == 2, "scans that come later are no fault where those that are there have rows"


@pytest.mark.parametrize("lengths", [[14.5, 16, 21.25], [41.2, 38, 55]])
def test_inches_and_centimetres_in_a_column_of_millimetres_are_recognised(table: Table, lengths: list[float]) -> None:
    rows = "".join(f"B{i},{'abc'[i]}.tif,{length},500\n" for i, length in enumerate(lengths))
    (line,) = faults(table, f"specimen,scan,length_mm,weight_g\n{rows}")
    assert "looks like inches or centimetres" in line
    assert line.startswith("specimens.csv: ")


def test_one_length_in_another_unit_is_a_fault_of_its_row(table: Table) -> None:
    (line,) = faults(table, "specimen,scan,length_mm\nB1,a.tif,412\nB2,b.tif,16.2\nB3,c.tif,380\n")
    assert line.startswith("specimens.csv, row 3: ")
    assert "between 20 and 1500 mm" in line


def test_a_weight_that_does_not_fit_its_fish_is_refused(table: Table) -> None:
    (line,) = faults(table, "specimen,scan,length_mm,weight_g\nB1,a.tif,500,1.2\nB2,b.tif,400,600\n")
    assert "row 2" in line
    assert "another unit" in line


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (b"", "empty"),
        (b"\xef\xbb\xbf\r\n", "empty"),
        ("specimen,scan\n", "no row below"),
        ("specimen,scan\n,\n", "no row below"),
        ("specimen\tscan\nB1\ta.tif\n", "tabs"),
        ("specimen|scan\nB1|a.tif\n", "bars"),
        ("specimen,scan;sex\nB1,a.tif;F\n", "commas and semicolons"),
        ("specimen,scan,water\nB1,a.tif,M\u00fcggel\n".encode("cp1252"), "row 2: a byte that is not UTF-8 (\u00fc"),
        ("specimen,scan\nB1,a.tif\n".encode("utf-16"), "UTF-16"),
        ("specimen,scan\nB1,a.tif\n".encode("utf-16-le"), "UTF-16"),
        (b"PK\x03\x04 and so on", "spreadsheet"),
        ('specimen,scan\nB1,"a.tif\n', "quote that is not closed"),
        ('specimen,scan\nB1,"a".tif\n', "quotes around whole cells"),
        ("specimen,sex\nB1,F\n", "no column scan"),
        ("specimen,scan,sex,sex\nB1,a.tif,F,F\n", "column sex appears 2 times"),
        ("specimen,scan,note,note\nB1,a.tif,F,F\n", "column note appears 2 times"),
        ("specimen,scan,,sex\nB1,a.tif,,F\n", "column without a name"),
        ("specimen,scan,sex,Sex\nB1,a.tif,F,F\n", "sex and Sex are both the column sex"),
        ("specimen,scan,sex\nB1,a.tif\n", "row 2: 2 cells where the header has 3"),
        ("specimen,scan,length_mm\nB1,a.tif,412,5\n", "write decimals with a point"),
        ("specimen;scan;length_mm\nB1;a.tif;412,5\nB2;b.tif;380.5\n", "one decimal mark"),
    ],
)
def test_a_table_that_cannot_be_told_is_refused_with_its_cure(table: Table, text: str | bytes, says: str) -> None:
    (line,) = faults(table, text)
    assert says in line


def test_a_table_that_is_not_there_is_an_error(tmp_path: Path) -> None:
    with pytest.raises(TableError, match="no such file"):
        read_specimens(tmp_path / "specimens.csv", REFS)
    with pytest.raises(TableError, match="cannot be read"):
        read_specimens(tmp_path, REFS)


def test_the_scans_of_a_folder_are_found_in_its_table(tmp_path: Path) -> None:
    (tmp_path / "lake").mkdir()
    (tmp_path / "lake/a.tif").write_bytes(b"x")
    (tmp_path / "specimens.csv").write_text("specimen,scan\nB1,lake/a.tif\n")
    assert read_specimens(tmp_path / "specimens.csv", find_scans([tmp_path]).scans).rows[0].scan == "lake/a.tif"


# ---------------------------------------------------------------------------------------------------- any table at all
CELLS = st.one_of(
    st.sampled_from(
        [
            "a.tif",
            "1",
            "412.5",
            "412,5",
            "2021-05-03",
            "F",
            "",
            "B1",
            "B2",
            "5/3/2021",
            "'=1",
            "=1",
            '"',
            ";",
            "9" * 5000,
            "1e999",
            "\u0661",
            "0" * 30,
        ]
    ),
    st.text(max_size=6),
)
COLUMNS = st.sampled_from(
    [
        "specimen",
        "scan",
        "bone",
        "captured",
        "length_mm",
        "weight_g",
        "dpi",
        "focus_x",
        "focus_y",
        "axis_x",
        "axis_y",
        "sex",
        "note",
        "Scan",
        "",
    ]
)


def read_any(content: bytes) -> Any:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "specimens.csv"
        path.write_bytes(content)
        try:
            return read_specimens(path, REFS)
        except TableError as error:
            return error


@settings(max_examples=150, deadline=None)
@given(st.lists(COLUMNS, max_size=5), st.lists(st.lists(CELLS, max_size=9), max_size=4), st.sampled_from(",;\t"))
def test_any_table_is_read_or_its_faults_are_listed(columns: list[str], rows: list[list[str]], mark: str) -> None:
    lines = [mark.join(line) for line in (["specimen", "scan", *columns], *rows)]
    found = read_any("\n".join(lines).encode("utf-8", "replace"))
    assert isinstance(found, SpecimensTable) or found.faults
    if isinstance(found, TableError):
        assert all(line.isprintable() and "; " in line for line in found.faults)


@settings(max_examples=100, deadline=None)
@given(st.binary(max_size=60))
def test_any_bytes_are_a_table_or_its_faults_are_listed(content: bytes) -> None:
    found = read_any(content)
    assert isinstance(found, SpecimensTable) or found.faults
