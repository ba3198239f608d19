"""How the size of the bone follows the length of the fish, from the fish at hand."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import stats

from pipeline.fish_records import Fish
from pipeline.records import Numbers

LEAST_FISH = 10
"""Fish below which no relation is fitted: its ends would be those of two or three fish."""
LEAST_RANGE = 1.5
"""Longest fish over the shortest below which the intercept is only a guess."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StraightLine:
    """A straight line fitted by least squares."""

    intercept: float
    slope: float
    r2: float


@dataclass(frozen=True, slots=True, kw_only=True)
class BodyBone:
    """The four relations of one species, all waters together; total length (mm) and growth axis (mm)."""

    species: str
    n: int
    shortest_mm: float
    longest_mm: float
    length_on_radius: StraightLine
    radius_on_length: StraightLine
    log_length_on_log_radius: StraightLine
    """Natural logarithms."""
    log_radius_on_log_length: StraightLine
    fraser_lee_mm: float
    """Length at which the bone begins, for the Fraser-Lee model."""
    fraser_lee_source: str
    """Where that comes from."""

    @property
    def narrow(self) -> bool:
        """The fish differ too little in length for the intercepts to be more than guesses."""
        return self.longest_mm < LEAST_RANGE * self.shortest_mm


def body_bone(species: str, fish: Sequence[Fish], given_mm: float | None, given_source: str) -> BodyBone | None:
    """The relations of fish with length and axis; None when they are too few or do not grow with each other.

    `given_mm` is a known length at which the bone begins, with its source; without one it is the intercept of length
    on axis, as is common practice.
    """
    pairs = [(f.length_mm, f.marks.radius_mm) for f in fish if f.length_mm and f.marks and f.marks.radius_mm]
    if len(pairs) < LEAST_FISH:
        return None
    length, radius = np.array(pairs, np.float64).T
    if np.ptp(length) == 0 or np.ptp(radius) == 0:
        return None
    on_radius = _line(radius, length)
    if on_radius.slope <= 0:
        return None
    own = f"intercept of length on axis in these {len(pairs)} fish"
    return BodyBone(
        species=species,
        n=len(pairs),
        shortest_mm=float(length.min()),
        longest_mm=float(length.max()),
        length_on_radius=on_radius,
        radius_on_length=_line(length, radius),
        log_length_on_log_radius=_line(np.log(radius), np.log(length)),
        log_radius_on_log_length=_line(np.log(length), np.log(radius)),
        fraser_lee_mm=on_radius.intercept if given_mm is None else given_mm,
        fraser_lee_source=own if given_mm is None else given_source or "settings",
    )


def _line(x: Numbers, y: Numbers) -> StraightLine:
    found = stats.linregress(x, y)
    return StraightLine(
        intercept=float(found.intercept),
        slope=float(found.slope),
        r2=float(found.rvalue) ** 2,
    )
