"""The ageing error matrix: how probable each machine count is, given the reference age.

Smoothed as far as the data ask for it and no further. A curve (mean and spread of the count, each a straight line in
the reference age) says what a row would be without any bones of that age; the row's own bones then pull it to what they
show. How hard they pull is fitted too: where the curve is right the rows follow it, where it is wrong they follow the
bones.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special
from scipy.optimize import minimize

from pipeline.records import Numbers

FEWEST_BONES = 30
"""Bones below which no matrix is given: four numbers of a curve cannot be fitted to fewer."""
FEWEST_AGES = 3
"""Reference ages below which no line through ages is fitted."""
LEAST_SPREAD = 0.15
"""Annuli; standard deviation below which a whole-number count no longer changes."""
PULLS = np.geomspace(1.0, 10_000.0, 41)
"""Weights of the curve, in bones, that are tried: from none to complete."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ErrorMatrix:
    """Rows are reference ages, columns counts; every row of `probability` sums to 1."""

    reference_ages: NDArray[np.int64]
    """(row,): from the lowest to the highest reference age, without gaps."""
    counts: NDArray[np.int64]
    """(column,): from the lowest to the highest count or age, without gaps."""
    seen: NDArray[np.int64]
    """(row, column): bones."""
    probability: Numbers
    """(row, column): smoothed."""
    mean: Numbers
    """(row,): of the smoothed row."""
    sd: Numbers
    """(row,): of the smoothed row."""
    pull: float
    """Bones of one age that weigh as much as the curve."""

    @property
    def borrowed(self) -> NDArray[np.bool_]:
        """(row,): no bone has this reference age, the row is the curve alone."""
        without: NDArray[np.bool_] = self.seen.sum(axis=1) == 0
        return without


def error_matrix(reference: Numbers, counts: Numbers) -> ErrorMatrix | None:
    """From (bone,) reference ages and counts without NaN; None when the bones or their ages are too few."""
    if reference.size < FEWEST_BONES or np.unique(reference).size < FEWEST_AGES:
        return None
    ages = np.arange(int(reference.min()), int(reference.max()) + 1)
    columns = np.arange(int(min(reference.min(), counts.min())), int(max(reference.max(), counts.max())) + 1)
    seen = np.zeros((ages.size, columns.size), np.int64)
    np.add.at(seen, (reference.astype(int) - ages[0], counts.astype(int) - columns[0]), 1)
    curve = _fitted_curve(ages, columns, seen)
    pull = _fitted_pull(seen, curve)
    probability = (seen + pull * curve) / (seen.sum(axis=1, keepdims=True) + pull)
    mean = probability @ columns
    sd = np.sqrt(probability @ columns.astype(np.float64) ** 2 - mean**2)
    return ErrorMatrix(
        reference_ages=ages, counts=columns, seen=seen, probability=probability, mean=mean, sd=sd, pull=pull
    )


def _fitted_curve(ages: NDArray[np.int64], columns: NDArray[np.int64], seen: NDArray[np.int64]) -> Numbers:
    """Normal counts rounded to whole years, by maximum likelihood: bias and log spread linear in age."""
    total = seen.sum()
    gap = columns[None, :] - ages[:, None]
    bias = float((seen * gap).sum() / total)
    spread = max(float(np.sqrt((seen * (gap - bias) ** 2).sum() / total)), LEAST_SPREAD)

    def loss(p: Numbers) -> float:
        return -float((seen * np.log(_rounded_normal(ages, columns, p) + 1e-12)).sum())

    best = minimize(
        loss,
        np.array([bias, 0.0, np.log(spread), 0.0]),
        method="Nelder-Mead",
        options={"xatol": 1e-4, "fatol": 1e-4, "maxiter": 2000},
    )
    return _rounded_normal(ages, columns, best.x)


def _rounded_normal(ages: NDArray[np.int64], columns: NDArray[np.int64], p: Numbers) -> Numbers:
    middle = (ages - ages.mean()) / max(1.0, float(np.ptp(ages)))
    mean = ages + p[0] + p[1] * middle
    spread = np.maximum(np.exp(np.clip(p[2] + p[3] * middle, -5, 5)), LEAST_SPREAD)
    edges = (np.append(columns, columns[-1] + 1)[None, :] - 0.5 - mean[:, None]) / spread[:, None]
    # What lies below the lowest or above the highest count belongs to it.
    edges[:, 0], edges[:, -1] = -np.inf, np.inf
    return np.diff(special.ndtr(edges), axis=1)


def _fitted_pull(seen: NDArray[np.int64], curve: Numbers) -> float:
    """Weight of the curve with the highest Dirichlet-multinomial likelihood of the rows."""

    def log_likelihood(pull: float) -> float:
        prior = pull * np.maximum(curve, 1e-9)
        row = special.gammaln(prior.sum(axis=1)) - special.gammaln(prior.sum(axis=1) + seen.sum(axis=1))
        return float((row + (special.gammaln(prior + seen) - special.gammaln(prior)).sum(axis=1)).sum())

    return float(PULLS[int(np.argmax([log_likelihood(pull) for pull in PULLS]))])
