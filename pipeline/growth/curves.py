"""Growth curves and their least-squares fit to mean lengths at age.

A curve fitted to the fish of each age, weighted by their number, is the curve fitted to the single fish: least squares
needs no more than number and mean of each age.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.optimize import least_squares

from pipeline.records import Numbers

RATES = (0.05, 0.15, 0.4, 1.0)
"""Growth rates (1/year) that the search starts from: from old, slow walleye to fish grown in two years."""
MOST_EVALUATIONS = 400
BEYOND_SENSE = 20.0
"""Times the largest mean length; a fit that runs to a larger asymptote has none."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Curve:
    """A growth curve: mean length (mm) at age (years)."""

    name: str
    title: str
    formula: str
    parameters: tuple[str, ...]
    asymptotic: bool
    """The first parameter is the length that old fish approach."""
    length: Callable[[Numbers, Numbers], Numbers]
    """Mean length (mm) at ages, given the parameters."""
    slopes: Callable[[Numbers, Numbers], Numbers]
    """(age, parameter): derivatives of the length."""
    starts: Callable[[Numbers, Numbers, Numbers], list[Numbers]]
    """Parameters to start from, given ages, weights and mean lengths."""


def fitted(curve: Curve, ages: Numbers, weight: Numbers, mean: Numbers, start: Numbers | None = None) -> Numbers | None:
    """Parameters with the least weighted sum of squares; None when there are too few ages or no asymptote.

    `weight` is the number of fish of each age, which need not be whole; `mean` their mean length (mm).
    """
    used = weight > 1e-9
    ages, root, mean = ages[used], np.sqrt(weight[used]), mean[used]
    if ages.size < len(curve.parameters):
        return None

    def residuals(p: Numbers) -> Numbers:
        return np.asarray(root * (curve.length(ages, p) - mean))

    def slopes(p: Numbers) -> Numbers:
        return np.asarray(root[:, None] * curve.slopes(ages, p))

    best, least = None, np.inf
    for begin in [start] if start is not None else curve.starts(ages, root, mean):
        found = least_squares(
            residuals,
            begin,
            jac=slopes,
            method="lm",
            x_scale=np.maximum(np.abs(begin), 1e-3),
            max_nfev=MOST_EVALUATIONS,
        )
        sensible = np.isfinite(found.x).all() and (
            not curve.asymptotic or (0 < found.x[0] < BEYOND_SENSE * mean.max() and found.x[1] > 0)
        )
        if found.success and sensible and found.cost < least:
            best, least = found.x, float(found.cost)
    return best


def _straight(rates: Numbers, height: Numbers, root: Numbers) -> tuple[float, float]:
    """Intercept A and slope B of height = A - B * rates by weighted least squares."""
    design = np.column_stack([root, -root * rates])
    (a, b), *_ = np.linalg.lstsq(design, root * height, rcond=None)
    return float(a), float(b)


def _von_bertalanffy_starts(ages: Numbers, root: Numbers, mean: Numbers) -> list[Numbers]:
    # For a given rate the curve is a straight line in exp(-k t): its intercept is the asymptote.
    out = []
    for k in RATES:
        a, b = _straight(np.exp(-k * ages), mean, root)
        if a > 0 and b > 0:
            out.append(np.array([a, k, np.log(b / a) / k]))
    return out or [np.array([1.5 * mean.max(), RATES[1], 0.0])]


def _gompertz_starts(ages: Numbers, root: Numbers, mean: Numbers) -> list[Numbers]:
    out = []
    for g in RATES:
        a, b = _straight(np.exp(-g * ages), np.log(np.maximum(mean, 1e-6)), root)
        if b > 0:
            out.append(np.array([np.exp(min(a, 20.0)), g, np.log(b) / g]))
    return out or [np.array([1.5 * mean.max(), RATES[1], 0.0])]


def _decay(rate: float, time: Numbers) -> Numbers:
    """exp(-rate * time), kept finite while a search strays."""
    return np.asarray(np.exp(np.clip(-rate * time, -60.0, 60.0)))


def _von_bertalanffy(t: Numbers, p: Numbers) -> Numbers:
    return np.asarray(p[0] * (1 - _decay(p[1], t - p[2])))


def _von_bertalanffy_slopes(t: Numbers, p: Numbers) -> Numbers:
    decay = _decay(p[1], t - p[2])
    return np.column_stack([1 - decay, p[0] * (t - p[2]) * decay, -p[0] * p[1] * decay])


def _gompertz(t: Numbers, p: Numbers) -> Numbers:
    return np.asarray(p[0] * np.exp(-_decay(p[1], t - p[2])))


def _gompertz_slopes(t: Numbers, p: Numbers) -> Numbers:
    decay = _decay(p[1], t - p[2])
    share = np.exp(-decay)
    return np.column_stack([share, p[0] * share * decay * (t - p[2]), -p[0] * share * decay * p[1]])


VON_BERTALANFFY = Curve(
    name="von_bertalanffy",
    title="von Bertalanffy",
    formula="L = linf (1 - exp(-k (t - t0)))",
    parameters=("linf", "k", "t0"),
    asymptotic=True,
    length=_von_bertalanffy,
    slopes=_von_bertalanffy_slopes,
    starts=_von_bertalanffy_starts,
)
GOMPERTZ = Curve(
    name="gompertz",
    title="Gompertz",
    formula="L = linf exp(-exp(-g (t - ti)))",
    parameters=("linf", "g", "ti"),
    asymptotic=True,
    length=_gompertz,
    slopes=_gompertz_slopes,
    starts=_gompertz_starts,
)
LINE = Curve(
    name="straight_line",
    title="straight line",
    formula="L = l0 + slope t",
    parameters=("l0", "slope"),
    asymptotic=False,
    length=lambda t, p: np.asarray(p[0] + p[1] * t),
    slopes=lambda t, p: np.column_stack([np.ones_like(t), t]),
    starts=lambda t, root, mean: [np.array([mean.min(), 10.0])],
)
