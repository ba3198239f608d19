"""Intervals: against figures anybody can look up, and what any interval must do."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from statsmodels.stats.proportion import proportion_confint

from pipeline.audit.intervals import mean, mean_difference, mean_of_rare, share, weighted_share
from pipeline.estimate import Estimate


def test_ninety_right_of_a_hundred_has_the_interval_of_the_textbooks():
    # Exact binomial (Clopper and Pearson): .8238 to .9510.
    assert (share(90, 100).low, share(90, 100).high) == pytest.approx((0.8238, 0.9510), abs=1e-4)


@given(st.integers(1, 400), st.integers(0, 400))
def test_shares_have_the_exact_interval_of_statsmodels(trials, successes):
    successes = min(successes, trials)
    low, high = proportion_confint(successes, trials, method="beta")
    assert (share(successes, trials).low, share(successes, trials).high) == pytest.approx((low, high), abs=1e-9)


def test_bones_that_all_weigh_the_same_have_the_interval_of_a_plain_share():
    wrong = np.array([1.0] * 7 + [0.0] * 53)
    assert weighted_share(wrong, np.full(60, 3.0)).high == pytest.approx(share(7, 60).high)


def test_no_difference_seen_is_no_proof_of_none():
    assert mean_of_rare(np.zeros(50), 1.0).high == pytest.approx(3.689 / 50, abs=1e-3)  # Poisson's limit for none seen
    same = mean_difference(np.zeros(50))
    assert same.low == -same.high
    assert same.high > 0


def test_a_reader_who_is_always_one_year_short_is_shown_to_be():
    e = mean_difference(np.full(40, -1.0))
    assert e.value == -1
    assert -1.2 < e.low < -1 < e.high < -0.8


def test_the_mean_interval_is_students():
    e = mean(np.array([1.0, 2.0, 3.0, 4.0]))
    assert (e.low, e.high) == pytest.approx((2.5 - 2.0543, 2.5 + 2.0543), abs=1e-3)  # t of 3 df: 3.1824
    assert mean(np.array([3.0, 3.0])) == Estimate(3.0)  # the spread is unknown, not zero


@given(st.lists(st.integers(-3, 3), min_size=1, max_size=60))
def test_mirrored_differences_have_the_mirrored_interval(values):
    d = np.array(values, float)
    one, other = mean_difference(d), mean_difference(-d)
    assert one.low <= one.value + 1e-12
    assert one.value <= one.high + 1e-12
    assert (one.low, one.high) == pytest.approx((-other.high, -other.low), abs=1e-9)
