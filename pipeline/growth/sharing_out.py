"""An age for each fish that was only measured, so that the fish of a length class have the ages of the key.

Whole fish first: of five fish with shares .6 and .4 three get the one age and two the other. What is left over is drawn
by the shares that are left, and so is who gets which age (Isermann and Knight 2005). An age given so is right for the
class, not for the fish.
"""

from __future__ import annotations

import numpy as np

from pipeline.growth.age_length_key import Key
from pipeline.growth.estimate import Whole
from pipeline.records import Numbers


def shared_out(key: Key, length_mm: Numbers, random: np.random.Generator) -> tuple[int | None, ...]:
    """(fish,): an age class for each length, or None where the key has no aged fish of that class."""
    share, at = key.share, key.bin_of(length_mm)
    out: list[int | None] = [None] * length_mm.size
    for row in np.unique(at):
        if not 0 <= row < share.shape[0] or not np.isfinite(share[row]).all():
            continue
        mine = np.flatnonzero(at == row)
        for fish, age in zip(mine, random.permutation(_ages(share[row], key.ages, mine.size, random)), strict=True):
            out[fish] = int(age)
    return tuple(out)


def _ages(share: Numbers, ages: Whole, n: int, random: np.random.Generator) -> Whole:
    whole = np.floor(n * share + 1e-9).astype(np.int64)
    left = n - int(whole.sum())
    if left:
        rest = np.maximum(n * share - whole, 0.0)
        np.add.at(whole, random.choice(ages.size, size=left, replace=False, p=rest / rest.sum()), 1)
    return np.repeat(ages, whole)
