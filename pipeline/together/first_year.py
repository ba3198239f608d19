"""Is the first mark found the first annulus? The run's own bones say where first annuli lie.

In some bones the thick base hides the first annulus, so that the second is found first and every later age is one
short. The length that a fish had at its first annulus (its length times the mark's share of the axis, Dahl-Lea) gives
it away: it is one fish's second year among the first years of the others. The species' settings hold for the first
bones of a run; with every further bone of the species the run's own take over.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence

import numpy as np

from pipeline.counting.sequence import Numbers
from pipeline.together.lots import lot

MOST_ASKED = 400
"""Bones of a species that are asked: their median is known to a hundredth then, and the work of a large run does not
grow with them."""


def asked(groups: Sequence[str], names: Sequence[str]) -> list[int]:
    """Which bones tell where first annuli lie, ascending: all of a species, or `MOST_ASKED` drawn by their names."""
    lots = [lot(name, "first year") for name in names]
    return sorted(b for own in _members(groups) for b in sorted(own, key=lots.__getitem__)[:MOST_ASKED])


def first_year_lengths(
    groups: Sequence[str], expected_mm: Numbers, found_mm: Numbers, surely_first: Numbers, bones_worth: float
) -> Numbers:
    """Length at the first annulus to expect of each bone's group in this run, mm, (bone,).

    groups : the species of each bone. expected_mm : what the species' settings say. found_mm : length at the first
    counted mark; nan where unknown. surely_first : (bone,) probability that this mark is the first annulus. The
    logarithms' weighted median, drawn towards the settings as if these were `bones_worth` bones more.
    """
    out = expected_mm.astype(np.float64).copy()
    for own in _members(groups):
        index = np.array(own)
        known = index[np.isfinite(found_mm[index]) & (surely_first[index] > 0)]
        if not len(known):
            continue
        value, weight = np.log(found_mm[known]), surely_first[known]
        order = np.argsort(value, kind="stable")
        total = np.cumsum(weight[order])
        median = value[order][np.searchsorted(total, 0.5 * total[-1])]
        prior = np.log(expected_mm[index[0]])
        out[index] = np.exp((bones_worth * prior + total[-1] * median) / (bones_worth + total[-1]))
    return out


def _members(groups: Sequence[str]) -> list[list[int]]:
    """The bones of each group."""
    members: dict[str, list[int]] = defaultdict(list)
    for b, group in enumerate(groups):
        members[group].append(b)
    return list(members.values())
