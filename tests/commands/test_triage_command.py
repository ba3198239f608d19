"""`opercle triage`: the queue in the run's folder and its ledger, made from what is stored."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path

import pytest
from drafted import store_ages
from typer.testing import CliRunner

from pipeline import cli
from pipeline.commands.triage import triage
from pipeline.errors import RunError
from pipeline.records import Age, FinalAge, Reading, Specimen
from pipeline.run.ledger import Ledger
from pipeline.run.ledger_ages import AgedBone
from pipeline.settings.files import read_settings

KEPT = 200
BONES = [
    *((f"K{n:03d}", 0.999, ()) for n in range(KEPT)),
    *((f"L{n:03d}", 0.5 + n / 100, ("low-confidence",)) for n in range(20)),
    ("H1", 0.95, ("damaged",)),
    ("H2", 0.6, ("low-confidence", "damaged")),
    ("U1", None, ("missing-bone",)),
]


def aged(specimen: str, confidence: float | None, reasons: tuple[str, ...]) -> AgedBone:
    status, annuli = ("unreadable", None) if confidence is None else ("aged", 3)
    age = Age(specimen=specimen, status=status, annuli=annuli, confidence=confidence, reasons=reasons)
    return AgedBone(
        specimen=Specimen(specimen=specimen, scan="a.png", fish=specimen), age=age, final=FinalAge(), sources={}
    )


@pytest.fixture
def run(tmp_path):
    settings = read_settings().model_dump(mode="json")
    with Ledger(tmp_path, create=True) as ledger:
        store_ages(ledger, [aged(*bone) for bone in BONES])
        ledger.describe(json.dumps({"settings": settings}))
    return tmp_path


def call(run: Path, max_error: float | None = 0.02, most: int | None = None):
    return triage(run, max_error, most, pytest.fail)


def rows(run: Path) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO((run / "queue.csv").read_text(encoding="utf-8"))))


def test_the_table_holds_the_queue_in_order(run):
    call(run)
    found = rows(run)
    assert list(found[0]) == ["rank", "specimen", "confidence", "reasons"]
    assert [r["rank"] for r in found] == [str(n + 1) for n in range(len(found))]
    assert [tuple(r.values())[1:] for r in found[:3]] == [
        ("U1", "", "missing-bone"),
        ("H2", "0.6000", "low-confidence;damaged"),
        ("H1", "0.9500", "damaged"),
    ]
    with Ledger(run) as ledger:
        assert ledger.queue.all() == tuple(r["specimen"] for r in found)


def test_the_table_does_not_tell_which_bones_are_the_check(run):
    call(run)
    with Ledger(run) as ledger:
        blind = ledger.queue.blind()
    assert blind
    assert {s[0] for s in blind} <= {"K", "L"}
    looks = {(r["confidence"], r["reasons"]) for r in rows(run) if r["specimen"] in blind}
    others = {(r["confidence"], r["reasons"]) for r in rows(run) if r["specimen"][0] == "L"}
    assert looks == others == {("", "")}


def test_what_is_printed_balances_and_leaves_the_check_out(run):
    told = call(run)
    bones, kept, queued, *rest = told.lines()
    assert bones.startswith(f"bones {len(BONES)} = kept ")
    assert told.triage.kept + told.triage.to_read == len(BONES)
    assert f"of {told.triage.kept};" in kept
    assert f"of {told.triage.to_read - 1};" in queued, "the bone without a count can be neither right nor wrong"
    assert rest[0] == "without a count, to read first: 1"
    assert rest[-1] == str(run / "queue.csv")
    assert len(rows(run)) == told.triage.to_read + sum(q.blind for q in told.triage.queue)


def test_bones_that_a_person_has_read_leave_the_queue_and_stay_marked_as_check(run):
    call(run)
    with Ledger(run) as ledger:
        check = sorted(ledger.queue.blind())
        for specimen in ("U1", "L000", check[0]):
            ledger.people.add_reading(Reading(specimen=specimen, reader="Ann", annuli=3))
    told = call(run)
    assert not {"U1", "L000", check[0]} & {r["specimen"] for r in rows(run)}
    assert "+ read already 3 (1.3 %)" in told.lines()[0]
    with Ledger(run) as ledger:
        assert ledger.queue.blind() == set(check)


def test_a_later_call_forgets_the_check_bones_that_nobody_has_read(run):
    call(run)
    call(run, None, len(BONES))
    with Ledger(run) as ledger:
        assert ledger.queue.blind() == frozenset()


def test_ages_stay_as_they_are_and_the_same_call_gives_the_same_queue(run):
    with Ledger(run) as ledger:
        before = ledger.ages.all()
    call(run)
    first = (run / "queue.csv").read_bytes()
    call(run)
    assert (run / "queue.csv").read_bytes() == first
    with Ledger(run) as ledger:
        assert ledger.ages.all() == before


def test_the_run_s_own_settings_hold(run):
    with Ledger(run) as ledger:
        told = json.loads(ledger.description)
        told["settings"]["review"]["accepted_error"] = 1.0
        ledger.describe(json.dumps(told))
    assert call(run, None).triage.to_read == 3


def test_a_folder_that_is_no_run_is_told_in_a_line(tmp_path):
    with pytest.raises(RunError, match=r"holds no run\.sqlite"):
        call(tmp_path)


def test_a_run_without_ages_is_told_in_a_line(tmp_path):
    with Ledger(tmp_path, create=True):
        pass
    with pytest.raises(RunError, match="holds no ages yet") as told:
        call(tmp_path)
    assert "\n" not in str(told.value)


def test_a_run_of_other_settings_is_told_in_a_line(run):
    with Ledger(run) as ledger:
        ledger.describe(json.dumps({"settings": {"review": {}}}))
    with pytest.raises(RunError, match="settings of this version") as told:
        call(run)
    assert "\n" not in str(told.value)
    assert not (run / "queue.csv").exists()


@pytest.mark.parametrize("wrong", [["--max-error", "2"], ["--max-error", "-0.1"], ["--most", "-1"], ["--most", "x"]])
def test_wrong_usage_has_the_status_2(run, wrong):
    assert CliRunner().invoke(cli.app, ["triage", str(run), *wrong]).exit_code == 2


def test_where_no_bone_is_kept_no_wrong_count_is_expected(run):
    kept = call(run, max_error=0.0).lines()[1]
    assert kept == "wrong counts expected among the kept: none, for no bone with a count is among them"
