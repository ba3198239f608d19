"""Does the machine agree with people as well as people agree with each other, on the same bones?"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.audit.intervals import mean_difference, mean_of_rare
from pipeline.estimate import NO_FIGURE, Estimate
from pipeline.records import Numbers

_STEP = 0.5
"""What one bone more commonly adds when one person, or the machine, differs: half of its pairs."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AmongPeople:
    """On bones that the machine and at least two people counted. Shares 0 to 1."""

    n: int
    people_exact: Estimate
    """Pairs of people that agree, averaged over bones."""
    machine_exact: Estimate
    """People that the machine agrees with, averaged over bones."""
    difference: Estimate
    """Machine minus people, bone by bone."""


def among_people(people: Numbers, machine: Numbers) -> AmongPeople:
    """Compare agreement with the machine to agreement between people. `people` (bone, reader), `machine` (bone,)."""
    used = ((~np.isnan(people)).sum(axis=1) >= 2) & ~np.isnan(machine)
    p, m = people[used], machine[used]
    if len(p) == 0:
        return AmongPeople(n=0, people_exact=NO_FIGURE, machine_exact=NO_FIGURE, difference=NO_FIGURE)
    first, second = np.triu_indices(p.shape[1], 1)
    between = _agreement(p[:, first], p[:, second])
    against = _agreement(p, np.broadcast_to(m[:, None], p.shape))
    return AmongPeople(
        n=len(p),
        people_exact=_share(between),
        machine_exact=_share(against),
        difference=mean_difference(against - between, _STEP),
    )


def _agreement(x: Numbers, y: Numbers) -> Numbers:
    """Share of equal pairs of each bone; pairs with a NaN do not count. Each bone has a pair."""
    there = ~np.isnan(x) & ~np.isnan(y)
    shares: Numbers = ((x == y) & there).sum(axis=1) / there.sum(axis=1)
    return shares


def _share(agreement: Numbers) -> Estimate:
    """Mean agreement; its interval is that of the disagreement, which is the rarer."""
    apart = mean_of_rare(1 - agreement, _STEP)
    assert apart.value is not None
    assert apart.low is not None
    assert apart.high is not None
    return Estimate(1 - apart.value, max(0.0, 1 - apart.high), 1 - apart.low)
