"""Is the first mark counted the first annulus? First what the bone itself shows, then what the run's bones say
together.

In some bones the thick base hides the first annulus, so that the second is found first and every later age is one
short. What the pixels show (a thick base, a faint first mark, something like a ring inside it) gives a first doubt. The
length that a fish had at its first mark (its length times the mark's share of the axis, Dahl-Lea) gives it away: it is
one fish's second year among the first years of the others. Where first annuli lie is learned from the run alone, by
species and water, from bones whose first mark is plain. While there are too few of these, nothing that does not show is
ever counted.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.records import Numbers
from pipeline.together.counted import CountedBone, log_odds, middle, probability

OUTLIERS = 0.05
"""Share of fish whose first year is like nobody else's."""
OUTLIER_WIDTH = 3.0
"""Natural logarithms of length over which such fish may lie."""
LEAST_SPREAD = 0.08
"""Standard deviation of a logarithm: no water's fish are more alike."""
MAD_TO_SD = 1.4826
"""Standard deviation of a normal distribution over its median absolute deviation."""
SURE_FIRST = 0.7
"""Probability above which a first mark is plainly an annulus ..."""
LITTLE_DOUBT = 0.35
"""... and doubt below which it is plainly the first: such bones teach where first annuli lie."""


FIRST_YEAR: Mapping[str, Callable[[CountedBone], float]] = {
    "first_sure": lambda c: log_odds(float(c.count.mark_probability[c.taken[0]])) if c.taken else -3.0,
    "first_depth_to_others": lambda c: c.depths[0] - middle(c.depths[1:]) if len(c.taken) > 1 else 0.0,
    "first_run_to_others": lambda c: c.runs[0] - middle(c.runs[1:]) if len(c.taken) > 1 else 0.0,
    "inside_best": lambda c: log_odds(max((float(c.count.mark_probability[k]) for k in c.inside), default=0.0)),
    "inside_run": lambda c: max((c.evidence(k, "arc_run") for k in c.inside), default=0.0),
    "inside_depth": lambda c: max((c.evidence(k, "log_depth") for k in c.inside), default=-5.0) - middle(c.depths),
    "gap_ratio": lambda c: float(np.log(c.gaps[1] / max(c.gaps[0], 1e-3))) if len(c.taken) > 1 else 0.0,
    "later_ratio": lambda c: float(np.log(c.gaps[2] / max(c.gaps[1], 1e-3))) if len(c.taken) > 2 else 0.0,
    "base": lambda c: c.trait("base"),
    "coverage": lambda c: c.trait("coverage", 1.0),
    "noise": lambda c: float(np.log(c.trait("noise", 0.01) + 1e-3)),
    "log_count": lambda c: float(np.log1p(len(c.taken))),
    "reflected": lambda c: float(c.reading.lighting == "reflected"),
    "focus": lambda c: c.trait("focus_certainty", 1.0),
}
"""What the doubt about the first year is read from on the bone itself, by name."""


def first_year_features(c: CountedBone) -> Numbers:
    """(feature,) in the order of `FIRST_YEAR`."""
    return np.array([column(c) for column in FIRST_YEAR.values()])


@dataclass(frozen=True, slots=True)
class Normal:
    """Where a logarithm lies among the fish of a water."""

    mean: float
    spread: float
    """Standard deviation."""

    def log_density(self, x: float) -> float:
        """With a share of outliers, so that no fish is impossible."""
        z = (x - self.mean) / self.spread
        inner = np.exp(-0.5 * z * z) / (self.spread * np.sqrt(2 * np.pi))
        return float(np.log((1 - OUTLIERS) * inner + OUTLIERS / OUTLIER_WIDTH))


@dataclass(frozen=True, slots=True)
class FirstYears:
    """Where first and second annuli lie in one group of fish."""

    first: Normal
    """Logarithm of the length at the first annulus, mm."""
    second: Normal


Group = tuple[str, str]
"""Species and water; a blank water stands for all of the species."""


def lengths_taught(bones: Sequence[CountedBone], doubt: Sequence[float]) -> dict[Group, Numbers]:
    """(bone, 2) logarithms of the lengths at the first and second annulus of those bones that teach them, by species
    and water and by species alone.

    doubt : (bone,) probability from the pixels that the first annulus is hidden.
    """
    lengths: dict[Group, list[tuple[float, float]]] = {}
    for c, d in zip(bones, doubt, strict=True):
        if not _teaches(c, d):
            continue
        first, second = (float(np.log(c.specimen.length_mm or 1.0)) + np.log(f) for f in c.fractions[:2])
        species, water = _group(c)
        for group in {(species, water), (species, "")}:
            lengths.setdefault(group, []).append((first, second))
    return {group: np.array(found) for group, found in lengths.items()}


def first_years(taught: Iterable[Mapping[Group, Numbers]], least_bones: float) -> dict[Group, FirstYears]:
    """What the plain bones of each group teach; only groups of enough bones. `taught` are some bones' each."""
    parts: dict[Group, list[Numbers]] = {}
    for lengths in taught:
        for group, found in lengths.items():
            parts.setdefault(group, []).append(found)
    of_group = {group: np.concatenate(found) for group, found in parts.items()}
    return {
        group: FirstYears(_normal(lengths[:, 0]), _normal(lengths[:, 1]))
        for group, lengths in of_group.items()
        if len(lengths) >= least_bones
    }


def hidden_probability(c: CountedBone, doubt: float, known: Mapping[Group, FirstYears]) -> float:
    """Probability that an annulus is hidden inside the first one counted, by all that is known."""
    years = years_of(c, known)
    if years is None or not c.taken:
        return doubt
    x = float(np.log(c.specimen.length_mm or 1.0) + np.log(c.fractions[0]))
    return probability(log_odds(doubt) + years.second.log_density(x) - years.first.log_density(x))


def years_of(c: CountedBone, known: Mapping[Group, FirstYears]) -> FirstYears | None:
    """What the run teaches of this bone's fish; None without species or length, or where it teaches too little."""
    species, water = _group(c)
    if not species or c.specimen.length_mm is None:
        return None
    return known.get((species, water)) or known.get((species, ""))


def expected_fraction(c: CountedBone, known: Mapping[Group, FirstYears]) -> float | None:
    """Share of the axis at which the first annulus is to be expected; None where the run teaches nothing."""
    years = years_of(c, known)
    if years is None or c.specimen.length_mm is None:
        return None
    return float(np.exp(years.first.mean) / c.specimen.length_mm)


def _teaches(c: CountedBone, doubt: float) -> bool:
    species, _ = _group(c)
    return (
        bool(species)
        and c.specimen.length_mm is not None
        and len(c.taken) > 1
        and doubt < LITTLE_DOUBT
        and float(c.count.mark_probability[c.taken[0]]) >= SURE_FIRST
    )


def _group(c: CountedBone) -> Group:
    return c.specimen.species.strip().lower(), c.specimen.water.strip().lower()


def _normal(values: Numbers) -> Normal:
    mean = float(np.median(values))
    spread = MAD_TO_SD * float(np.median(np.abs(values - mean)))
    return Normal(mean, max(spread, LEAST_SPREAD))
