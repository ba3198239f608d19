"""Left bone against right bone of the same fish: what one reader makes of two bones that must have one age."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipeline.audit.answers import Answers
from pipeline.audit.intervals import mean_difference
from pipeline.audit.precision import Precision, precision
from pipeline.estimate import NO_FIGURE, Estimate


@dataclass(frozen=True, slots=True, kw_only=True)
class Sides:
    """One reader on fish of which this reader counted two bones."""

    reader: str
    precision: Precision
    right_minus_left: Estimate
    """Annuli; only where the table tells which side is which."""
    named_sides: int
    """Fish where it does."""


def sides(answers: Answers) -> tuple[Sides, ...]:
    """One row for each reader who counted both bones of a fish. The first two bones of a fish count."""
    about = answers.about
    named = np.flatnonzero(about["fish"].notna().to_numpy())
    fish = pd.Series(about["fish"].to_numpy()[named])
    nth = fish.groupby(fish, sort=False).cumcount().to_numpy()
    first = pd.Series(named[nth == 0], index=fish[nth == 0])
    second = pd.Series(named[nth == 1], index=fish[nth == 1])
    one, other = first.loc[second.index].to_numpy(np.int64), second.to_numpy(np.int64)
    side = about["side"].fillna("").to_numpy(str)
    mirrored = (side[one] == "R") & (side[other] == "L")
    left, right = np.where(mirrored, other, one), np.where(mirrored, one, other)
    known = (side[left] == "L") & (side[right] == "R")
    out = []
    for j, reader in enumerate(answers.readers):
        pair = np.column_stack([answers.counts[left, j], answers.counts[right, j]])
        counted = ~np.isnan(pair).any(axis=1)
        if counted.any():
            gap = (pair[:, 1] - pair[:, 0])[counted & known]
            out.append(
                Sides(
                    reader=reader,
                    precision=precision(pair[counted]),
                    named_sides=gap.size,
                    right_minus_left=mean_difference(gap) if gap.size else NO_FIGURE,
                )
            )
    return tuple(out)
