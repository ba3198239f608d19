"""A reader against the same reader: how well people repeat themselves, apart from how well they agree with others."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipeline.audit.intervals import mean_difference
from pipeline.audit.precision import Precision, precision
from pipeline.estimate import Estimate


@dataclass(frozen=True, slots=True, kw_only=True)
class Repeats:
    """All readings of one reader on the bones that this reader counted more than once."""

    reader: str
    readings: int
    precision: Precision
    change: Estimate
    """Last count minus first, annuli: a reader who drifts moves away from zero."""


def repeats(every: pd.DataFrame) -> tuple[Repeats, ...]:
    """One row for each reader with repeat readings. `every` as in `Answers`."""
    counted = every[every["annuli"].notna()]
    again = counted[counted.duplicated(["specimen", "reader"], keep=False)]
    out = []
    for reader, mine in again.groupby("reader"):
        wide = mine.pivot(index="specimen", columns="nth", values="annuli").to_numpy(np.float64)
        there = ~np.isnan(wide)
        rows = np.arange(len(wide))
        first = wide[rows, there.argmax(axis=1)]
        last = wide[rows, wide.shape[1] - 1 - there[:, ::-1].argmax(axis=1)]
        out.append(
            Repeats(
                reader=str(reader), readings=len(mine), precision=precision(wide), change=mean_difference(last - first)
            )
        )
    return tuple(out)
