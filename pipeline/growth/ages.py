"""How probable each age of each fish is: as given, by its own probabilities, or by a matrix of ageing error."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.fish_records import Fish
from pipeline.growth.estimate import Whole
from pipeline.records import MACHINE, Numbers


@dataclass(frozen=True, slots=True, kw_only=True)
class Ages:
    """Ages of some fish as distributions."""

    ages: Whole
    """(age,): years, without gaps."""
    chance: Numbers
    """(fish, age): probability of each age, or, when `likelihood`, of what was read, given each age."""
    likelihood: bool = False
    """The share of each age among the fish is not in `chance` yet and has to be found with it."""

    @property
    def certain(self) -> bool:
        """Every fish has one age only."""
        return bool((self.chance.max(axis=1) >= 1.0).all())


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingError:
    """How probable each count of the machine is, given the true age; from an audit."""

    ages: Whole
    """(row,): reference ages, without gaps."""
    counts: Whole
    """(column,): counts, without gaps."""
    probability: Numbers
    """(row, column): rows sum to 1."""


def as_given(fish: Sequence[Fish]) -> Ages:
    """Every age taken for certain. All fish must have an age class."""
    given = np.array([f.age_class for f in fish], np.int64)
    ages = np.arange(given.min(), given.max() + 1)
    return Ages(ages=ages, chance=(given[:, None] == ages[None, :]).astype(np.float64))


def by_probability(fish: Sequence[Fish]) -> Ages:
    """By each fish's own probabilities; a fish without any is taken to be as old as given."""
    each = [f.age_probabilities or ((f.age_class or 0, 1.0),) for f in fish]
    known = [age for pairs in each for age, p in pairs if p > 0]
    ages = np.arange(min(known), max(known) + 1)
    chance = np.zeros((len(each), ages.size))
    for row, pairs in zip(chance, each, strict=True):
        for age, p in pairs:
            if p > 0:
                row[age - ages[0]] += p
    return Ages(ages=ages, chance=chance / chance.sum(axis=1, keepdims=True))


def by_matrix(fish: Sequence[Fish], error: ReadingError) -> Ages:
    """The likelihood of what was read at each true age, for fish that the machine aged; others are as given.

    A count that is one too low makes the age class one too low, so the matrix of counts serves for age classes.
    """
    given = np.array([f.age_class for f in fish], np.int64)
    ages = np.arange(min(given.min(), error.ages[0]), max(given.max(), error.ages[-1]) + 1)
    chance = (given[:, None] == ages[None, :]).astype(np.float64)
    rows = error.ages - ages[0]
    for i, f in enumerate(fish):
        column = given[i] - error.counts[0]
        known = error.ages[0] <= given[i] <= error.ages[-1]
        if f.counted_by == MACHINE and known and 0 <= column < error.counts.size and error.probability[:, column].any():
            chance[i] = 0.0
            chance[i, rows] = error.probability[:, column]
    return Ages(ages=ages, chance=chance, likelihood=True)


def shares(ages: Ages, *, steps: int = 500) -> Numbers:
    """(age,): share of the fish that have each age.

    Where `chance` is a likelihood, the shares with the highest likelihood, by expectation and maximisation.
    """
    share = ages.chance.mean(axis=0) if not ages.likelihood else np.full(ages.ages.size, 1 / ages.ages.size)
    for _ in range(steps if ages.likelihood else 0):
        joint = ages.chance * share
        new = (joint / joint.sum(axis=1, keepdims=True)).mean(axis=0)
        settled = np.abs(new - share).max() < 1e-8
        share = new
        if settled:
            break
    return np.asarray(share)
