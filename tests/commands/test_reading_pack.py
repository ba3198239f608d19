"""The reading pack: what readers get shows the bones and nothing of the machine's count."""

from __future__ import annotations

import csv
import io
import shutil
from pathlib import Path

import openpyxl
import pytest
from command_line import called

FIXTURES = Path(__file__).parent.parent.parent / "fixtures"


@pytest.fixture(scope="module")
def packed(tmp_path_factory):
    """A run over two scans of the fixtures, and the pack of its whole queue."""
    folder = tmp_path_factory.mktemp("pack")
    scans = [FIXTURES / "scans" / name for name in ("sauger_1.jpg", "tray_perch.jpg")]
    assert called("age", *scans, "--specimens", FIXTURES / "specimens.csv", "--out", folder / "run")[0] == 0
    status, out, _ = called("triage", folder / "run", "--max-error", 0, "--pack", folder / "pack")
    assert status == 0
    return folder / "run", folder / "pack", out


def table(path: Path) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(path.read_text(encoding="utf-8"))))


def test_the_sheet_holds_the_queue_in_order_with_empty_cells_to_fill_in(packed):
    run, pack, out = packed
    rows = table(pack / "reading-sheet.csv")
    assert list(rows[0]) == [
        "order", "specimen", "picture", "reader", "annuli", "edge", "readability", "read_on", "note"
    ]  # fmt: skip
    assert [r["specimen"] for r in rows] == [q["specimen"] for q in table(run / "queue.csv")]
    assert [r["order"] for r in rows] == [str(n) for n in range(1, len(rows) + 1)]
    assert {r[c] for r in rows for c in ("reader", "annuli", "edge", "readability", "read_on", "note")} == {""}
    assert f"reading pack for {len(rows)} bones: {pack}" in out


def test_the_workbook_holds_the_same_sheet(packed):
    _, pack, _ = packed
    page = openpyxl.load_workbook(pack / "reading-sheet.xlsx").active
    lines = [["" if v is None else str(v) for v in row] for row in page.iter_rows(values_only=True)]
    assert lines[1:] == [list(r.values()) for r in table(pack / "reading-sheet.csv")]
    assert page.freeze_panes == "A2"


def test_pictures_are_the_unmarked_crops_under_the_names_of_the_specimens(packed):
    run, pack, _ = packed
    places = {r["specimen"]: (Path(r["scan"]).stem, r["bone"]) for r in table(run / "ages.csv")}
    for row in table(pack / "reading-sheet.csv"):
        stem, bone = places[row["specimen"]]
        assert row["picture"] == f"pictures/{row['specimen']}.jpg"
        assert (pack / row["picture"]).read_bytes() == (run / "crops" / f"{stem}-{bone}.jpg").read_bytes()


def test_the_print_has_six_bones_to_a_page(packed):
    _, pack, _ = packed
    content = (pack / "contact-sheet.pdf").read_bytes()
    assert content.startswith(b"%PDF")
    assert b"/Count 1" in content, "six bones"


def test_nothing_in_the_pack_tells_what_the_machine_counted(packed):
    run, pack, _ = packed
    assert {p.relative_to(pack).parts[0] for p in pack.rglob("*")} == {
        "pictures", "reading-sheet.csv", "reading-sheet.xlsx", "contact-sheet.pdf"
    }  # fmt: skip
    text = (pack / "reading-sheet.csv").read_text()
    for bone in table(run / "ages.csv"):
        assert bone["confidence"] not in text
    assert not any(word in text for word in ("confidence", "reasons", "low-", "blind"))


def test_a_sheet_filled_in_is_entered_as_it_is_and_rows_left_blank_are_not(packed, tmp_path):
    run = Path(shutil.copytree(packed[0], tmp_path / "run"))
    sheet = (packed[1] / "reading-sheet.csv").read_text().splitlines()
    first, second = (line.split(",") for line in sheet[1:3])
    first[3:5], second[3:5] = ["Ann", "4"], ["Ann", ""]
    (tmp_path / "ann.csv").write_text("\n".join([sheet[0], ",".join(first), ",".join(second), *sheet[3:]]) + "\n")
    status, out, _ = called("enter", run, tmp_path / "ann.csv")
    assert status == 0
    assert out.startswith(
        "ann.csv: rows taken 2 (of these could not be aged 1), known already 0, refused 0, not filled"
    )
    assert called("audit", tmp_path / "ann.csv", "--run", run)[0] == 0, "the audit reads the same sheet"


def test_a_folder_that_holds_anything_is_left_alone(packed, tmp_path):
    (tmp_path / "mine.txt").write_text("mine")
    status, _, err = called("triage", packed[0], "--pack", tmp_path)
    assert status == 1
    assert "is not an empty folder" in err
    assert [p.name for p in tmp_path.iterdir()] == ["mine.txt"]


def test_where_no_bone_was_drawn_as_a_check_it_is_said(packed):
    _, out, _ = called("triage", packed[0], "--max-error", 1)
    assert "no kept bone was drawn as a check" in out
