"""What nothing shows never takes the lead over what shows; confidence changes how sure a count is, never which it
is."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.records import Numbers
from pipeline.together.unseen import STAYS_AHEAD, Unseen, count_distribution, with_confidence

steady = settings(deadline=None, derandomize=True)
shares = st.floats(0.0, 1.0)


@st.composite
def distributions(draw: st.DrawFn) -> Numbers:
    """Of the count, from 0 on; the least probable counts are a thousand times less so than the likeliest."""
    weight = np.exp(draw(st.lists(st.floats(-7, 0), min_size=2, max_size=31)))
    return np.asarray(weight / weight.sum())


@given(distributions(), shares, shares)
@steady
def test_an_unseen_annulus_adds_its_probability_to_the_mean_count(p: Numbers, first: float, last: float) -> None:
    q = count_distribution(p, Unseen(first=first, first_counted=False, last=last), len(p) + 5)
    assert q.sum() == pytest.approx(1)
    assert q @ np.arange(len(q)) == pytest.approx(p @ np.arange(len(p)) + first + last)


@given(distributions(), shares)
@steady
def test_no_fish_is_older_than_its_species_can_be(p: Numbers, first: float) -> None:
    q = count_distribution(p, Unseen(first=first, first_counted=False, last=0.3), len(p) - 1)
    assert len(q) == len(p)
    assert q.sum() == pytest.approx(1)


@given(distributions(), st.integers(0, 30), st.floats(0.0, 0.999))
@steady
def test_the_number_counted_is_always_the_most_probable(p: Numbers, counted: int, wanted: float) -> None:
    n = counted % len(p)
    q = with_confidence(p, n, wanted)
    assert q.sum() == pytest.approx(1)
    assert q.argmax() == n
    assert np.delete(q, n).max() <= STAYS_AHEAD * q[n] + 1e-9


@given(distributions(), st.integers(0, 30), st.floats(0.6, 0.999))
@steady
def test_a_confidence_above_one_half_is_given_as_wanted(p: Numbers, counted: int, wanted: float) -> None:
    n = counted % len(p)
    assert with_confidence(p, n, wanted)[n] == pytest.approx(wanted)


@given(distributions(), st.integers(0, 30), shares, shares)
@steady
def test_more_confidence_wanted_is_never_less_given(p: Numbers, counted: int, one: float, other: float) -> None:
    n = counted % len(p)
    low, high = sorted((one, other))
    assert with_confidence(p, n, low)[n] <= with_confidence(p, n, high)[n] + 1e-12


def test_doubt_goes_to_counts_near_the_one_found() -> None:
    p = np.zeros(31)
    p[4], p[5], p[6] = 0.999, 0.001, 1e-9
    q = with_confidence(p, 4, 0.6)
    assert q[4] == pytest.approx(0.6)
    assert q[5] > 0.25
    assert q[12:].sum() < 1e-3
