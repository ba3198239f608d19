"""How closely readings of one bone lie together: agreement, average percent error, coefficient of variation, D."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.audit.intervals import mean_of_rare, share
from pipeline.estimate import NO_FIGURE, Estimate
from pipeline.records import Numbers

"""(bone, reading): annuli; NaN where there is no reading."""

COMMON_STEP = 90.0
"""Percentile, over the bones, of what a difference of one year would add. High, so that young bones, where a year
weighs most, are not forgotten when none of them happens to differ; not the highest, which one bone would decide."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Precision:
    """Agreement and spread over bones with two readings or more. Shares 0 to 1; the rest percent."""

    bones: int
    exact: Estimate
    """All readings of the bone equal."""
    within_1: Estimate
    """Highest and lowest reading of the bone at most one apart."""
    ape: Estimate
    cv: Estimate
    d: Estimate
    both_zero: int
    """Bones where every reading is 0: each adds 0 to ape, cv and d, where the formula has 0/0."""


def precision(counts: Numbers) -> Precision:
    """Agreement and spread; bones with fewer than two readings are left out.

    Per bone with R readings, mean m and standard deviation s (R - 1 in the divisor): APE = 100 mean(|x - m|) / m
    (Beamish and Fournier 1981), CV = 100 s / m and D = CV / sqrt(R) (Chang 1982); each averaged over bones.
    """
    counts = counts[(~np.isnan(counts)).sum(axis=1) >= 2]
    bones = len(counts)
    if bones == 0:
        return Precision(
            bones=0, exact=NO_FIGURE, within_1=NO_FIGURE, ape=NO_FIGURE, cv=NO_FIGURE, d=NO_FIGURE, both_zero=0
        )
    low, high = np.nanmin(counts, axis=1), np.nanmax(counts, axis=1)
    ape, cv, d = spread_of_each(counts)
    step = _one_year_more(counts, low.min())
    return Precision(
        bones=bones,
        exact=share(int((high == low).sum()), bones),
        within_1=share(int((high - low <= 1).sum()), bones),
        ape=mean_of_rare(ape, step[0]),
        cv=mean_of_rare(cv, step[1]),
        d=mean_of_rare(d, step[2]),
        both_zero=int((high == 0).sum()),
    )


def spread_of_each(counts: Numbers) -> tuple[Numbers, Numbers, Numbers]:
    """APE, CV and D of each bone, percent; (bone,). Bones whose readings are all 0 get 0."""
    readings = (~np.isnan(counts)).sum(axis=1)
    mean = np.nanmean(counts, axis=1)
    away = counts - mean[:, None]
    divisor = np.where(mean > 0, mean, 1.0)
    ape = 100 * np.nanmean(np.abs(away), axis=1) / divisor
    cv = 100 * np.sqrt(np.nansum(away**2, axis=1) / (readings - 1)) / divisor
    return ape, cv, cv / np.sqrt(readings)


def _one_year_more(counts: Numbers, lowest: float) -> tuple[float, float, float]:
    """APE, CV and D that a bone would commonly have if one of its readings were one year off, up or down."""
    middle = np.nanmedian(counts, axis=1)
    shape = np.broadcast_to(middle[:, None], counts.shape)
    ideal = np.where(np.isnan(counts), np.nan, shape)
    first = np.argmax(~np.isnan(counts), axis=1)
    rows = np.arange(len(counts))
    off = []
    for year in (1.0, -1.0):
        moved = ideal.copy()
        moved[rows, first] += year
        # A year down from the lowest count in use is no mistake that anyone makes.
        off.append(moved if year > 0 else moved[middle - 1 >= lowest])
    ape, cv, d = (float(np.percentile(values, COMMON_STEP)) for values in spread_of_each(np.concatenate(off)))
    return ape, cv, d
