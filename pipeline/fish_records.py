"""Fish as growth takes them: one record an animal, whoever aged it."""

from __future__ import annotations

from dataclasses import dataclass

from pipeline.records import Captured


@dataclass(frozen=True, slots=True, kw_only=True)
class FishMarks:
    """The annuli of one bone of a fish, for growth at earlier ages."""

    specimen: str
    radius_mm: float | None
    """Length of the growth axis; None without a resolution."""
    fractions: tuple[float, ...]
    """Of each annulus, from the focus outward: its share of the growth axis, above 0 and at most 1."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Fish:
    """One animal with its age, whoever aged it."""

    fish: str
    species: str
    """In small letters."""
    water: str
    age_class: int | None
    """Years; None when nobody could age it, or its bones differ."""
    age_probabilities: tuple[tuple[int, float], ...] = ()
    """(age class, probability), summing to 1; empty when nothing is known of the error of its age."""
    length_mm: float | None = None
    """Total length at capture; None when unknown or measured otherwise."""
    weight_g: float | None = None
    sex: str = ""
    """`F`, `M`, `U` or blank."""
    maturity: str = ""
    """`immature`, `mature`, `unknown` or blank."""
    captured: Captured | None = None
    counted_by: str = ""
    """`machine`, names of readers, or blank when the table does not say."""
    review: bool = False
    """A person should have looked at it and none has."""
    marks: FishMarks | None = None
    """None when there are none, or their number is not that of the final count."""
    source: str = ""
    """The table or run it comes from, for messages."""
