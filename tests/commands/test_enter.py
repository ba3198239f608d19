"""`opercle enter`: what people say becomes final, in every table of the run."""

from __future__ import annotations

import csv
import io
import shutil
from pathlib import Path

import pytest
from command_line import called

FIXTURES = Path(__file__).parent.parent.parent / "fixtures"
SCANS = ("sauger_1.jpg", "perch_1.png", "tray_perch.jpg")


def rows(run: Path, name: str = "ages") -> dict[str, dict[str, str]]:
    table = csv.DictReader(io.StringIO((run / f"{name}.csv").read_text(encoding="utf-8")))
    return {next(iter(row.values())): row for row in table}


def write(folder: Path, text: str, name: str = "readings.csv") -> Path:
    (folder / name).write_text(text, encoding="utf-8")
    return folder / name


@pytest.fixture(scope="module")
def first(tmp_path_factory):
    """A run over three of the fixture scans, with a queue of all seven bones."""
    run = tmp_path_factory.mktemp("enter") / "run"
    scans = [FIXTURES / "scans" / name for name in SCANS]
    assert called("age", *scans, "--specimens", FIXTURES / "specimens.csv", "--out", run)[0] == 0
    assert called("triage", run, "--max-error", 0)[0] == 0
    return run


@pytest.fixture
def run(first, tmp_path):
    return Path(shutil.copytree(first, tmp_path / "run"))


def test_a_person_s_count_is_final_in_every_table_and_the_machine_s_stays_beside_it(run, tmp_path):
    before, queued = rows(run), [q["specimen"] for q in rows(run, "queue").values()]
    table = write(tmp_path, "specimen,reader,annuli\nF00010R,Ann,9\nF00009L,Ann,\n")
    status, out, err = called("enter", run, table)
    assert (status, err) == (0, "")
    assert out.splitlines()[:2] == [
        "readings.csv: rows taken 2 (of these could not be aged 1), known already 0, refused 0",
        "bones read by people 2, of these without an agreed count 0",
    ]
    after = rows(run)
    machine = ("annuli", "confidence", "age_class", "review", "reasons", "notices")
    assert all(before[s][c] == after[s][c] for s in before for c in machine)
    # caught in December: the age class is the count, by the birthday on 1 January (common practice, no source)
    final = [after["F00010R"][c] for c in ("final_annuli", "final_age_class", "counted_by")]
    assert final == ["9", "9", "Ann"]
    assert [after["F00009L"][c] for c in ("final_annuli", "final_age_class", "counted_by")] == ["", "", "Ann"]
    assert rows(run, "fish")["F00010"]["age_class"] == "9"
    assert rows(run, "fish")["F00009"]["age_class"] == ""
    assert rows(run, "readings_side_by_side")["F00010R"] == {
        "specimen": "F00010R", "Ann": "9", "machine": before["F00010R"]["annuli"], "final": "9", "differ": "true"
    }  # fmt: skip
    with (run / "changes.csv").open(encoding="utf-8") as stream:
        changed = [(c["specimen"], c["column"], c["new"], c["cause"], c["call"]) for c in csv.DictReader(stream)]
    assert ("F00010R", "final_annuli", "9", "readings entered", "2") in changed
    assert {c[0] for c in changed} == {"F00010R", "F00009L"}
    left = [q["specimen"] for q in rows(run, "queue").values()]
    assert left == [s for s in queued if s not in ("F00010R", "F00009L")]


def test_readers_who_differ_leave_no_final_count_until_a_reading_settles_it(run, tmp_path):
    table = write(tmp_path, "specimen,reader,annuli\nF00010R,Ann,5\nF00010R,Bo,6\n")
    assert called("enter", run, table)[0] == 0
    bone = rows(run)["F00010R"]
    assert (bone["final_annuli"], bone["counted_by"], bone["review"]) == ("", "", "true")
    assert "readers-differ" in bone["reasons"].split(";")
    assert next(iter(rows(run, "queue").values()))["specimen"] == "F00010R", "first in the queue: look together"
    settled = write(tmp_path, "specimen,reader,annuli,settles\nF00010R,Ann and Bo,6,true\n", "joint.csv")
    assert called("enter", run, settled)[0] == 0
    bone = rows(run)["F00010R"]
    assert (bone["final_annuli"], bone["counted_by"]) == ("6", "Ann and Bo")
    assert "readers-differ" not in bone["reasons"].split(";")
    assert "F00010R" not in {q["specimen"] for q in rows(run, "queue").values()}


def test_entering_the_same_file_again_leaves_every_table_as_it_is(run, tmp_path):
    table = write(tmp_path, "specimen,reader,annuli\nF00010R,Ann,9\nF00009L,Bo,3\n")
    called("enter", run, table)
    before = {p.name: p.read_bytes() for p in run.glob("*.csv")}
    status, out, _ = called("enter", run, table)
    assert status == 0
    assert out.startswith("readings.csv: rows taken 0, known already 2, refused 0")
    assert {p.name: p.read_bytes() for p in run.glob("*.csv")} == before


def test_readings_survive_a_fresh_start(run, tmp_path):
    called("enter", run, write(tmp_path, "specimen,reader,annuli\nF00010R,Ann,9\n"))
    scans = [FIXTURES / "scans" / name for name in SCANS]
    assert called("age", *scans, "--specimens", FIXTURES / "specimens.csv", "--out", run, "--fresh")[0] == 0
    assert rows(run)["F00010R"]["final_annuli"] == "9"


def test_a_corrected_bone_waits_for_the_next_age_which_reads_it_alone(run, tmp_path):
    bone = rows(run)["F00003L"]
    places = [float(bone[c]) + 4 for c in ("focus_x", "focus_y", "axis_x", "axis_y")]
    table = write(tmp_path, f"specimen,focus_x,focus_y,axis_x,axis_y\nF00003L,{','.join(map(str, places))}\n")
    status, out, _ = called("enter", run, table)
    assert status == 0
    assert "bones with a new correction: 1; give the line of `opercle age` again" in out
    assert rows(run)["F00003L"] == bone
    scans = [FIXTURES / "scans" / name for name in SCANS]
    _, _, err = called("age", *scans, "--specimens", FIXTURES / "specimens.csv", "--out", run)
    assert "1 with other rows in the table, or corrections, than before" in err
    assert float(rows(run)["F00003L"]["focus_x"]) == pytest.approx(places[0], abs=0.01)
    assert "corrected" in rows(run)["F00003L"]["notices"].split(";")


def test_a_refused_row_is_said_with_its_cure_and_the_others_are_taken(run, tmp_path):
    status, out, err = called("enter", run, write(tmp_path, "specimen,reader,annuli\nF00010,Ann,5\nF00009L,Ann,4\n"))
    assert status == 0
    assert err == "readings.csv, row 2: the specimen F00010 is not in this run; did you mean F00010R?\n"
    assert out.startswith("readings.csv: rows taken 1, known already 0, refused 1")


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("specimen,reader,annuli\nX1,Ann,5\n", "no row was taken"),
        ("specimen,annuli\nF00010R,5\n", "no column reader"),
        ("", "the table is empty"),
    ],
)
def test_where_nothing_can_be_taken_the_status_is_1_and_nothing_is_kept(run, tmp_path, text, says):
    before = {p.name: p.read_bytes() for p in run.glob("*.csv")}
    status, out, err = called("enter", run, write(tmp_path, text))
    assert (status, out) == (1, "")
    assert says in err
    assert {p.name: p.read_bytes() for p in run.glob("*.csv")} == before


def test_a_folder_that_is_no_run_is_said_in_a_line(tmp_path):
    status, _, err = called("enter", tmp_path, write(tmp_path, "specimen,reader,annuli\nB1,Ann,5\n"))
    assert status == 1
    assert len(err.splitlines()) == 1
