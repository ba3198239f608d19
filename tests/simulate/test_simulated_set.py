"""Sets written to disk, and the fixtures."""

from __future__ import annotations

import csv
import runpy
from pathlib import Path

import numpy as np
import pytest
import tifffile
from PIL import Image

from pipeline.commands.simulate import simulate
from pipeline.errors import RunError
from pipeline.simulate.variety import Variety

FIXTURES = Path(__file__).parents[2] / "fixtures"
MOST_FIXTURE_BYTES = 6_000_000
GREY_LEVELS_APART = 1.0  # mean difference of decoded pixels between versions of the libraries


def rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def pixels(path: Path) -> np.ndarray:
    if path.suffix == ".tif":
        return tifffile.imread(path)
    with Image.open(path) as picture:
        return np.asarray(picture)


@pytest.fixture(scope="module")
def drawn(tmp_path_factory) -> Path:
    out = tmp_path_factory.mktemp("set") / "out"
    counted = simulate(out, 9, 4, Variety(dpis=[300], tray_share=0.6))
    assert counted.bones == 9
    assert counted.scans == len(list((out / "scans").iterdir()))
    return out


def test_every_bone_has_a_specimen_and_a_truth_and_as_many_annuli_as_it_says(drawn):
    specimens, truth = rows(drawn / "specimens.csv"), rows(drawn / "truth.csv")
    assert [r["specimen"] for r in specimens] == [r["specimen"] for r in truth]
    assert len({r["specimen"] for r in truth}) == 9
    assert {r["scan"] for r in specimens} == {p.name for p in (drawn / "scans").iterdir()}
    marks = rows(drawn / "truth_annuli.csv")
    for bone in truth:
        numbers = [m["number"] for m in marks if m["specimen"] == bone["specimen"] and m["kind"] == "annulus"]
        assert numbers == [str(k + 1) for k in range(int(bone["annuli"]))]
        checks = [m for m in marks if m["specimen"] == bone["specimen"] and m["kind"] == "check"]
        assert len(checks) == int(bone["false_checks"])


def test_arcs_pass_through_the_marks_on_the_growth_axis(drawn):
    arcs = {
        (r["specimen"], r["kind"], r["number"], r["radius_px"])
        for r in rows(drawn / "truth_arcs.csv")
        if r["deg"] == "0"
    }
    for mark in rows(drawn / "truth_annuli.csv"):
        assert (mark["specimen"], mark["kind"], mark["number"], mark["radius_px"]) in arcs


def test_marks_lie_between_focus_and_margin_where_the_truth_says(drawn):
    truth = {r["specimen"]: r for r in rows(drawn / "truth.csv")}
    for mark in rows(drawn / "truth_annuli.csv"):
        bone = {
            k: float(v) for k, v in truth[mark["specimen"]].items() if k in ("focus_x", "focus_y", "axis_x", "axis_y")
        }
        share = float(mark["fraction"])
        assert 0 < share < 1
        assert float(mark["x"]) == pytest.approx(bone["focus_x"] + share * (bone["axis_x"] - bone["focus_x"]), abs=0.05)
        assert float(mark["y"]) == pytest.approx(bone["focus_y"] + share * (bone["axis_y"] - bone["focus_y"]), abs=0.05)


def test_a_folder_that_holds_anything_is_left_alone(drawn):
    with pytest.raises(RunError, match="not an empty folder"):
        simulate(drawn, 1, 1)


def test_the_fixtures_are_what_their_command_makes(tmp_path):
    runpy.run_path(str(FIXTURES / "make.py"))["make"](tmp_path)
    for name in ("specimens.csv", "readings.csv"):
        assert (tmp_path / name).read_bytes() == (FIXTURES / name).read_bytes()
    stored, made = rows(FIXTURES / "truth.csv"), rows(tmp_path / "truth.csv")
    assert [
        {k: r[k] for k in ("specimen", "annuli", "age_class", "focus_x", "axis_y", "lighting")} for r in stored
    ] == [{k: r[k] for k in ("specimen", "annuli", "age_class", "focus_x", "axis_y", "lighting")} for r in made]
    for scan in {r["scan"] for r in rows(FIXTURES / "specimens.csv")}:
        old, new = pixels(FIXTURES / "scans" / scan), pixels(tmp_path / "scans" / scan)
        assert old.shape == new.shape
        assert old.dtype == new.dtype
        assert np.abs(old.astype(float) - new).mean() / (old.max() / 255) < GREY_LEVELS_APART


def test_the_fixtures_are_small_and_varied():
    assert sum(p.stat().st_size for p in FIXTURES.rglob("*") if p.is_file()) < MOST_FIXTURE_BYTES
    specimens, truth = rows(FIXTURES / "specimens.csv"), rows(FIXTURES / "truth.csv")
    assert len(specimens) >= 12
    assert {r["species"] for r in specimens} == {"walleye", "yellow perch", "sauger"}
    assert {r["lighting"] for r in truth} == {"dark", "white", "transmitted"}
    assert max(int(r["bone"]) for r in specimens) > 1
    assert {r["reader"] for r in rows(FIXTURES / "readings.csv")} == {"north", "south"}
