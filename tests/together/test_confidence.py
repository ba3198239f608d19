"""Calibration changes how sure a count is, never which count it is."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from reading import SETTINGS, read_natural

from pipeline.counting.chains import bone_of
from pipeline.counting.count import count_annuli
from pipeline.counting.sequence import Numbers
from pipeline.records import Specimen
from pipeline.together.confidence import (
    CONFIDENCE,
    FIRST_YEAR,
    at_confidence,
    calibrated,
    confidence_features,
    first_year_doubt,
    first_year_features,
)

steady = settings(deadline=None, derandomize=True)
wanted_shares = st.floats(0.02, 0.999)


@st.composite
def distributions(draw: st.DrawFn) -> Numbers:
    """Of the count, from 0 on; the least probable counts are a thousand times less so than the likeliest."""
    weight = np.exp(draw(st.lists(st.floats(-7, 0), min_size=2, max_size=31)))
    return np.asarray(weight / weight.sum())


@given(distributions(), wanted_shares)
@steady
def test_the_mode_stays_the_mode(p: Numbers, wanted: float) -> None:
    q = at_confidence(p, wanted)
    assert q.sum() == pytest.approx(1)
    assert q[p.argmax()] == pytest.approx(q.max())


@given(distributions(), wanted_shares)
@steady
def test_the_mode_gets_the_probability_wanted_unless_it_would_be_the_mode_no_more(p: Numbers, wanted: float) -> None:
    q = at_confidence(p, wanted)
    mode = p.argmax()
    if wanted < p[mode]:
        second = np.delete(q, mode).max()
        assert q[mode] == pytest.approx(wanted, abs=1e-6) or second <= q[mode] <= 1.05 * second + 0.01


def test_doubt_goes_to_counts_near_the_one_found_and_never_to_impossible_ones() -> None:
    p = np.zeros(31)
    p[4], p[5], p[6] = 0.999, 0.001, 1e-9
    q = at_confidence(p, 0.6)
    assert q[4] == pytest.approx(0.6)
    assert q[5] > 0.3
    assert q[p == 0].sum() == 0


@given(distributions(), wanted_shares, wanted_shares)
@steady
def test_more_confidence_wanted_is_never_less_given(p: Numbers, one: float, other: float) -> None:
    low, high = sorted((one, other))
    assert at_confidence(p, low).max() <= at_confidence(p, high).max() + 1e-9


@given(distributions())
@steady
def test_a_distribution_that_is_right_already_stays_as_it_is(p: Numbers) -> None:
    assume(len(np.unique(np.round(p, 6))) > 1)
    assert at_confidence(p, float(p.max())) == pytest.approx(p, abs=1e-6)


def test_counts_that_are_equally_probable_stay_so() -> None:
    assert at_confidence(np.array([0.1, 0.4, 0.4, 0.1]), 0.95)[1:3] == pytest.approx([0.5, 0.5], abs=1e-3)


# ------------------------------------------------------------------------------------------------ bones
@pytest.mark.parametrize("annuli", [0, 1, 4])
def test_doubt_about_focus_or_kind_of_thing_lowers_confidence_and_keeps_the_count(annuli: int) -> None:
    _, read = read_natural(annuli)
    specimen = Specimen(specimen="a", scan="drawn.png")
    bone = bone_of(specimen, read.reading, SETTINGS)
    (count,) = count_annuli([bone], SETTINGS)
    plain = calibrated(count, bone, read.reading, SETTINGS)
    for trait in ("focus_certainty", "likeness"):
        doubtful = replace(read.reading, traits=read.reading.traits | {trait: 0.05})
        doubted = calibrated(count, bone, doubtful, SETTINGS)
        assert doubted.argmax() == plain.argmax() == annuli
        assert doubted.max() <= plain.max() + 1e-9, trait


@pytest.mark.parametrize("annuli", [0, 1, 5])
def test_every_number_that_confidence_is_read_from_is_named_and_finite(annuli: int) -> None:
    _, read = read_natural(annuli)
    bone = bone_of(Specimen(specimen="a", scan="drawn.png"), read.reading, SETTINGS)
    (count,) = count_annuli([bone], SETTINGS)
    for features, names in (
        (confidence_features(count, bone, read.reading), CONFIDENCE),
        (first_year_features(count, bone, read.reading), FIRST_YEAR),
    ):
        assert features.shape == (len(names),)
        assert np.isfinite(features).all()
    assert 0 <= first_year_doubt(count, bone, read.reading, SETTINGS) <= 1


def test_a_first_mark_at_the_place_of_the_second_year_is_doubted() -> None:
    # The same marks, in a run whose fish were half as long at their first annulus.
    _, read = read_natural(4)
    specimen = Specimen(specimen="a", scan="drawn.png", length_mm=360.0)
    doubts = []
    for share in (1.0, 0.5):
        own = 360.0 * read.age.marks[0].fraction * share
        bone = bone_of(specimen, read.reading, SETTINGS, own)
        (count,) = count_annuli([bone], SETTINGS)
        doubts.append(first_year_doubt(count, bone, read.reading, SETTINGS))
    assert doubts[1] > doubts[0]
