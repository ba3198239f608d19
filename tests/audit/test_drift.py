"""Drift on a reference collection."""

from __future__ import annotations

import numpy as np
import pandas as pd

from pipeline.audit.drift import Batch, drift

NAN = float("nan")
N = 100
AGREED = pd.Series(np.tile(np.arange(1.0, 11.0), N // 10), index=[f"b{i}" for i in range(N)])


def machine(*runs: np.ndarray) -> tuple[Batch, ...]:
    every = pd.DataFrame(
        {
            "specimen": list(AGREED.index) * len(runs),
            "reader": "machine",
            "annuli": np.concatenate(runs),
            "batch": np.repeat([f"run {i}" for i in range(len(runs))], N),
            "nth": np.repeat(range(len(runs)), N),
        }
    )
    return drift(every, AGREED)


def counts() -> np.ndarray:
    """A machine that is one off on every tenth bone, up and down in turn."""
    off = np.where(np.arange(N) % 20 == 0, 1.0, np.where(np.arange(N) % 20 == 10, -1.0, 0.0))
    return AGREED.to_numpy() + off


def test_the_same_machine_gives_the_same_counts_and_is_steady():
    first, second = machine(counts(), counts())
    assert (first.verdict, second.verdict, second.up, second.down) == ("first", "steady", 0, 0)
    assert first.low_limit is None
    assert second.low_limit < second.mean_difference.value < second.high_limit


def test_any_changed_count_of_a_machine_is_worth_a_look():
    changed = counts()
    changed[3] += 1
    assert machine(counts(), changed)[1].verdict == "look"


def test_counts_that_all_move_one_way_stop_the_work():
    shifted = counts()
    shifted[:15] -= 1
    batch = machine(counts(), shifted)[1]
    assert (batch.verdict, batch.up, batch.down) == ("stop", 0, 15)
    assert "0 bones went up and 15 down" in " ".join(batch.why)


def test_agreement_that_falls_both_ways_stops_the_work_though_the_mean_stays():
    noisy = counts()
    noisy[1:40:2] += 1
    noisy[41:80:2] -= 1
    batch = machine(counts(), noisy)[1]
    assert batch.low_limit < batch.mean_difference.value < batch.high_limit
    assert batch.verdict == "stop"
    assert "exact agreement fell from 90% to 50%" in batch.why


def test_bones_that_can_no_longer_be_aged_stop_the_work():
    unread = counts()
    unread[:30] = NAN
    batch = machine(counts(), unread)[1]
    assert (batch.bones, batch.aged, batch.verdict) == (100, 70, "stop")


def test_a_reader_is_followed_in_batches_of_twenty_by_day():
    rng = np.random.default_rng(1)
    days = pd.date_range("2026-01-01", periods=N).strftime("%Y-%m-%d").to_numpy()
    late_short = AGREED.to_numpy() - (np.arange(N) >= 60)
    order = rng.permutation(N)  # rows stand in any order; the days tell
    every = pd.DataFrame(
        {
            "specimen": AGREED.index.to_numpy()[order],
            "reader": "anna",
            "annuli": late_short[order],
            "batch": days[order],
            "nth": 0,
        }
    )
    batches = drift(every, AGREED)
    assert [b.bones for b in batches] == [20] * 5
    assert batches[0].batch == "2026-01-01 to 2026-01-20"
    assert [b.verdict for b in batches] == ["first", "steady", "steady", "stop", "stop"]
