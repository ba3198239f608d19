"""One bone with what was counted on it, and the numbers that doubts about it are read from."""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import median

import numpy as np

from pipeline.bone.evidence import EVIDENCE
from pipeline.counting.chains import ChainBone
from pipeline.counting.count import Count
from pipeline.records import BoneReading, Specimen
from pipeline.settings.whole import Settings

_COLUMN = {name: column for column, name in enumerate(EVIDENCE)}


@dataclass(frozen=True, slots=True)
class CountedBone:
    """One bone with its count."""

    specimen: Specimen
    reading: BoneReading
    bone: ChainBone
    count: Count

    @property
    def taken(self) -> list[int]:
        """The candidates counted."""
        return list(self.count.taken)

    def trait(self, name: str, usual: float = 0.0) -> float:
        """One of the bone's own numbers, as `bone.traits.TRAITS` names them."""
        return self.reading.traits.get(name, usual)

    def evidence(self, candidate: int, name: str) -> float:
        """One number of what a candidate shows."""
        return float(self.bone.evidence[candidate, _COLUMN[name]])

    @property
    def depths(self) -> list[float]:
        """Logarithms of the depths of the marks counted, the innermost first."""
        return self._of_taken("log_depth")

    @property
    def runs(self) -> list[float]:
        """How far each mark counted runs along the arc."""
        return self._of_taken("arc_run")

    def _of_taken(self, name: str) -> list[float]:
        return list(self.bone.evidence[self.taken, _COLUMN[name]].tolist())

    @property
    def inside(self) -> list[int]:
        """The candidates between the focus and the first mark counted; all of them where none is counted."""
        first = self.count.taken[0] if self.count.taken else len(self.bone.fraction)
        return list(range(first))

    @property
    def fractions(self) -> list[float]:
        """Shares of the axis of the marks counted."""
        return list(self.bone.fraction[self.taken].tolist())

    @property
    def gaps(self) -> list[float]:
        """Increments from the focus to the last mark counted, shares of the axis."""
        fractions = self.fractions
        return [outer - inner for inner, outer in zip([0.0, *fractions], fractions, strict=False)]


def bone_of(specimen: Specimen, reading: BoneReading, settings: Settings) -> ChainBone:
    """What the sequence model sees of a bone."""
    marks = reading.marks
    return ChainBone(
        evidence=np.array([m.evidence for m in marks], np.float64).reshape(len(marks), len(EVIDENCE)),
        fraction=np.array([m.fraction for m in marks], np.float64),
        radius_px=reading.axis.radius_px if reading.axis else 1.0,
        most_annuli=settings.species_of(specimen.species).growth.most_annuli,
    )


def log_odds(p: float) -> float:
    """Log odds of a probability, finite."""
    q = min(max(p, 1e-5), 1 - 1e-5)
    return math.log(q / (1 - q))


def probability(x: float) -> float:
    """Probability of log odds."""
    return 1 / (1 + math.exp(-min(max(x, -30.0), 30.0)))


def middle(values: list[float]) -> float:
    """Median; 0 of nothing."""
    return float(median(values)) if values else 0.0
