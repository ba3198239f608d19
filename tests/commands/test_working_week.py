"""A working week from the workbook of specimens to one age a fish, every number followed by hand."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path

import openpyxl
import pytest
from command_line import called

from pipeline.settings.files import read_settings

FIXTURES = Path(__file__).parent.parent.parent / "fixtures"


def table(path: Path) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(path.read_text(encoding="utf-8"))))


def by_id(path: Path) -> dict[str, dict[str, str]]:
    return {row["specimen"]: row for row in table(path)}


def done(*arguments: object) -> list[str]:
    status, out, err = called(*arguments)
    assert status == 0, err
    return out.splitlines()


TRUTH = {row["specimen"]: int(row["annuli"]) for row in table(FIXTURES / "truth.csv")}
OTHERWISE = {"F00006L": 1, "F00009L": -1}
"""What the second reader adds to the true count."""


@pytest.fixture(scope="module")
def week(tmp_path_factory):
    """Monday: specimens in a workbook under a title, with dates as dates; the night's ages; the pack to read from."""
    top = tmp_path_factory.mktemp("week")
    book = openpyxl.Workbook()
    page = book.active
    page.append(["Bones of the survey"])
    rows = table(FIXTURES / "specimens.csv")
    page.append([name.upper() for name in rows[0]])
    for row in rows:
        page.append([*row.values()])
    book.save(top / "specimens.xlsx")
    (top / "lab.toml").write_text("[refit]\nleast_bones = 10\niterations = 3\n")
    scans = FIXTURES / "scans"
    age = ("age", scans, "--specimens", top / "specimens.xlsx", "--settings", top / "lab.toml", "--out", top / "run")
    aged = done(*age)
    triaged = done("triage", top / "run", "--max-error", 0, "--pack", top / "pack")
    return top, aged, triaged


def fill_in(pack: Path, name: str, reader: str, other: dict[str, int]) -> Path:
    """A reader's sheet, filled in with the true counts but for `other`."""
    rows = table(pack / "reading-sheet.csv")
    for row in rows:
        row |= {"reader": reader, "annuli": str(TRUTH[row["specimen"]] + other.get(row["specimen"], 0))}
        row |= {"read_on": "2026-03-02", "readability": "good"}
    path = pack.parent / name
    with path.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.DictWriter(stream, list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)
    return path


def test_a_week(week):
    top, aged, triaged = week
    run, pack = top / "run", top / "pack"
    machine = by_id(run / "ages.csv")

    # Monday: all bones promised are there, and everybody's accounts balance.
    assert aged[0] == "scans 9 = read 9 + refused 0"
    assert aged[1] == f"bones {len(TRUTH)} = aged {len(TRUTH)} + unreadable 0"
    assert list(machine) == list(TRUTH)
    least = read_settings().review.least_age_probability
    unsure = sum(float(row["age_class_probability"]) < least for row in machine.values())
    assert f"age classes less sure than the settings accept {unsure}: see age_class_probability" in aged
    assert machine["F00006L"]["captured"] == "1999-05-27"
    queue = [row["specimen"] for row in table(run / "queue.csv")]
    assert triaged[0].startswith(f"bones {len(TRUTH)} = kept 0 (0.0 %) + to read {len(queue)} (100.0 %)")
    assert sorted(queue) == sorted(TRUTH)
    assert [row["specimen"] for row in table(pack / "reading-sheet.csv")] == queue

    # Tuesday: two readers fill in the sheet; they differ on two bones.
    north, south = fill_in(pack, "north.csv", "north", {}), fill_in(pack, "south.csv", "south", OTHERWISE)
    entered = done("enter", run, north, south)
    assert entered[0] == f"north.csv: rows taken {len(queue)}, known already 0, refused 0"
    assert entered[1] == f"south.csv: rows taken {len(queue)}, known already 0, refused 0"
    assert entered[2] == f"bones read by people {len(queue)}, of these without an agreed count {len(OTHERWISE)}"
    ages = by_id(run / "ages.csv")
    for specimen, true in TRUTH.items():
        final = "" if specimen in OTHERWISE else str(true)
        assert ages[specimen]["final_annuli"] == final, specimen
        assert ages[specimen]["counted_by"] == ("" if specimen in OTHERWISE else "north;south")
        assert ages[specimen]["annuli"] == machine[specimen]["annuli"], "the machine's count stays the machine's"
    assert {row["specimen"] for row in table(run / "queue.csv")} == set(OTHERWISE), "only these are left to look at"
    side = by_id(run / "readings_side_by_side.csv")
    assert (side["F00006L"]["north"], side["F00006L"]["south"]) == (str(TRUTH["F00006L"]), str(TRUTH["F00006L"] + 1))
    fish = {row["fish"]: row for row in table(run / "fish.csv")}
    assert fish["F00006"]["age_class"] == ""
    assert fish["F00006"]["reasons"].endswith("readers-differ")

    # Wednesday: they look together. What they agree on settles it; the first file again adds nothing.
    joint = "".join(f"{s},north and south,{TRUTH[s]},true\n" for s in OTHERWISE)
    (top / "joint.csv").write_text(f"specimen,reader,annuli,settles\n{joint}")
    settled = done("enter", run, top / "joint.csv", north)
    assert settled[:2] == [
        f"joint.csv: rows taken {len(OTHERWISE)}, known already 0, refused 0",
        f"north.csv: rows taken 0, known already {len(queue)}, refused 0",
    ]
    ages = by_id(run / "ages.csv")
    assert {s: int(row["final_annuli"]) for s, row in ages.items()} == TRUTH
    assert table(run / "queue.csv") == []
    assert done("triage", run)[0] == (
        f"bones {len(TRUTH)} = kept 0 (0.0 %) + to read 0 (0.0 %) + read already {len(TRUTH)} (100.0 %)"
    )

    # Thursday: the audit. Two of all bones differ between the readers, once by one up and once by one down.
    done("audit", north, south, "--run", run)
    agreement = json.loads((run / "audit" / "agreement.json").read_text(encoding="utf-8"))
    pairs = {(c["a"], c["b"]): c for c in agreement["comparisons"]}
    n = len(TRUTH)
    people = pairs["north", "south"]
    assert (people["n"], people["exact"], people["within_1"], people["mean_difference"]) == (n, (n - 2) / n, 1.0, 0.0)
    right = sum(int(machine[s]["annuli"]) == true for s, true in TRUTH.items())
    assert pairs["north", "machine"]["exact"] == pytest.approx(right / n)
    assert (agreement["readings"], agreement["runs"][0][:8]) == (["north.csv", "south.csv"], "run run ")
    page = (run / "audit" / "audit.html").read_text(encoding="utf-8")
    assert "Bones to look at together" in page
    assert 'href="../overlays/F00006L.jpg"' in page

    # Friday: thirteen bones are too few to show a gain, so the machine is fitted to the readers only when told to.
    fit = ("refit", run, top / "north.csv", "--out", top / "ours.toml")
    status, _, err = called(*fit)
    assert (status, (top / "ours.toml").exists()) == (1, False)
    assert "no gain beyond chance is shown" in err
    assert done(*fit, "--anyway")[0] == f"rests on {n} bones of 9 scans, counted by 1 reader"
    assert read_settings([str(top / "ours.toml")]).refit.fitted_to == tuple(sorted(TRUTH))

    # One age a fish goes to the office: that of the readers, with the fish's two bones as one.
    fish = {row["fish"]: row for row in table(run / "fish.csv")}
    assert len(fish) == len({row["fish"] for row in ages.values()}) == len(TRUTH) - 1
    assert fish["F00004"]["bones"] == "2"
    for row in fish.values():
        bone = ages[row["specimen"]]
        assert (row["age_class"], row["counted_by"]) == (bone["final_age_class"], bone["counted_by"])
        assert row["age_class_probability"] == "", "nobody knows how probable people's ages are"


def test_an_audit_of_a_refitted_run_with_the_same_readings_says_so(week, tmp_path):
    top = week[0]
    description = json.loads((top / "run" / "run.json").read_text(encoding="utf-8"))
    description["settings"]["refit"]["fitted_to"] = ["F00006L", "F00009L", "elsewhere"]
    (tmp_path / "run.json").write_text(json.dumps(description))
    (tmp_path / "ages.csv").write_bytes((top / "run" / "ages.csv").read_bytes())
    table_of_readings = tmp_path / "readings.csv"
    table_of_readings.write_text("specimen,reader,annuli\nF00006L,Ann,7\nF00007L,Ann,9\n")
    lines = done("audit", table_of_readings, "--run", tmp_path, "--out", tmp_path / "audit")
    (warning,) = [line for line in lines if line.startswith("Warning: ")]
    assert "refitted to counts of 1 of the 2 bones read here" in warning
    assert json.loads((tmp_path / "audit" / "agreement.json").read_text())["warnings"] == [warning[len("Warning: ") :]]
