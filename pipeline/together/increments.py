"""The increment to expect beyond the last annulus, from those before it and the species' growth."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike

from pipeline.records import MM_PER_INCH, Numbers
from pipeline.settings.second_pass import GrowthSettings

LAST_WEIGHT = 0.6
"""Weight of the last increment against the one before it when the next is foretold: both are about equally noisy, but
good and poor times last longer than a year."""


def increment_expected(
    radii: Sequence[float],
    radius: float,
    growth: GrowthSettings,
    *,
    length_mm: float | None = None,
    dpi: float | None = None,
    first_year_length_mm: float | None = None,
) -> float | None:
    """The whole increment expected beyond the last annulus, in the unit of `radii` (pixels where `dpi` is given).

    `radii` are those of the counted annuli, the smallest first, `radius` that of the margin. Two annuli or more: their
    own spacing, carried on (`next_increment`). One: the species' second year, relative to its first, on this bone.
    None: the radius at the end of the first year, from the fish's length in proportion (Dahl-Lea), else from the
    resolution; None when neither is known. `first_year_length_mm` replaces the species' when the run knows better.
    """
    first_mm = first_year_length_mm or growth.first_year_length_mm
    if not radii:
        if length_mm:
            return radius * first_mm / length_mm
        return growth.bone_share_of_length * first_mm * dpi / MM_PER_INCH if dpi else None
    second = radii[0] * second_year_share(growth, first_mm)
    if len(radii) == 1:
        return second
    # With two annuli the second year as foretold stands in for what went before: a year earlier on the same curve.
    before = radii[-2] - radii[-3] if len(radii) > 2 else second * math.exp(growth.growth_rate)
    return float(next_increment(before, radii[-1] - radii[-2], growth.growth_rate))


def second_year_share(growth: GrowthSettings, first_year_length_mm: float) -> float:
    """Second year's growth over that of the first, on the von Bertalanffy curve through the first-year length."""
    left = max(growth.largest_length_mm - first_year_length_mm, first_year_length_mm / 10)
    return left * -math.expm1(-growth.growth_rate) / first_year_length_mm


def next_increment(before: ArrayLike, last: ArrayLike, growth_rate: ArrayLike) -> Numbers:
    """The increment to follow two others, any unit and shape; each is carried on at the species' rate.

    On a von Bertalanffy curve each increment is exp(-growth_rate) times the one before. Weighted mean of logarithms.
    """
    tiny = 1e-6
    log_last = np.log(np.maximum(np.asarray(last, dtype=np.float64), tiny)) - np.asarray(growth_rate)
    log_before = np.log(np.maximum(np.asarray(before, dtype=np.float64), tiny)) - 2 * np.asarray(growth_rate)
    return np.asarray(np.exp(LAST_WEIGHT * log_last + (1 - LAST_WEIGHT) * log_before))


def margin_share(radii: Sequence[float], radius: float, expected: float | None) -> float:
    """Growth beyond the last annulus (beyond the focus without any) over the increment expected; NaN when not known."""
    if not expected or expected <= 0:
        return math.nan
    return max(radius - (radii[-1] if radii else 0.0), 0.0) / expected
