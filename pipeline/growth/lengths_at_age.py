"""Mean length at each age: of fish at capture, and, apart from that, as their annuli tell."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.estimate import Estimate
from pipeline.fish_records import Fish
from pipeline.growth.back_calculation import Method
from pipeline.growth.body_bone import BodyBone
from pipeline.growth.estimate import mean_of
from pipeline.records import Numbers

CAPTURE, MARKS = "capture", "marks"


@dataclass(frozen=True, slots=True, kw_only=True)
class LengthAtAge:
    """Mean total length (mm) at one age."""

    age_class: int
    n: int
    mean: Estimate
    sd_mm: float | None
    """None of a single fish."""
    source: str
    """`capture` or `marks`."""


@dataclass(frozen=True, slots=True, kw_only=True)
class EarlierLengths:
    """Lengths of one fish when its annuli formed."""

    fish: Fish
    length_mm: Numbers
    """(annulus,): at ages 1, 2, ..."""


def at_capture(fish: Sequence[Fish]) -> tuple[LengthAtAge, ...]:
    """By age class at capture, ages as given. Fish without length or age do not count."""
    pairs = [(f.age_class, f.length_mm) for f in fish if f.age_class is not None and f.length_mm]
    return _by_age(pairs, CAPTURE)


def earlier_lengths(fish: Iterable[Fish], method: Method, relation: BodyBone | None) -> tuple[EarlierLengths, ...]:
    """Of each fish that has what the method needs: length at capture, annuli, and an axis in mm with a relation."""
    out = []
    for f in fish:
        if not f.length_mm or f.marks is None or not f.marks.fractions:
            continue
        share = np.array(f.marks.fractions, np.float64)
        lengths = method.lengths(f.length_mm, share, f.marks.radius_mm, relation)
        if lengths is not None:
            out.append(EarlierLengths(fish=f, length_mm=lengths))
    return tuple(out)


def from_marks(earlier: Sequence[EarlierLengths]) -> tuple[LengthAtAge, ...]:
    """By annulus. A fish counts once at every age it has lived through."""
    return _by_age([(i, float(x)) for e in earlier for i, x in enumerate(e.length_mm, 1)], MARKS)


def _by_age(pairs: Sequence[tuple[int, float]], source: str) -> tuple[LengthAtAge, ...]:
    by_age: dict[int, list[float]] = {}
    for age, length in pairs:
        by_age.setdefault(age, []).append(length)
    return tuple(_mean(age, np.array(lengths), source) for age, lengths in sorted(by_age.items()))


def _mean(age: int, length: Numbers, source: str) -> LengthAtAge:
    sd = float(length.std(ddof=1)) if length.size > 1 else None
    return LengthAtAge(age_class=age, n=length.size, mean=mean_of(length), sd_mm=sd, source=source)
