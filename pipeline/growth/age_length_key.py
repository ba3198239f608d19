"""The age-length key: what share of the fish of each length has each age; and the ages of fish that were only measured.

Variances as Kimura (1977) and Quinn and Deriso (1999) give them. A fish whose age is uncertain counts for a part at
each age it may have.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.estimate import Estimate
from pipeline.fish_records import Fish
from pipeline.growth.ages import by_probability
from pipeline.growth.estimate import Whole, Z
from pipeline.records import Numbers


@dataclass(frozen=True, slots=True, kw_only=True)
class Key:
    """The key of one species in one water."""

    species: str
    water: str
    bin_mm: float
    """Width of a length class."""
    first_bin: int
    """Number of the first class: it begins at `first_bin * bin_mm`."""
    ages: Whole
    """(age,): without gaps."""
    aged: Numbers
    """(bin, age): fish, or parts of fish."""
    smoothed: Numbers | None = None
    """(bin, age): shares by a multinomial model instead of the fish of each class alone; rows sum to 1."""

    @property
    def lower_mm(self) -> Numbers:
        """(bin,): where each class begins."""
        return np.asarray((self.first_bin + np.arange(self.aged.shape[0])) * self.bin_mm)

    @property
    def fish(self) -> Numbers:
        """(bin,): aged fish in each class."""
        return np.asarray(self.aged.sum(axis=1))

    @property
    def share(self) -> Numbers:
        """(bin, age): share of each age; NaN in a class without aged fish, unless the key is smoothed."""
        if self.smoothed is not None:
            return self.smoothed
        n = self.fish[:, None]
        return np.asarray(np.divide(self.aged, n, out=np.full_like(self.aged, np.nan), where=n > 0))

    @property
    def share_se(self) -> Numbers:
        """(bin, age): standard error of the share, with n - 1; NaN where fewer than two fish were aged."""
        n, q = self.fish[:, None], self.share
        return np.asarray(np.sqrt(np.where(n > 1, q * (1 - q) / np.maximum(n - 1, 1e-12), np.nan)))

    @property
    def empty(self) -> tuple[float, ...]:
        """Lower ends (mm) of the classes between the first and the last in which no fish was aged."""
        return tuple(self.lower_mm[self.fish == 0].tolist())

    def bin_of(self, length_mm: Numbers) -> Whole:
        """(fish,): row of the class each length falls into; below 0 or beyond the last row outside the key."""
        return np.floor(length_mm / self.bin_mm + 1e-9).astype(np.int64) - self.first_bin


@dataclass(frozen=True, slots=True, kw_only=True)
class AgeShare:
    """One age among fish that were measured."""

    age_class: int
    fish: float
    """Expected number."""
    proportion: Estimate
    se: float


@dataclass(frozen=True, slots=True, kw_only=True)
class AgesOfLengths:
    """How old fish are that were only measured."""

    shares: tuple[AgeShare, ...]
    fish: int
    """That the key could be applied to."""
    without_key: int
    """In length classes without aged fish."""
    single: tuple[float, ...]
    """Lower ends (mm) of classes with one aged fish and measured ones: what they add to the variance is a guess."""


def age_length_key(species: str, water: str, fish: Sequence[Fish], bin_mm: float) -> Key:
    """The key of fish with length and age."""
    used = [f for f in fish if f.length_mm and f.age_class is not None]
    ages = by_probability(used)
    at = np.floor(np.array([f.length_mm for f in used]) / bin_mm + 1e-9).astype(np.int64)
    aged = np.zeros((int(at.max() - at.min()) + 1, ages.ages.size))
    np.add.at(aged, at - at.min(), ages.chance)
    return Key(species=species, water=water, bin_mm=bin_mm, first_bin=int(at.min()), ages=ages.ages, aged=aged)


def ages_of_lengths(key: Key, measured: Whole) -> AgesOfLengths:
    """Apply a key to (bin,) numbers of measured fish, counted for the key's classes.

    The share of each age with its standard error: of the key, and of the lengths, which are a sample too. Fish in
    classes without aged fish are left out and counted.
    """
    q, n = key.share, key.fish
    known = np.isfinite(q).all(axis=1)
    total = int(measured[known].sum())
    single = tuple(key.lower_mm[(n == 1) & (measured > 0)].tolist())
    without = int(measured[~known].sum())
    if total == 0:
        return AgesOfLengths(shares=(), fish=0, without_key=without, single=single)
    share = measured[known] / total
    q = q[known]
    p = share @ q
    number = n[known, None]
    # One fish shows no spread of its own: its class is taken to be as mixed as the whole catch.
    within = np.where(number > 1, q * (1 - q) / np.maximum(number - 1, 1e-12), p * (1 - p))
    variance = (share[:, None] ** 2 * within).sum(axis=0) + (share[:, None] * (q - p) ** 2).sum(axis=0) / total
    se = np.sqrt(variance)
    return AgesOfLengths(
        shares=tuple(
            AgeShare(
                age_class=int(age),
                fish=float(total * x),
                proportion=Estimate(float(x), float(max(x - Z * s, 0.0)), float(min(x + Z * s, 1.0))),
                se=float(s),
            )
            for age, x, s in zip(key.ages, p, se, strict=True)
        ),
        fish=total,
        without_key=without,
        single=single,
    )
