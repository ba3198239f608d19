"""The second pass over a whole run: readings of bones + rows of the table + settings -> ages. Holds no pixels.

A run may have more bones than fit into memory. What one bone says of the others (where first annuli lie, how often two
sides of a fish agree, which sizes belong to which lengths) is gathered in two looks at all of them, a part at a time.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Protocol

from pipeline.records import Age, BoneReading
from pipeline.settings.second_pass import ReviewSettings
from pipeline.settings.whole import Settings
from pipeline.together import plausible
from pipeline.together.age_of_bone import Found, Placed, aged, unreadable
from pipeline.together.both_sides import check_sides, joined_sides
from pipeline.together.counted import CountedBone, bone_of
from pipeline.together.first_year import FirstYears, Group, first_years, lengths_taught
from pipeline.together.judge import counted_bones, first_year_doubts, judged_bones, less_sure, sides_of_judged
from pipeline.together.plausible import Measures
from pipeline.together.review import notices_of, reasons_of

_PLAIN = (False, False, False)
"""Nothing is odd: of bones that were not aged nothing is compared."""
Parts = Callable[[], Iterable[Sequence[Placed]]]
"""Gives the bones of a run in order, some at a time; the same each time it is asked."""


class Shelf(Protocol):
    """Where something of each part is laid aside: a list, or a file."""

    def append(self, part: Any, /) -> None:
        """Lay one more aside."""

    def __iter__(self) -> Iterator[Any]:
        """All that was laid aside, from the first on."""


@dataclass(frozen=True, slots=True)
class PlacedAge:
    """One row of ages.csv."""

    placed: Placed
    """Its reading without marks: what is told of them stands in the age."""
    age: Age


@dataclass(frozen=True, slots=True)
class _Compared:
    """What the bones of a run are compared by."""

    kept: float
    """Share of its confidence that each keeps, by the two sides of the fish."""
    measures: Measures
    """Of the aged bones."""


def age_in_parts(parts: Parts, settings: Settings, shelf: Callable[[], Shelf]) -> Iterator[list[PlacedAge]]:
    """The ages of a run of any size, part by part; a bone that is not there, or on which nothing could be measured, is
    unreadable. Of a bone that is not in hand no more is held than what all are
    compared by; the rest is laid aside on shelves that `shelf` makes."""
    counts, known = _first_look(parts, settings, shelf())
    found, compared = _second_look(parts, counts, known, 1.0, settings, shelf())
    if compared.kept != 1:  # two opercles of a fish agree less often than promised
        found, compared = _second_look(parts, counts, known, compared.kept, settings, shelf())
    odd = _odd(compared.measures, settings.review)
    for part in found:
        yield [_with_reasons(one, next(odd) if one.age.status == "aged" else _PLAIN, settings.review) for one in part]


def _first_look(parts: Parts, settings: Settings, counts: Shelf) -> tuple[Shelf, Mapping[Group, FirstYears]]:
    """Every bone is counted and teaches where first annuli lie. Counts and doubts are laid aside."""
    taught = []
    for part in parts():
        counted = counted_bones([(p.specimen, reading) for p, reading in _measured(part)], settings)
        doubt = first_year_doubts(counted, settings)
        taught.append(lengths_taught(counted, doubt))
        counts.append(([c.count for c in counted], doubt))
    return counts, first_years(taught, settings.count.first_year_bones)


def _second_look(
    parts: Parts,
    counts: Shelf,
    known: Mapping[Group, FirstYears],
    kept: float,
    settings: Settings,
    found: Shelf,
) -> tuple[Shelf, _Compared]:
    """Every bone is judged by what the run teaches, keeps this share of its confidence, and is aged."""
    sides, measures = [], [plausible.measures([], settings)]
    for part, (count, doubt) in zip(parts(), counts, strict=True):
        there = _measured(part)
        bones = [(p.specimen, reading, bone_of(p.specimen, reading, settings)) for p, reading in there]
        counted = [CountedBone(*bone, c) for bone, c in zip(bones, count, strict=True)]
        judged = judged_bones(counted, doubt, known, settings)
        sides.append(sides_of_judged(judged))
        judged = judged if kept == 1 else [less_sure(j, kept) for j in judged]
        ages, measured = aged([p for p, _ in there], judged, settings)
        measures.append(plausible.measures(measured, settings))
        each = iter(ages)
        found.append([next(each) if _can_be_aged(p) else unreadable(p, settings) for p in part])
    kept = check_sides(*joined_sides(sides)).confidence_kept
    return found, _Compared(kept, plausible.joined(measures))


def _measured(part: Sequence[Placed]) -> list[tuple[Placed, BoneReading]]:
    """The bones of a part on which something was measured."""
    return [(p, p.reading) for p in part if p.reading is not None and p.reading.axis is not None]


def _can_be_aged(placed: Placed) -> bool:
    return placed.reading is not None and placed.reading.axis is not None


def _odd(measures: Measures, review: ReviewSettings) -> Iterator[tuple[bool, ...]]:
    """Whether the size, the growth and the other side are odd of each aged bone among the others."""
    size, growth = plausible.size_mismatches(measures, review), plausible.unlikely_growth(measures, review)
    sides = plausible.sides_that_differ(measures)
    return zip(size.tolist(), growth.tolist(), sides.tolist(), strict=True)


def _with_reasons(one: Found, odd: tuple[bool, ...], review: ReviewSettings) -> PlacedAge:
    size, growth, sides = odd
    findings = replace(one.findings, size_mismatch=size, unlikely_growth=growth, sides_differ=sides)
    return PlacedAge(one.placed, replace(one.age, reasons=reasons_of(findings, review), notices=notices_of(findings)))
