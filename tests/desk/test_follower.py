"""Ages, queue and report are brought up to date in the background, and at the latest when the desk is closed."""

from __future__ import annotations

import threading

import pytest

from pipeline.desk import follower as module
from pipeline.desk.follower import Follower
from pipeline.errors import RunError


@pytest.fixture(autouse=True)
def _impatient(monkeypatch):
    monkeypatch.setattr(module, "QUIET_SECONDS", 0.02)
    monkeypatch.setattr(module, "AGAIN_SECONDS", 0.02)


def test_what_was_entered_last_is_followed_up_before_the_desk_is_closed():
    rounds = []
    follower = Follower(rounds.append)
    follower.touch("a.tif")
    follower.touch("b.tif")
    follower.close()
    assert rounds == [frozenset({"a.tif", "b.tif"})]


def test_many_answers_need_few_rounds():
    rounds = []
    follower = Follower(rounds.append)
    for _ in range(500):
        follower.touch()
    follower.close()
    assert 1 <= len(rounds) < 20


def test_what_cannot_be_done_now_is_done_later_and_said_meanwhile():
    failed, done = threading.Event(), threading.Event()

    def follow(scans):
        if not failed.is_set():
            failed.set()
            raise RunError("another opercle is at work")
        assert scans == frozenset({"a.tif"})
        done.set()

    follower = Follower(follow)
    follower.touch("a.tif")
    assert failed.wait(5)
    assert done.wait(5)
    follower.close()
    assert follower.fault == ""


def test_a_fault_of_the_program_is_shown_and_ends_nothing():
    def follow(scans):
        raise KeyError("oops")

    follower = Follower(follow)
    follower.touch()
    follower.close()
    assert "KeyError" in follower.fault
