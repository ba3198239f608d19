"""However the desk is ended, what was answered comes into ages, queue and report."""

from __future__ import annotations

import csv
import io
import json
import signal

import httpx
import pytest
from command_line import called
from desk.runs import Served, page, post_of

from pipeline.commands.desk import is_behind
from pipeline.run import run_folder
from pipeline.run.ledger import Ledger


def answer(desk: Served, specimen: str, annuli: int) -> None:
    with httpx.Client(base_url=desk.address.rstrip("/"), timeout=20) as client:
        body = post_of(client, specimen, "Ann", annuli, annuli=annuli)
        assert client.post("/api/answer", content=json.dumps(body), headers=page(client)).status_code == 200


def final(run, specimen: str) -> str:
    rows = csv.DictReader(io.StringIO((run / "ages.csv").read_text(encoding="utf-8")))
    return next(row["final_annuli"] for row in rows if row["specimen"] == specimen)


def behind(run) -> bool:
    with Ledger(run) as ledger:
        return is_behind(ledger, run_folder.settings_of(run, ledger))


@pytest.fixture
def desk(run):
    process = Served(run)
    process.start()
    yield process
    process.kill()


@pytest.mark.parametrize("how", [signal.SIGINT, signal.SIGTERM])
def test_a_desk_that_is_ended_or_a_machine_that_is_shut_down_follows_up_what_was_answered(desk, run, how):
    answer(desk, "F00007L", 12)
    desk.stop(how)
    assert final(run, "F00007L") == "12"
    assert not behind(run)


def test_what_was_answered_at_a_desk_that_was_killed_is_followed_up_by_the_next(desk, run):
    before = final(run, "F00007L")
    answer(desk, "F00007L", 12)
    desk.kill()
    assert (final(run, "F00007L"), behind(run)) == (before, True)
    desk.start()
    desk.stop()
    assert (final(run, "F00007L"), behind(run)) == ("12", False)


def test_a_run_whose_readings_were_entered_is_not_behind(run):
    assert not behind(run)
    (run.parent / "readings.csv").write_text("specimen,reader,annuli\nF00007L,Ann,3\nF00007L,Ben,5\nF00008R,Ann,2\n")
    assert called("enter", run, run.parent / "readings.csv")[0] == 0
    assert not behind(run)
