"""Cohen's kappa: agreement beyond chance. It depends on the range of ages, so it stands last in every table."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.records import Numbers


@dataclass(frozen=True, slots=True, kw_only=True)
class Kappas:
    """Kappa with three weightings of disagreement; None when both readers give one and the same count throughout."""

    unweighted: float | None
    linear: float | None
    quadratic: float | None


def kappas(table: NDArray[np.int64]) -> Kappas:
    """Of a square table whose labels run in order without gaps, so that positions are years apart."""
    position = np.arange(len(table))
    apart = np.abs(position[:, None] - position[None, :]).astype(np.float64)
    return Kappas(
        unweighted=kappa(table, (apart > 0).astype(np.float64)),
        linear=kappa(table, apart),
        quadratic=kappa(table, apart**2),
    )


def kappa(table: NDArray[np.int64], disagreement: Numbers) -> float | None:
    """1 - (observed disagreement) / (disagreement expected by chance) (Cohen 1968)."""
    by_chance = np.outer(table.sum(axis=1), table.sum(axis=0)) / table.sum()
    expected = float((disagreement * by_chance).sum())
    return None if expected == 0 else 1 - float((disagreement * table).sum()) / expected
