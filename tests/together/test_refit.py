"""Refitted weights learn what is other in a water, leave alone what is not, and say truly what they are worth."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from odd_water import odd_bones
from reading import SETTINGS

from pipeline.settings.whole import Settings
from pipeline.together.judge import judge
from pipeline.together.refit import (
    BONES_A_BIN,
    FOLDS,
    CountedByPeople,
    Gain,
    Refit,
    at_most,
    calibration_error,
    clustered_gain,
    consensus,
    folds,
    refit,
)

QUICK = SETTINGS.model_copy(update={"refit": SETTINGS.refit.model_copy(update={"iterations": 10})})
ODD = 1.7
"""Standard deviations by which marks of the odd water look fainter: half of the counts are then missed as shipped."""


@lru_cache(maxsize=8)
def known(number: int, seed: int, fainter: float) -> tuple[CountedByPeople, ...]:
    return tuple(
        CountedByPeople(specimen=row, reading=reading, annuli=annuli)
        for row, reading, annuli in odd_bones(number, seed, fainter=fainter)
    )


@lru_cache(maxsize=2)
def of_odd_water(fainter: float = ODD) -> Refit:
    return refit(known(120, 3, fainter), QUICK)  # of fewer bones the calibration error is mostly chance


def exact(bones: tuple[CountedByPeople, ...], settings: Settings) -> float:
    judged = judge([(b.specimen, b.reading) for b in bones], settings)
    return float(np.mean([j.annuli == b.annuli for j, b in zip(judged, bones, strict=True)]))


# ------------------------------------------------------------------------------------------------ what it gains
def test_what_is_other_in_a_water_is_learnt_from_its_readings():
    found, others = of_odd_water(), known(80, 2, ODD)
    assert exact(others, QUICK) < 0.6
    assert exact(others, found.settings) > 0.85
    assert found.exact_gain.is_sure
    assert found.log_gain.is_sure
    assert not found.is_loss


def test_the_gain_that_cross_validation_promises_is_that_on_bones_never_seen():
    found, others = of_odd_water(), known(80, 2, ODD)
    gained = exact(others, found.settings) - exact(others, QUICK)
    # Both are shares of some seventy bones: three standard errors of their difference.
    assert gained == pytest.approx(found.exact_gain.mean, abs=3 * 2**0.5 * found.exact_gain.standard_error)
    assert found.exact_gain.mean == pytest.approx(found.after.exact - found.before.exact)


def test_the_confidence_follows_the_readings():
    assert of_odd_water().before.calibration_error > 0.1
    assert of_odd_water().after.calibration_error < 0.05


def test_where_nothing_is_other_nothing_is_lost():
    found, others = of_odd_water(0.0), known(80, 3, 0.0)
    assert not found.is_loss
    assert exact(others, found.settings) >= exact(others, QUICK) - 0.02


def test_weights_stay_near_the_shipped_ones_and_keep_their_names():
    found = of_odd_water().settings
    freedom = QUICK.refit
    moved = np.abs(np.subtract(found.evidence.weights, QUICK.evidence.weights))
    assert 0 < moved.max() < 6 * freedom.evidence_spread
    assert found.count.weights.keys() == QUICK.count.weights.keys()
    assert len(found.confidence.weights) == len(QUICK.confidence.weights)
    changed = {name for name in type(found).model_fields if getattr(found, name) != getattr(QUICK, name)}
    assert changed == {"evidence", "count", "confidence"}


def test_the_same_readings_give_the_same_weights():
    assert refit(known(120, 3, ODD), QUICK) == of_odd_water()


def test_swapped_ids_among_the_readings_do_not_spoil_the_rest():
    bones = list(known(60, 3, ODD))
    for k in range(6):
        wrong = 14 + k
        bones[10 * k] = replace(bones[10 * k], annuli=wrong)
    found = refit(bones, QUICK)
    assert exact(known(80, 2, ODD), found.settings) > 0.8


def test_a_count_beyond_what_any_fish_has_is_wrong_but_no_fault():
    bones = [*known(24, 4, ODD)[:23], replace(known(24, 4, ODD)[23], annuli=99)]
    assert np.isfinite(refit(bones, QUICK).log_gain.mean)


# ------------------------------------------------------------------------------------------------ cross-validation
@given(st.lists(st.sampled_from("abcdefghij"), min_size=2, max_size=60))
def test_bones_of_one_scan_are_never_apart(scans):
    fold = folds(scans)
    assert len({(s, f) for s, f in zip(scans, fold, strict=True)}) == len(set(scans))
    assert set(fold) == set(range(min(FOLDS, len(set(scans)))))


@given(st.lists(st.sampled_from("abcdefghij"), min_size=2, max_size=60), st.randoms())
def test_the_parts_do_not_depend_on_the_order_of_the_bones(scans, random):
    order = list(range(len(scans)))
    random.shuffle(order)
    assert [folds(scans)[k] for k in order] == list(folds([scans[k] for k in order]))


def test_parts_are_of_like_size_where_scans_are():
    sizes = np.bincount(folds([f"s{n}" for n in range(103)]))
    assert sizes.max() - sizes.min() <= 1


def test_of_too_many_bones_the_same_ones_are_drawn_whatever_their_order():
    bones = known(60, 3, ODD)
    few = at_most(bones, 20)
    assert len(few) == 20
    assert {id(b) for b in at_most(bones[::-1], 20)} == {id(b) for b in few}
    assert at_most(bones, 100) == list(bones)


# ------------------------------------------------------------------------------------------------ figures
@given(st.lists(st.sampled_from([-1.0, 0.0, 1.0]), min_size=3, max_size=30), st.integers(1, 4))
def test_bones_of_one_scan_that_go_together_count_as_one(differences, copies):
    alone = clustered_gain(np.array(differences), [f"s{n}" for n in range(len(differences))])
    repeated = clustered_gain(
        np.repeat(differences, copies), [f"s{n}" for n in range(len(differences)) for _ in range(copies)]
    )
    assert repeated.mean == pytest.approx(alone.mean)
    assert repeated.standard_error == pytest.approx(alone.standard_error)
    # Bones on scans of their own: the standard error of a mean, by its textbook formula.
    n = len(differences)
    assert alone.standard_error == pytest.approx(np.std(differences, ddof=1) / n**0.5)


def test_only_what_lies_beyond_chance_is_called_a_loss():
    assert Gain(mean=-0.05, standard_error=0.02).is_loss
    assert not Gain(mean=-0.03, standard_error=0.02).is_loss
    assert Gain(mean=0.05, standard_error=0.02).is_sure
    assert not Gain(mean=0.0, standard_error=0.0).is_loss


def test_confidence_that_comes_true_has_no_calibration_error():
    random = np.random.default_rng(5)
    confidence = random.uniform(0.5, 1, 20_000)
    right = random.random(20_000) < confidence
    assert calibration_error(confidence, right) < 0.02
    assert calibration_error(np.full(BONES_A_BIN, 0.9), np.zeros(BONES_A_BIN, bool)) == pytest.approx(0.9)
    assert calibration_error(np.array([1.0, 0.0]), np.array([True, False])) == 0.0


# ------------------------------------------------------------------------------------------------ consensus
@pytest.mark.parametrize(
    ("answers", "agreed"),
    [
        ((4,), 4),
        ((4, 4, 5), 4),
        ((4, None, 5, 5), 5),
        ((2, 3, 4), 3),
        ((3, 5), 4),
        ((3, 3, 5, 5), 4),
        ((0, 0, 9), 0),
        ((None, 0), 0),
    ],
)
def test_readers_agree_on_the_commonest_count_and_on_the_median_when_several_are(answers, agreed):
    row = np.array([[np.nan if a is None else a for a in answers]])
    assert consensus(["x"], row) == {"x": agreed}


def test_between_two_years_the_lot_decides_and_favours_neither():
    names = [f"W{n}" for n in range(400)]
    found = consensus(names, np.tile([3.0, 4.0], (400, 1)))
    assert set(found.values()) == {3, 4}
    assert np.mean(list(found.values())) == pytest.approx(3.5, abs=4 * 0.5 / 400**0.5)
    assert consensus(names[:1], np.array([[3.0, 4.0]]))["W0"] == found["W0"]


def test_who_could_not_age_a_bone_says_nothing_of_it():
    assert consensus(["x", "y"], np.array([[np.nan, np.nan], [np.nan, 2.0]])) == {"y": 2}
