"""Good and poor years of one species in one water: a chronology from increments.

The logarithm of an increment is what fish of that year of life usually grow, plus what the calendar year gave or took,
plus what the fish is like, plus chance. Year of life and calendar year are fixed effects, the fish is a random one; a
mixed model by restricted likelihood (statsmodels).
"""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from statsmodels.regression.mixed_linear_model import MixedLM, MixedLMParams

from pipeline.estimate import Estimate
from pipeline.growth.estimate import Whole, Z
from pipeline.growth.increments import GrowthHistory
from pipeline.records import Numbers

LEAST_FISH = 20
"""Fish with dated annuli; of fewer, one odd fish would make a good year."""
LEAST_FISH_A_YEAR = 5
"""Fish that have lived through a year, below which it is left out."""
LEAST_YEARS = 3
LEAST_SHARE = 1e-3
"""Variance between fish over that within, from which the search starts at least; at zero it would not move."""


@dataclass(frozen=True, slots=True, kw_only=True)
class YearEffect:
    """How much better or worse than the mean of these years a calendar year was."""

    year: int
    effect: Estimate
    """Natural logarithm of growth over that of a middling year."""
    fish: int
    """Fish with an increment of this year."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Chronology:
    """The years of one species in one water, or why there are none."""

    species: str
    water: str
    years: tuple[YearEffect, ...] = ()
    fish: int = 0
    increments: int = 0
    by_year_of_life: tuple[float, ...] = ()
    """Mean logarithm of the increment (mm) in the 1st, 2nd ... year of life, in a middling calendar year."""
    sd_between_fish: float = 0.0
    """Of the logarithm of the increment."""
    sd_within_fish: float = 0.0
    refused: str = ""
    """Why there is no chronology; blank when there is one."""

    @property
    def effects(self) -> dict[int, float]:
        """The effect of each year asked for."""
        return {y.year: y.effect.value for y in self.years if y.effect.value is not None}


def chronology(species: str, water: str, grown: Sequence[GrowthHistory]) -> Chronology:
    """Good and poor years from growth histories."""
    if len(grown) < LEAST_FISH:
        return _refused(species, water, grown, f"{len(grown)} fish with dated annuli, and it takes {LEAST_FISH}")
    of_fish = np.repeat(np.arange(len(grown)), [g.marks_mm.size for g in grown])
    life = np.concatenate([np.arange(1, g.marks_mm.size + 1) for g in grown])
    year = np.concatenate([np.array(g.years) for g in grown])
    grew = np.log(np.concatenate([g.increments_mm for g in grown]))
    known, counts = np.unique(year, return_counts=True)
    used = np.isin(year, known[counts >= LEAST_FISH_A_YEAR])
    of_fish, life, year, grew = of_fish[used], life[used], year[used], grew[used]
    years, fish = np.unique(year, return_counts=True)
    if years.size < LEAST_YEARS:
        why = f"{years.size} years that {LEAST_FISH_A_YEAR} fish have lived through, and it takes {LEAST_YEARS}"
        return _refused(species, water, grown, why)
    lives = np.unique(life)
    design = np.column_stack([life[:, None] == lives, year[:, None] == years[1:]]).astype(np.float64)
    if np.linalg.matrix_rank(design) < design.shape[1]:
        why = "the fish are of too few year classes to tell the years of their lives from calendar years"
        return _refused(species, water, grown, why)
    fit = _mixed_model(grew, design, of_fish)
    if fit is None:
        return _refused(species, water, grown, "the mixed model did not come to an end")
    return _chronology(species, water, len(grown), grew.size, lives, years, fish, fit)


def _refused(species: str, water: str, grown: Sequence[GrowthHistory], why: str) -> Chronology:
    return Chronology(species=species, water=water, fish=len(grown), refused=f"no good and poor years: {why}")


@dataclass(frozen=True, slots=True, kw_only=True)
class _Fit:
    effects: Numbers
    covariance: Numbers
    between: float
    """Variance between fish."""
    within: float


def _mixed_model(grew: Numbers, design: Numbers, of_fish: Whole) -> _Fit | None:
    names, group = np.unique(of_fish, return_inverse=True)
    start, *_ = np.linalg.lstsq(design, grew, rcond=None)
    # Variances by moments: from its own start the search may end at no variance between fish where there is some.
    rest = grew - design @ start
    number = np.bincount(group)
    mean = np.bincount(group, rest) / number
    within = float(((rest - mean[group]) ** 2).sum()) / max(grew.size - names.size, 1)
    if within <= 0:
        return None
    share = max(float(mean.var()) / within - float((1 / number).mean()), LEAST_SHARE)
    begin = MixedLMParams.from_components(fe_params=start, cov_re=np.array([[share]]))
    with warnings.catch_warnings(record=True):  # what it warns of is looked at below
        warnings.simplefilter("always")
        found = MixedLM(grew, design, groups=group).fit(start_params=begin, reml=True, method=["bfgs", "nm"])
    k = design.shape[1]
    covariance = np.asarray(found.cov_params())[:k, :k]
    if not found.converged or not np.isfinite(covariance).all():
        return None
    return _Fit(
        effects=np.asarray(found.fe_params),
        covariance=covariance,
        between=float(np.asarray(found.cov_re)[0, 0]),
        within=float(found.scale),
    )


def _chronology(
    species: str, water: str, n: int, increments: int, lives: Whole, years: Whole, fish: Whole, fit: _Fit
) -> Chronology:
    # The first year is zero in the fit; every year is given against the mean of all.
    k = lives.size
    contrast = np.zeros((years.size, fit.effects.size))
    contrast[1:, k:] = np.eye(years.size - 1)
    middling = contrast.mean(axis=0)
    effect = (contrast - middling) @ fit.effects
    se = np.sqrt(np.einsum("ij,jk,ik->i", contrast - middling, fit.covariance, contrast - middling))
    by_life = fit.effects[:k] + middling @ fit.effects
    return Chronology(
        species=species,
        water=water,
        years=tuple(
            YearEffect(year=int(y), effect=Estimate(float(e), float(e - Z * s), float(e + Z * s)), fish=int(f))
            for y, e, s, f in zip(years, effect, se, fish, strict=True)
        ),
        fish=n,
        increments=increments,
        by_year_of_life=tuple(by_life.tolist()),
        sd_between_fish=float(np.sqrt(fit.between)),
        sd_within_fish=float(np.sqrt(fit.within)),
    )
