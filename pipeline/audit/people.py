"""Does the machine agree with people as well as people agree with each other, on the same bones?"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.audit.intervals import NONE, Estimate, mean

Counts = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class AmongPeople:
    """On bones that the machine and at least two people counted. Shares 0 to 1, CV percent."""

    n: int
    people_exact: Estimate
    """Pairs of people that agree, averaged over bones."""
    machine_exact: Estimate
    """People that the machine agrees with, averaged over bones."""
    difference: Estimate
    """Machine minus people, bone by bone."""
    people_cv: Estimate
    machine_cv: Estimate
    cv_difference: Estimate
    """Machine minus people, bone by bone."""


def among_people(people: Counts, machine: Counts) -> AmongPeople:
    """Compare agreement with the machine to agreement between people. `people` (bone, reader), `machine` (bone,)."""
    used = ((~np.isnan(people)).sum(axis=1) >= 2) & ~np.isnan(machine)
    p, m = people[used], machine[used]
    if len(p) == 0:
        return AmongPeople(
            n=0,
            people_exact=NONE,
            machine_exact=NONE,
            difference=NONE,
            people_cv=NONE,
            machine_cv=NONE,
            cv_difference=NONE,
        )
    first, second = np.triu_indices(p.shape[1], 1)
    between, between_cv = _agreement(p[:, first], p[:, second])
    against, against_cv = _agreement(p, np.broadcast_to(m[:, None], p.shape))
    return AmongPeople(
        n=len(p),
        people_exact=mean(between),
        machine_exact=mean(against),
        difference=mean(against - between),
        people_cv=mean(between_cv),
        machine_cv=mean(against_cv),
        cv_difference=mean(against_cv - between_cv),
    )


def _agreement(x: Counts, y: Counts) -> tuple[Counts, Counts]:
    """Of each bone: share of equal pairs, mean CV of the pairs. Pairs with a NaN do not count; each bone has a pair."""
    there = ~np.isnan(x) & ~np.isnan(y)
    pairs = there.sum(axis=1)
    total = np.where(there, x + y, 0)
    cv = np.sqrt(2) * 100 * np.where(there, np.abs(x - y), 0) / np.where(total > 0, total, 1)
    return ((x == y) & there).sum(axis=1) / pairs, cv.sum(axis=1) / pairs
