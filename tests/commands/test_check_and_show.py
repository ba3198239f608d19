"""`age --check`, `--excel`, `show`, `--version`: what will be done, what was done, and nothing that shifts unsaid."""

from __future__ import annotations

import csv
import io
import shutil
from pathlib import Path

import openpyxl
import pytest
from command_line import called

FIXTURES = Path(__file__).parent.parent.parent / "fixtures"
NAMES = ("sauger_1.jpg", "difficult/perch_2.png", "tray_perch.jpg")


@pytest.fixture(scope="module")
def first(tmp_path_factory):
    """Three scans, one of them in a folder of its own, aged with --excel after a --check."""
    top = tmp_path_factory.mktemp("week")
    for name in NAMES:
        (top / "scans" / name).parent.mkdir(parents=True, exist_ok=True)
        shutil.copy2(FIXTURES / "scans" / name, top / "scans" / name)
    rows = list(csv.DictReader(io.StringIO((FIXTURES / "specimens.csv").read_text(encoding="utf-8"))))
    with (top / "specimens.csv").open("w", encoding="utf-8", newline="") as stream:
        writer = csv.DictWriter(stream, list(rows[0]))
        writer.writeheader()
        writer.writerows(r for r in rows if r["scan"] in NAMES)
    checked = called("age", top / "scans", "--specimens", top / "specimens.csv", "--out", top / "run", "--check")
    made_by_check = (top / "run").exists()
    aged = called("age", top / "scans", "--specimens", top / "specimens.csv", "--out", top / "run", "--excel")
    return top, checked, made_by_check, aged


@pytest.fixture
def week(first, tmp_path):
    """A copy of it all, whose scans the run has seen where they lie now."""
    top = Path(shutil.copytree(first[0], tmp_path / "week"))
    assert again(top)[0] == 0
    return top


def again(top: Path, *more: object, table: bool = True):
    given = ("--specimens", top / "specimens.csv") if table else ()
    return called("age", top / "scans", *given, "--out", top / "run", *more)


def test_a_check_tells_what_would_be_done_and_makes_nothing(first):
    _, (status, out, _), made, _ = first
    assert status == 0
    assert not made
    lines = out.splitlines()
    assert lines[0] == "scans: 3 (3 new)"
    assert lines[1] == "bones promised by the table: 7 on 3 scans"
    assert lines[2].startswith("expected: about ")
    assert lines[-1].startswith("nothing was read or written")


def test_a_check_tells_what_would_be_read_again_and_why(week, tmp_path):
    (week / "scans" / "sauger_1.jpg").write_bytes((FIXTURES / "scans" / "perch_1.png").read_bytes())
    before = sorted((p, p.stat().st_mtime_ns) for p in (week / "run").rglob("*") if p.is_file())
    status, out, _ = again(week, "--check")
    assert status == 0
    assert out.splitlines()[0] == "scans: 3 (2 done before, 1 with a changed file)"
    assert sorted((p, p.stat().st_mtime_ns) for p in (week / "run").rglob("*.csv")) == [
        b for b in before if b[0].suffix == ".csv"
    ]


def test_a_check_refuses_what_age_would_refuse(week):
    (week / "specimens.csv").write_text("specimen,scan,sex\nB1,sauger_1.jpg,hen\n")
    for more in (("--check",), ()):
        status, out, err = again(week, *more)
        assert (status, out) == (1, "")
        assert "the sex hen" in err


def test_the_end_of_age_tells_reasons_and_the_next_step(first):
    top, _, _, (status, out, _) = first
    assert status == 0
    lines = out.splitlines()
    assert lines[0] == "scans 3 = read 3 + refused 0"
    assert lines[3].startswith("  because of ")
    assert any(line.startswith("ages are estimates") for line in lines)
    assert lines[-2] == f"next: compare tray_ids/ with your list (1 tray), then opercle triage {top / 'run'}"


def test_the_workbook_has_ages_fish_refused_scans_and_codes(first):
    top = first[0]
    book = openpyxl.load_workbook(top / "run" / "ages.xlsx")
    assert book.sheetnames == ["ages", "fish", "refused", "codes"]
    table = list(csv.DictReader(io.StringIO((top / "run" / "ages.csv").read_text(encoding="utf-8"))))
    header, *rows = book["ages"].iter_rows(values_only=True)
    assert list(header) == list(table[0])
    annuli, captured = header.index("annuli"), header.index("captured")
    assert [r[0] for r in rows] == [r["specimen"] for r in table]
    assert [r[annuli] for r in rows] == [int(r["annuli"]) for r in table]
    assert [r[captured].date().isoformat() for r in rows] == [r["captured"] for r in table]
    assert "readers-differ" in {row[1] for row in book["codes"].iter_rows(values_only=True)}


def test_other_settings_are_said_at_the_start_and_changes_are_counted_at_the_end(week, tmp_path):
    (tmp_path / "mine.toml").write_text("[review]\nleast_confidence = 0.0\n")
    _, out, err = again(week, "--settings", tmp_path / "mine.toml")
    assert "other settings than in the last call: review.least_confidence" in err
    assert any(line.startswith("ages changed since the last call") for line in out.splitlines())
    _, _, err = again(week)
    assert "(an earlier call gave --settings mine.toml, this one does not)" in err


def test_a_table_left_out_is_said_with_what_follows_and_readings_come_back_with_it(week, tmp_path):
    (tmp_path / "r.csv").write_text("specimen,reader,annuli\nF00010R,Ann,9\n")
    assert called("enter", week / "run", tmp_path / "r.csv")[0] == 0
    _, _, err = again(week, table=False)
    assert "specimens are now named by their files" in err
    assert "what people read (1) waits until the table is given again" in err
    again(week)
    rows = {
        r["specimen"]: r for r in csv.DictReader(io.StringIO((week / "run" / "ages.csv").read_text(encoding="utf-8")))
    }
    assert rows["F00010R"]["final_annuli"] == "9"


def test_a_renamed_folder_is_known_by_the_content_of_its_scans(week):
    ages = (week / "run" / "ages.csv").read_text()
    (week / "scans" / "difficult").rename(week / "scans" / "hard")
    (week / "specimens.csv").write_text((week / "specimens.csv").read_text().replace("difficult/", "hard/"))
    status, _, err = again(week)
    assert status == 0
    assert "known by their content under another name: 1 (difficult/perch_2.png is now hard/perch_2.png)" in err
    assert "scans: 3 (3 done before)" in err, "nothing is read again"
    assert (week / "run" / "ages.csv").read_text() == ages.replace("difficult/", "hard/")


def test_a_correction_outside_its_scan_is_refused_before_anything_is_written(week):
    lines = (week / "specimens.csv").read_text().splitlines()
    text = "\n".join(
        [f"{lines[0]},focus_x,focus_y,axis_x,axis_y", f"{lines[1]},10,10,99999,20", *(f"{r},,,," for r in lines[2:])]
    )
    (week / "specimens.csv").write_text(f"{text}\n")
    before = (week / "run" / "run.json").read_bytes()
    status, _, err = again(week)
    assert status == 1
    assert "specimens.csv, row 2: the axis_x 99999 lies outside the scan, which is" in err
    assert (week / "run" / "run.json").read_bytes() == before


def test_show_tells_a_run_in_ten_lines(first):
    status, out, _ = called("show", first[0] / "run")
    assert status == 0
    lines = out.splitlines()
    assert len(lines) == 10
    assert lines[1] == "scans 3 = read 3 + refused 0"
    assert lines[2] == "bones 7 = aged 7 + unreadable 0, of 6 fish"
    assert lines[6].startswith("no readings yet; corrected bones 0")


def test_show_of_no_run_is_a_line(tmp_path):
    status, out, err = called("show", tmp_path)
    assert (status, out, len(err.splitlines())) == (1, "", 1)


def test_the_version_is_said():
    status, out, _ = called("--version")
    assert status == 0
    assert out.startswith("opercle ")


def test_triage_by_age_class_ranks_by_its_probability(week):
    _, counts, _ = called("triage", week / "run", "--max-error", "0.02")
    status, ages, _ = called("triage", week / "run", "--max-error", "0.02", "--age-class")
    assert status == 0
    assert "wrong counts expected" in counts
    assert "wrong age classes expected" in ages
