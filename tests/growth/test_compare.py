"""One curve for two groups or one for each; and their lengths at each age."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats
from scipy.optimize import curve_fit

from pipeline.fish_records import Fish
from pipeline.growth.compare import curves_alike, differences


def group(random: np.random.Generator, linf: float, n: int = 150) -> list[Fish]:
    age = random.integers(1, 10, n)
    length = linf * (1 - np.exp(-0.3 * (age + 0.3))) + random.normal(0, 25, n)
    return [
        Fish(fish=f"{linf}-{i}", species="walleye", water="a", age_class=int(a), length_mm=float(x))
        for i, (a, x) in enumerate(zip(age, length, strict=True))
    ]


def test_the_likelihood_ratio_is_that_of_normal_likelihoods_maximised_by_another_search():
    # Kimura 1980: -2 ln(likelihood ratio) = N ln(RSS together / RSS apart); here from the likelihoods themselves.
    random = np.random.default_rng(1)
    a, b = group(random, 600), group(random, 560)

    def squares(fish: list[Fish]) -> float:
        t, x = (np.array(v, float) for v in zip(*[(f.age_class, f.length_mm) for f in fish], strict=True))
        p, _ = curve_fit(lambda t, linf, k, t0: linf * (1 - np.exp(-k * (t - t0))), t, x, [500, 0.3, 0])
        return float(((x - p[0] * (1 - np.exp(-p[1] * (t - p[2])))) ** 2).sum())

    n, together, apart = 300, squares([*a, *b]), squares(a) + squares(b)
    log_likelihood = [-n / 2 * (np.log(2 * np.pi * s / n) + 1) for s in (together, apart)]
    found = curves_alike({"a": a, "b": b})
    assert found.statistic == pytest.approx(2 * (log_likelihood[1] - log_likelihood[0]), rel=1e-4)
    assert (found.df, found.n) == (3, 300)
    assert found.p == pytest.approx(stats.chi2.sf(found.statistic, 3))


def test_groups_of_one_kind_rarely_differ_and_groups_of_two_kinds_do():
    random = np.random.default_rng(2)
    same = [curves_alike({"a": group(random, 600), "b": group(random, 600)}).p < 0.05 for _ in range(100)]
    other = [curves_alike({"a": group(random, 600), "b": group(random, 540)}).p < 0.05 for _ in range(20)]
    assert sum(same) <= 12  # of 100 at 5 %: more than 12 once in 700
    assert sum(other) >= 19


def test_length_at_an_age_differs_by_what_it_was_drawn_to():
    random = np.random.default_rng(3)
    rows = differences({"a": group(random, 600, 900), "b": group(random, 540, 900)})
    old = next(d for d in rows if d.age_class == 9)
    assert old.difference_mm.low < -60 * (1 - np.exp(-0.3 * 9.3)) < old.difference_mm.high
    assert old.p <= old.p_adjusted < 0.05


def test_a_group_of_too_few_ages_is_not_compared():
    random = np.random.default_rng(4)
    few = [f for f in group(random, 600) if f.age_class <= 3]
    assert "too few ages for a curve of b" in curves_alike({"a": group(random, 600), "b": few}).refused
    assert curves_alike({"a": few}).refused == "there is only one group"
