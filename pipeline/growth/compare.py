"""Do two or more groups of fish grow alike? One curve for all against one for each, and length at each age.

Likelihood ratio N ln(RSS together / RSS apart), chi-squared with the parameters saved as degrees of freedom (Kimura
1980). Ages are taken as given.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from scipy import stats
from statsmodels.stats.multitest import multipletests

from pipeline.estimate import LEVEL, Estimate
from pipeline.fish_records import Fish
from pipeline.growth.curve_fit import residual_squares
from pipeline.growth.curves import VON_BERTALANFFY, Curve

LEAST_AT_AN_AGE = 3
"""Fish of each group at an age, below which their means are not compared."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CurvesAlike:
    """One curve for all groups against one for each."""

    curve: Curve
    groups: tuple[str, ...]
    n: int
    statistic: float | None = None
    df: int = 0
    p: float | None = None
    refused: str = ""
    """Why they are not compared; blank when they are."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """Mean length at one age in one group less that in another."""

    a: str
    b: str
    age_class: int
    n_a: int
    n_b: int
    difference_mm: Estimate
    """b less a, with Welch's interval."""
    p: float
    p_adjusted: float
    """For all ages looked at in these two groups (Holm)."""


def curves_alike(groups: Mapping[str, Sequence[Fish]], curve: Curve = VON_BERTALANFFY) -> CurvesAlike:
    """Compare the curves of groups by likelihood ratio. Fish without length or age do not count."""
    used = {name: _pairs(fish) for name, fish in groups.items()}
    names, n = tuple(used), sum(len(pairs) for pairs in used.values())
    empty = [name for name, pairs in used.items() if len({age for age, _ in pairs}) < len(curve.parameters) + 1]
    none = [name for name, pairs in used.items() if not pairs]
    if none:
        why = f"no fish of {' or '.join(none)} has both a length and an age"
        return CurvesAlike(curve=curve, groups=names, n=n, refused=why)
    if len(used) < 2:
        return CurvesAlike(curve=curve, groups=names, n=n, refused="there is only one group")
    if empty:
        why = f"too few ages for a curve of {' and of '.join(empty)}"
        return CurvesAlike(curve=curve, groups=names, n=n, refused=why)
    arrays = [(np.array([a for a, _ in p], np.int64), np.array([x for _, x in p], np.float64)) for p in used.values()]
    apart = [residual_squares(curve, length, age) for age, length in arrays]
    together = residual_squares(
        curve, np.concatenate([length for _, length in arrays]), np.concatenate([age for age, _ in arrays])
    )
    known = [x for x in apart if x is not None]
    if together is None or len(known) < len(apart):
        return CurvesAlike(curve=curve, groups=names, n=n, refused="a group's lengths do not level off with age")
    statistic = n * float(np.log(together / sum(known)))
    df = len(curve.parameters) * (len(apart) - 1)
    return CurvesAlike(
        curve=curve, groups=names, n=n, statistic=max(statistic, 0.0), df=df, p=float(stats.chi2.sf(statistic, df))
    )


def differences(groups: Mapping[str, Sequence[Fish]]) -> tuple[Difference, ...]:
    """Mean length at each age, each group against each other that comes after it."""
    by_age = {name: _by_age(_pairs(fish)) for name, fish in groups.items()}
    return tuple(d for a, b in combinations(by_age, 2) for d in _differences(a, b, by_age[a], by_age[b]))


def _differences(a: str, b: str, of_a: _Lengths, of_b: _Lengths) -> list[Difference]:
    ages = [age for age in sorted(of_a.keys() & of_b.keys()) if min(len(of_a[age]), len(of_b[age])) >= LEAST_AT_AN_AGE]
    tests = [stats.ttest_ind(of_b[age], of_a[age], equal_var=False) for age in ages]
    adjusted = _holm([float(t.pvalue) for t in tests])
    out = []
    for age, test, p in zip(ages, tests, adjusted, strict=True):
        interval = test.confidence_interval(LEVEL)
        gap = float(np.mean(of_b[age]) - np.mean(of_a[age]))
        out.append(
            Difference(
                a=a,
                b=b,
                age_class=age,
                n_a=len(of_a[age]),
                n_b=len(of_b[age]),
                difference_mm=Estimate(gap, float(interval.low), float(interval.high)),
                p=float(test.pvalue),
                p_adjusted=p,
            )
        )
    return out


_Lengths = dict[int, list[float]]


def _pairs(fish: Sequence[Fish]) -> list[tuple[int, float]]:
    return [(f.age_class, f.length_mm) for f in fish if f.age_class is not None and f.length_mm]


def _by_age(pairs: Sequence[tuple[int, float]]) -> _Lengths:
    out: _Lengths = {}
    for age, length in pairs:
        out.setdefault(age, []).append(length)
    return out


def _holm(p: Sequence[float]) -> list[float]:
    return [] if not p else [float(x) for x in multipletests(p, method="holm")[1]]
