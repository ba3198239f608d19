"""The same figures with and without ageing error: ages as given, by each fish's probabilities, by an audit's matrix."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.fish_records import Fish
from pipeline.growth.ages import Ages, ReadingError, as_given, by_matrix, by_probability, shares
from pipeline.growth.curve_fit import CurveDemands, CurveFit, Tick, curve_fit
from pipeline.growth.curves import VON_BERTALANFFY
from pipeline.growth.maturity import Maturity, maturity
from pipeline.growth.mortality import Mortality, catch_curve
from pipeline.records import MACHINE, Numbers

AS_GIVEN, PROBABILITIES, MATRIX = "as given", "by each fish's probabilities", "by the audit's matrix"
MOST_STEPS = 30
"""Alternations of the maturity curve; after a few it stands still."""
LEAST_PART = 1e-4
"""Of a fish; a smaller chance of an age is left out of the maturity curve."""


@dataclass(frozen=True, slots=True, kw_only=True)
class UnderAges:
    """What follows from one way to take the ages of a group."""

    ages: str
    """`AS_GIVEN`, `PROBABILITIES` or `MATRIX`."""
    curve: CurveFit
    """Von Bertalanffy's."""
    mortality: Mortality
    maturity: Maturity
    """Over age."""


def ways_to_take_ages(fish: Sequence[Fish], matrix: ReadingError | None) -> dict[str, Ages]:
    """As given, always; the others where there is something to go by. All fish must have an age class."""
    ways = {AS_GIVEN: as_given(fish)}
    if not (own := by_probability(fish)).certain:
        ways[PROBABILITIES] = own
    if matrix is not None and any(f.counted_by == MACHINE for f in fish):
        ways[MATRIX] = by_matrix(fish, matrix)
    return ways


def best_way(ways: dict[str, Ages]) -> str:
    """The way that a group's own figures rest on: each fish's probabilities where there are any."""
    return PROBABILITIES if PROBABILITIES in ways else AS_GIVEN


def under_ages(
    name: str, ages: Ages, fish: Sequence[Fish], limits: CurveDemands, after_peak: int, tick: Tick
) -> UnderAges:
    """The figures that follow from ages taken in one way; `ages` has a row for each fish."""
    long = np.array([bool(f.length_mm) for f in fish], bool)
    length = np.array([f.length_mm for f in fish if f.length_mm], np.float64)
    measured = Ages(ages=ages.ages, chance=ages.chance[long], likelihood=ages.likelihood)
    share = shares(ages)
    return UnderAges(
        ages=name,
        curve=curve_fit(VON_BERTALANFFY, length, measured, limits, tick),
        mortality=catch_curve(ages.ages, share * len(fish), after_peak),
        maturity=_maturity(fish, ages, share),
    )


def _maturity(fish: Sequence[Fish], ages: Ages, share: Numbers) -> Maturity:
    """A curve over ages that may be uncertain: fish shared out over their ages, given whether they are mature."""
    known = np.array([f.maturity in ("immature", "mature") for f in fish], bool)
    mature = np.array([f.maturity == "mature" for f in fish], bool)[known]
    chance = ages.chance[known] * (share if ages.likelihood else 1.0)
    if not known.any():
        return maturity("age", np.zeros(0), np.zeros(0))
    chance = chance / chance.sum(axis=1, keepdims=True)
    years = ages.ages.astype(np.float64)
    found, part = _over_ages(years, chance, mature), chance
    for _ in range(0 if ages.certain else MOST_STEPS):
        if found.refused:
            break
        grown = found.share(years)
        part = chance * np.where(mature[:, None], grown, 1 - grown)
        part = part / part.sum(axis=1, keepdims=True)
        before, found = found, _over_ages(years, part, mature)
        if found.half.value is None or abs(found.half.value - (before.half.value or 0.0)) < 1e-4:
            break
    return found


def _over_ages(years: Numbers, part: Numbers, mature: np.ndarray) -> Maturity:
    number = np.concatenate([part[mature].sum(axis=0), part[~mature].sum(axis=0)])
    used = number > LEAST_PART * part.shape[0]
    kind = np.repeat([1.0, 0.0], years.size)
    return maturity("age", np.tile(years, 2)[used], kind[used], number[used])
