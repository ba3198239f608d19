"""Weight at length, and condition against a published standard: log10 W(g) = a + b log10 L(mm); Wr = 100 W / Ws."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import stats

from pipeline.estimate import LEVEL, NO_FIGURE, Estimate
from pipeline.fish_records import Fish
from pipeline.growth.estimate import mean_of
from pipeline.records import Numbers

LEAST_FISH = 10


@dataclass(frozen=True, slots=True, kw_only=True)
class LengthWeight:
    """The length-weight relation of some fish, or why there is none."""

    n: int
    a: Estimate = NO_FIGURE
    b: Estimate = NO_FIGURE
    r2: float | None = None
    shortest_mm: float | None = None
    longest_mm: float | None = None
    refused: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class StandardWeight:
    """A published standard weight: log10 Ws(g) = a + b log10 L(mm) + c (log10 L)^2."""

    a: float
    b: float
    c: float
    least_mm: float
    """The standard holds from this length on."""
    source: str

    def grams(self, length_mm: Numbers) -> Numbers:
        """Standard weight (g) at lengths (mm)."""
        x = np.log10(length_mm)
        return np.asarray(10 ** (self.a + self.b * x + self.c * x**2))


@dataclass(frozen=True, slots=True, kw_only=True)
class Condition:
    """Relative weight of some fish."""

    n: int
    mean: Estimate
    """Percent of the standard."""
    too_short: int
    """Fish below the standard's least length, which are left out."""
    standard: StandardWeight


def length_weight(fish: Sequence[Fish]) -> LengthWeight:
    """Least squares on logarithms, of fish with length and weight."""
    length, weight = _pairs(fish)
    if length.size < LEAST_FISH or np.ptp(length) == 0:
        why = f"no length-weight relation: {length.size} fish with length and weight, and it takes {LEAST_FISH}"
        return LengthWeight(n=length.size, refused=why if length.size < LEAST_FISH else f"{why} of several lengths")
    found = stats.linregress(np.log10(length), np.log10(weight))
    t = float(stats.t.ppf((1 + LEVEL) / 2, length.size - 2))

    def interval(value: float, se: float) -> Estimate:
        return Estimate(value, value - t * se, value + t * se)

    return LengthWeight(
        n=length.size,
        a=interval(float(found.intercept), float(found.intercept_stderr)),
        b=interval(float(found.slope), float(found.stderr)),
        r2=float(found.rvalue) ** 2,
        shortest_mm=float(length.min()),
        longest_mm=float(length.max()),
    )


def condition(fish: Sequence[Fish], standard: StandardWeight) -> Condition | None:
    """Mean relative weight; None without fish that have length and weight and are long enough."""
    length, weight = _pairs(fish)
    long = length >= standard.least_mm
    if not long.any():
        return None
    relative = 100 * weight[long] / standard.grams(length[long])
    return Condition(n=int(long.sum()), mean=mean_of(relative), too_short=int((~long).sum()), standard=standard)


def _pairs(fish: Sequence[Fish]) -> tuple[Numbers, Numbers]:
    pairs = [(f.length_mm, f.weight_g) for f in fish if f.length_mm and f.weight_g]
    length, weight = np.array(pairs, np.float64).T if pairs else np.zeros((2, 0))
    return length, weight
