"""Sample sizes and the ageing error matrix."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.audit.error_matrix import error_matrix
from pipeline.audit.intervals import share
from pipeline.audit.sample_size import bones_for_share, bones_without_error, plans, present_sample


def test_sample_sizes_are_those_of_the_textbooks():
    # n = 1.96^2 p (1 - p) / h^2: common practice.
    assert [bones_for_share(p, h) for p, h in ((0.8, 0.1), (0.9, 0.1), (0.8, 0.05), (0.9, 0.05))] == [62, 35, 246, 139]
    assert bones_without_error(0.05) == 59  # the rule of three: 59 bones without an error leave less than 5 %
    assert bones_without_error(0.1) == 29


def test_the_planning_table_needs_no_reading():
    assert all(plan.bones > 0 for plan in plans())


def test_the_sample_sizes_give_the_intervals_they_promise():
    n = bones_for_share(0.8, 0.05)
    e = share(round(0.8 * n), n)
    assert (e.high - e.low) / 2 == pytest.approx(0.05, abs=0.004)


def test_a_sample_without_spread_promises_no_power():
    present = present_sample(np.zeros(40), 1.0, 0.05, np.zeros(40))
    assert (present.smallest_bias, present.bones_for_cv) == (None, None)


def drawn(n: int, seed: int = 1) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    age = rng.choice(np.arange(1, 13), size=n, p=(p := 0.8 ** np.arange(12)) / p.sum())
    wrong = rng.random(n) < 0.05 + 0.03 * age
    return age.astype(float), (age + wrong * np.where(rng.random(n) < 0.3, 1, -1)).astype(float)


def test_every_row_of_the_matrix_is_a_distribution():
    m = error_matrix(*drawn(300))
    assert m is not None
    assert m.probability.sum(axis=1) == pytest.approx(np.ones(len(m.reference_ages)))
    assert (m.probability >= 0).all()
    assert m.seen.sum() == 300


def test_with_many_bones_the_matrix_is_what_was_seen():
    m = error_matrix(*drawn(40_000))
    assert m is not None
    seen = m.seen / m.seen.sum(axis=1, keepdims=True)
    assert np.abs(m.probability - seen).max() < 0.04


def test_with_few_bones_the_matrix_is_nearer_the_truth_than_what_was_seen():
    true = error_matrix(*drawn(200_000, seed=9))
    m = error_matrix(*drawn(150, seed=3))
    assert true is not None
    assert m is not None
    rows, columns = (
        [list(true.reference_ages).index(a) for a in m.reference_ages],
        [list(true.counts).index(c) for c in m.counts],
    )
    truth = true.probability[np.ix_(rows, columns)]
    there = ~m.borrowed
    seen = m.seen[there] / m.seen[there].sum(axis=1, keepdims=True)
    assert np.abs(m.probability[there] - truth[there]).sum() < np.abs(seen - truth[there]).sum()


def test_an_age_that_nobody_has_borrows_the_curve_and_says_so():
    age, count = drawn(400)
    keep = age != 4
    m = error_matrix(age[keep], count[keep])
    assert m is not None
    at = list(m.reference_ages).index(4)
    assert m.borrowed[at]
    assert m.counts[m.probability[at].argmax()] == 4


def test_too_few_bones_or_ages_give_no_matrix():
    assert error_matrix(*drawn(20)) is None
    assert error_matrix(np.full(100, 3.0), np.full(100, 3.0)) is None
