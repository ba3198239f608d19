"""Whose count of a bone is final, when people have read it.

One answer a reader: the latest. The first of these that holds decides:

1. a reading that settles (the latest, if several do), also when it says that the bone cannot be aged;
2. the count that most readers gave;
3. the median of their counts, if it is a whole number;
4. nobody: the bone has no final count, and the reason `readers-differ`.

Readers who could not age the bone have no say beside those who could. Where none of them could, there is no final count
either: the machine's does not take its place. A bone that nobody read has the machine's.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from statistics import median

from pipeline.records import MACHINE, Age, FinalAge, Reading, Specimen
from pipeline.settings.whole import Settings
from pipeline.together.age_class import Margin, age_classes


def by_specimen(readings: Sequence[Reading]) -> dict[str, list[Reading]]:
    """Readings of each specimen, in order."""
    found: dict[str, list[Reading]] = {}
    for reading in readings:
        found.setdefault(reading.specimen, []).append(reading)
    return found


def readers_differ(readings: Sequence[Reading]) -> bool:
    """Whether the readers of one bone give several counts of which none prevails."""
    if any(r.settles for r in readings):
        return False
    counts = _counts(latest_by_reader(readings))
    return bool(counts) and agreed(counts) is None


def latest_by_reader(readings: Sequence[Reading]) -> list[Reading]:
    """The last answer of each reader of one bone: by `read_on` where all answers have one, else as entered."""
    return list({r.reader: r for r in _in_time(readings)}.values())


def agreed(counts: Sequence[int]) -> int | None:
    """The commonest of some numbers, else their median if it is whole, else None."""
    (first, times), *others = Counter(counts).most_common()
    if not others or others[0][1] < times:
        return first
    middle = median(counts)
    return int(middle) if middle == int(middle) else None


def final_age(specimen: Specimen, age: Age, readings: Sequence[Reading], settings: Settings) -> FinalAge:
    """The final age of one bone. `readings` are all of it, the earliest entered first."""
    if not readings:
        return FinalAge(
            annuli=age.annuli, age_class=age.age_class, counted_by=MACHINE if age.annuli is not None else ""
        )
    settling = [r for r in _in_time(readings) if r.settles]
    answers = settling[-1:] or latest_by_reader(readings)
    counts = _counts(answers)
    count = agreed(counts) if counts else None
    if counts and count is None:
        return FinalAge(differ=True)
    whose = [r for r in answers if r.annuli == count] or answers
    return FinalAge(
        annuli=count,
        age_class=None if count is None else _age_class(specimen, age, count, whose, settings),
        counted_by=";".join(dict.fromkeys(r.reader for r in whose)),
        settled=bool(settling),
    )


def _in_time(readings: Sequence[Reading]) -> list[Reading]:
    return sorted(readings, key=lambda r: r.read_on) if all(r.read_on for r in readings) else list(readings)


def _counts(readings: Sequence[Reading]) -> list[int]:
    return [r.annuli for r in readings if r.annuli is not None]


def _age_class(specimen: Specimen, age: Age, count: int, whose: Sequence[Reading], settings: Settings) -> int | None:
    """The age class that the readers gave with this count; else what date and margin make of the count."""
    given = [r.age_class for r in whose if r.annuli == count and r.age_class is not None]
    if given and agreed(given) is not None:
        return agreed(given)
    by_count = dict(age.age_by_count) or _by_date_alone(specimen, count, settings)
    if not by_count:
        return None
    nearest = min(by_count, key=lambda n: abs(n - count))  # a count that the machine thinks impossible has no margin
    return max(count + by_count[nearest] - nearest, 0)


def _by_date_alone(specimen: Specimen, count: int, settings: Settings) -> dict[int, int]:
    """The age class of a bone on which the machine measured nothing; empty without a date."""
    margin = Margin(
        counts=((count, 1.0),),
        shares={count: math.nan},
        captured=specimen.captured,
        season=settings.species_of(specimen.species).season_of(specimen.water),
    )
    return dict(age_classes([margin], settings.review.least_age_probability)[0].by_count)
