"""The two opercles of one fish check the machine without any reader: they have the same annuli.

The confidences promise how often the two counts agree. Where they agree less often than promised, by more than chance,
the machine is too sure on this run, and every confidence is lowered until the promise holds.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pipeline.records import Numbers, Specimen
from pipeline.together.keys import key_of

Sides = tuple[NDArray[Any], ...]
"""Fish, side, count and confidence: arrays over bones."""

LEAST_FISH = 10
"""Fish with both opercles, below which agreement says nothing of a run."""
ALIKE_WRONG = 0.5
"""Share of fish with two wrong counts on which they are the same: what misleads on one bone misleads on its mate."""
BEYOND_CHANCE = 2.0
"""Standard deviations that agreement must fall short of the promise."""


@dataclass(frozen=True, slots=True)
class SidesCheck:
    """How the two opercles of the run's fish agree."""

    fish: int
    """With both opercles aged."""
    promised: float
    """Share whose counts should agree, by their confidences."""
    seen: float
    """Share whose counts agree."""
    broken: bool
    """Seen falls short of promised by more than chance."""

    @property
    def confidence_kept(self) -> float:
        """Factor by which each confidence is lowered: agreement takes two right counts, so its root."""
        return float(np.sqrt(max(self.seen, 0.05) / self.promised)) if self.broken else 1.0

    def line(self) -> str:
        """As printed at the end of a run."""
        words = f"both opercles of {self.fish} fish: counts agree on {self.seen:.2f}, promised {self.promised:.2f}"
        return words + ("; confidence was lowered for it" if self.broken else "")


def check_sides(fish: ArrayLike, sides: ArrayLike, counted: ArrayLike, confidence: ArrayLike) -> SidesCheck:
    """Fish (names, or keys that stand for them), side (`L`, `R` or blank), count and its confidence, of each bone of a
    run."""
    fish, sides, counted, confidence = (np.asarray(given) for given in (fish, sides, counted, confidence))
    left, right = np.flatnonzero(sides == "L"), np.flatnonzero(sides == "R")
    # The first bone of either side of each fish; fish in the order in which they come.
    on_left, first_left = np.unique(fish[left], return_index=True)
    on_right, first_right = np.unique(fish[right], return_index=True)
    _, a, b = np.intersect1d(on_left, on_right, assume_unique=True, return_indices=True)
    left, right = left[first_left[a]], right[first_right[b]]
    order = np.argsort(np.minimum(left, right))
    left, right = left[order], right[order]
    if not len(left):
        return SidesCheck(0, 1.0, 1.0, broken=False)
    promise = _agree(confidence[left], confidence[right])
    agree = counted[left] == counted[right]
    spread = float(np.sqrt((promise * (1 - promise)).sum()))
    short = float(promise.sum() - agree.sum())
    broken = len(left) >= LEAST_FISH and short > BEYOND_CHANCE * spread
    return SidesCheck(len(left), float(promise.mean()), float(agree.mean()), broken=broken)


def sides_of(bones: Sequence[tuple[Specimen, int, float]]) -> Sides:
    """What `check_sides` asks, of some bones with count and confidence; the side is blank where the fish is not
    known."""
    return (
        np.array([key_of(s.fish) for s, _, _ in bones], np.int64),
        np.array([s.side if s.fish else "" for s, _, _ in bones], "U1"),
        np.array([n for _, n, _ in bones], np.int64),
        np.array([p for _, _, p in bones], np.float64),
    )


def joined_sides(parts: Sequence[Sides]) -> Sides:
    """One after the other."""
    return tuple(np.concatenate(columns) for columns in zip(sides_of([]), *parts, strict=True))


def _agree(a: Numbers, b: Numbers) -> Numbers:
    """Probability that two counts are the same: both right, or both wrong alike."""
    return a * b + ALIKE_WRONG * (1 - a) * (1 - b)
