"""The two opercles of a fish have the same annuli: a promise that the machine can be held to without any reader."""

from __future__ import annotations

import pytest

from pipeline.together.both_sides import LEAST_FISH, check_sides


def pairs(agreeing: int, differing: int, confidence: float) -> tuple[list[str], list[str], list[int], list[float]]:
    fish, sides, counted, chances = [], [], [], []
    for k in range(agreeing + differing):
        for side, n in (("L", 4), ("R", 4 if k < agreeing else 5)):
            fish.append(f"F{k}")
            sides.append(side)
            counted.append(n)
            chances.append(confidence)
    return fish, sides, counted, chances


def test_counts_that_agree_as_often_as_promised_keep_their_confidence() -> None:
    # By hand: both right on 0.9 * 0.9 of the fish, both wrong alike on half of 0.1 * 0.1.
    check = check_sides(*pairs(41, 9, 0.9))
    assert check.seen == pytest.approx(0.82)
    assert check.promised == pytest.approx(0.815)
    assert not check.broken
    assert check.confidence_kept == 1


def test_a_broken_promise_lowers_every_confidence() -> None:
    check = check_sides(*pairs(20, 30, 0.99))
    assert check.broken
    assert check.confidence_kept < 1
    assert "confidence was lowered" in check.line()


def test_few_fish_say_nothing_of_a_run() -> None:
    assert not check_sides(*pairs(0, LEAST_FISH - 1, 0.99)).broken


def test_bones_without_a_side_or_with_one_side_alone_are_no_check() -> None:
    check = check_sides(["a", "a", "b"], ["", "L", "R"], [3, 3, 4], [0.9] * 3)
    assert check.fish == 0
    assert check.confidence_kept == 1
