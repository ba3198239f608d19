"""`opercle age` over the fixture scans: what depends on what, and what the user is told."""

from __future__ import annotations

import csv
import io
import json
import shutil
from collections import Counter
from pathlib import Path

import pytest

from pipeline.commands.age import age
from pipeline.commands.asked import Request
from pipeline.run.ledger import Ledger
from pipeline.run.ledger_people import Correction

FIXTURES = Path(__file__).parent.parent.parent / "fixtures"
SPECIMENS = FIXTURES / "specimens.csv"


def call(out: Path, **more):
    lines: list[str] = []
    request = Request(**({"scans": (FIXTURES / "scans",), "out": out, "specimens": SPECIMENS, "workers": 2} | more))
    return age(request, lines.append), lines


def rows(run: Path, name: str = "ages") -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO((run / f"{name}.csv").read_text(encoding="utf-8"))))


@pytest.fixture(scope="module")
def first(tmp_path_factory):
    """One call over all fixtures: the run, its accounts and what was said."""
    run = tmp_path_factory.mktemp("first") / "run"
    return run, *call(run)


@pytest.fixture
def run(first, tmp_path):
    """A copy of that run, to go on with."""
    return Path(shutil.copytree(first[0], tmp_path / "run"))


def settings_file(tmp_path: Path, text: str) -> tuple[str, ...]:
    (tmp_path / "mine.toml").write_text(text)
    return (str(tmp_path / "mine.toml"),)


def test_every_row_of_the_table_comes_out_once_in_its_order(first):
    wanted = [r["specimen"] for r in csv.DictReader(io.StringIO(SPECIMENS.read_text(encoding="utf-8")))]
    assert [r["specimen"] for r in rows(first[0])] == wanted


def test_the_accounts_balance_and_agree_with_the_tables(first):
    run, accounts, _ = first
    status = Counter(r["status"] for r in rows(run))
    assert accounts.scans == accounts.read + accounts.refused
    assert (accounts.aged, accounts.unreadable) == (status["aged"], status["unreadable"])
    assert accounts.review == sum(r["review"] == "true" for r in rows(run))
    assert json.loads((run / "run.json").read_text())["counts"]["bones"] == accounts.bones == len(rows(run))


def test_probabilities_sum_to_one_and_hold_the_confidence(first):
    run, *_ = first
    for table, value, chosen in (("count_probabilities", "annuli", "annuli"), ("age_probabilities", "age_class", "")):
        shares: dict[str, dict[str, float]] = {}
        for r in rows(run, table):
            shares.setdefault(r["specimen"], {})[r[value]] = float(r["probability"])
        for specimen, parts in shares.items():
            assert sum(parts.values()) == pytest.approx(1, abs=1e-3), specimen
        for r in rows(run):
            if chosen and r["status"] == "aged":
                assert float(r["confidence"]) == shares[r["specimen"]][r["annuli"]]


def test_counted_marks_number_the_annuli(first):
    run, *_ = first
    counted = Counter(r["specimen"] for r in rows(run, "annuli") if r["counted"] == "true")
    assert {r["specimen"]: int(r["annuli"]) for r in rows(run) if r["annuli"] not in ("", "0")} == counted


def test_each_bone_has_a_crop_and_an_overlay_and_the_tray_its_sheet(first):
    run, accounts, _ = first
    assert len(list((run / "crops").iterdir())) == len(list((run / "overlays").iterdir())) == accounts.bones
    assert [p.name for p in (run / "trays").iterdir()] == ["tray_perch.jpg"]


def test_a_setting_of_the_second_pass_reads_no_scan_again(run, tmp_path):
    _, lines = call(run, settings=settings_file(tmp_path, "[review]\nleast_confidence = 0.0\n"))
    assert "scans: 9 (9 done before)" in lines
    told = rows(run, "changes")
    assert told
    assert {(r["column"], r["old"], r["new"], r["cause"]) for r in told} == {
        ("review", "true", "false", "other settings")
    }
    assert all((r["review"] == "true") == bool(r["reasons"]) for r in rows(run))
    assert not any("low-confidence" in r["reasons"] for r in rows(run))


def test_a_corrected_bone_is_read_alone_as_if_the_whole_scan_had_been(run, tmp_path):
    before = {r["specimen"]: r for r in rows(run)}
    bone = before["F00003L"]  # the third of five on its tray
    focus, tip = ((float(bone[f"{at}_x"]) + 8, float(bone[f"{at}_y"]) + 5) for at in ("focus", "axis"))
    with Ledger(run) as ledger:
        ledger.people.add_correction(
            Correction(scan=bone["scan"], bone=3, reader="Ann", made_on="2026-01-01", focus=focus, tip=tip)
        )
    whole = shutil.copytree(run, tmp_path / "whole")
    _, lines = call(run)
    assert lines[0] == "scans: 9 (8 done before, 1 with other rows in the table, or corrections, than before)"
    last = json.loads((run / "log.jsonl").read_text().splitlines()[-1])
    assert (last["scan"], last["cause"], last["bones"]) == ("tray_perch.jpg", "table", 1)
    after = {r["specimen"]: r for r in rows(run)}
    assert (float(after["F00003L"]["focus_x"]), float(after["F00003L"]["focus_y"])) == pytest.approx(focus, abs=0.01)
    assert "corrected" in after["F00003L"]["notices"].split(";")
    assert {s for s in after if after[s]["focus_x"] != before[s]["focus_x"]} == {"F00003L"}
    call(whole, fresh=True)
    assert (whole / "ages.csv").read_bytes() == (run / "ages.csv").read_bytes()
    assert {p.name for p in (whole / "crops").iterdir()} == {p.name for p in (run / "crops").iterdir()}


def test_a_tray_with_a_bone_too_many_is_in_doubt_as_a_whole(tmp_path):
    tray = tmp_path / "scans"
    tray.mkdir()
    shutil.copy(FIXTURES / "scans" / "tray_perch.jpg", tray)
    table = tmp_path / "four.csv"
    table.write_text("specimen,scan,bone\n" + "".join(f"P{n},tray_perch.jpg,{n}\n" for n in range(1, 5)))
    call(tmp_path / "run", scans=(tray,), specimens=table)
    found = rows(tmp_path / "run")
    assert [r["specimen"] for r in found] == ["P1", "P2", "P3", "P4", "tray_perch-5"]
    assert all("tray-mismatch" in r["reasons"].split(";") for r in found)


def test_rows_without_a_scan_are_named_and_get_no_row(tmp_path):
    scans = tmp_path / "scans"
    scans.mkdir()
    shutil.copy(FIXTURES / "scans" / "sauger_1.jpg", scans)
    accounts, lines = call(tmp_path / "run", scans=(scans,))
    assert accounts.bones == 1
    assert sum("is not among the scans" in line for line in lines) == 10
    assert any("and 2 more rows" in line for line in lines)


def test_without_a_table_bones_are_named_by_their_files(tmp_path):
    scans = tmp_path / "scans"
    scans.mkdir()
    for name in ("sauger_1.jpg", "tray_perch.jpg"):
        shutil.copy(FIXTURES / "scans" / name, scans)
    call(tmp_path / "run", scans=(scans,), specimens=None)
    assert [r["specimen"] for r in rows(tmp_path / "run")] == ["sauger_1", *(f"tray_perch-{n}" for n in range(1, 6))]
