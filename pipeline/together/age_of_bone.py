"""Judged bones -> their ages, and all that was found out about each: whatever the run as a whole does not decide."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from pipeline.records import Age, AgedMark, BoneReading, Numbers, Specimen
from pipeline.settings.whole import Settings
from pipeline.together.age_class import AgeClasses, Margin, age_classes, edge_of
from pipeline.together.counted import CountedBone
from pipeline.together.increments import increment_expected, margin_share
from pipeline.together.judge import JudgedBone
from pipeline.together.last_year import translucent_probability
from pipeline.together.marks_counted import counted_marks, first_suspected_px, split_or_check
from pipeline.together.plausible import Measured
from pipeline.together.review import PLAIN, Circumstances, Findings

LEAST_COVER = 0.9
"""The range of counts holds at least this probability."""
LEAST_LISTED = 5e-5
"""Counts less probable than this are left out of the table: it has four decimals."""
MARGIN_DOUBT = 0.3
"""Probability of a last annulus unseen at the margin from which a person must look there."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Placed:
    """One row of ages.csv before its age is known."""

    specimen: Specimen
    reading: BoneReading | None
    """None: promised by the table, but not there."""
    around: Circumstances = PLAIN
    digest: str = ""
    """Of the reading as it is kept; only passed on."""


@dataclass(frozen=True, slots=True)
class Found:
    """One bone with its age, all but the reasons and notices."""

    placed: Placed
    """Its reading without marks: what is told of them stands in the age."""
    findings: Findings
    age: Age


def unreadable(placed: Placed, settings: Settings) -> Found:
    """A bone that is not there, or on which nothing could be measured."""
    return Found(placed, _findings(placed, settings), Age(specimen=placed.specimen.specimen, status="unreadable"))


def aged(
    placed: Sequence[Placed], judged: Sequence[JudgedBone], settings: Settings
) -> tuple[list[Found], list[Measured]]:
    """The age of each judged bone, and what it is compared with the others of the run by."""
    marks = [counted_marks(j) for j in judged]
    radii = [tuple(m.radius_px for m in own if m.counted) for own in marks]
    expected = [_expected(j.counted, r, settings) for j, r in zip(judged, radii, strict=True)]
    shares = [margin_share(r, _radius(j.counted), e) for j, r, e in zip(judged, radii, expected, strict=True)]
    classes = age_classes(
        [_margin(j, r, s, settings) for j, r, s in zip(judged, radii, shares, strict=True)],
        settings.review.least_age_probability,
    )
    found = [_found(placed[b], j, marks[b], expected[b], shares[b], classes[b], settings) for b, j in enumerate(judged)]
    measured = [
        Measured(
            fish=j.counted.specimen.fish or j.counted.specimen.specimen,
            scan=j.counted.reading.scan,
            species=j.counted.specimen.species,
            water=j.counted.specimen.water,
            length_mm=j.counted.specimen.length_mm,
            dpi=j.counted.reading.dpi,
            radius_px=_radius(j.counted),
            radii_px=r,
            annuli=j.annuli,
            margin_share=s,
        )
        for j, r, s in zip(judged, radii, shares, strict=True)
    ]
    return found, measured


def _findings(placed: Placed, settings: Settings) -> Findings:
    """What is known of a bone before it is aged."""
    species = placed.specimen.species
    return Findings(
        specimen=placed.specimen,
        reading=placed.reading,
        around=placed.around,
        species_known=not species or settings.knows(species),
    )


def _radius(c: CountedBone) -> float:
    return c.reading.axis.radius_px if c.reading.axis else float("nan")


def _expected(c: CountedBone, radii: tuple[float, ...], settings: Settings) -> float | None:
    growth = settings.species_of(c.specimen.species).growth
    return increment_expected(radii, _radius(c), growth, length_mm=c.specimen.length_mm, dpi=c.reading.dpi)


def _margin(j: JudgedBone, radii: tuple[float, ...], share: float, settings: Settings) -> Margin:
    """What the margin shows for the probable counts: one annulus fewer leaves the last one's growth at the margin."""
    c = j.counted
    n = j.annuli
    counts = tuple((k, p) for k, p in enumerate(j.probability.tolist()) if p > LEAST_LISTED)
    shares = {n: share}
    if radii:
        fewer = radii[:-1]
        shares[n - 1] = margin_share(fewer, _radius(c), _expected(c, fewer, settings))
    season = settings.species_of(c.specimen.species).season_of(c.specimen.water)
    return Margin(counts=counts, shares=shares, captured=c.specimen.captured, season=season)


def _found(
    placed: Placed,
    j: JudgedBone,
    marks: tuple[AgedMark, ...],
    expected: float | None,
    share: float,
    age: AgeClasses,
    settings: Settings,
) -> Found:
    c, n = j.counted, j.annuli
    low, high = _range(j.probability, n)
    listed = _listed(j.probability)
    confidence = dict(listed)[n]  # as in the table: the two must agree to the last digit
    ambiguous = j.first_ambiguous(settings.review.first_year_doubt)
    check, split = split_or_check(c)
    placed = replace(placed, reading=replace(c.reading, marks=()))
    findings = replace(
        _findings(placed, settings),
        annuli=n,
        confidence=confidence,
        radii_px=tuple(m.radius_px for m in marks if m.counted),
        increment_expected_px=expected,
        margin_doubt=j.unseen.last >= MARGIN_DOUBT,
        first_year_ambiguous=ambiguous,
        edge_undecided=age.edge_undecided,
        unfamiliar=j.strangeness > settings.familiar.unfamiliar_above,
        check_seen=check,
        split_seen=split,
    )
    return Found(
        placed,
        findings,
        Age(
            specimen=c.specimen.specimen,
            status="aged",
            annuli=n,
            annuli_low=low,
            annuli_high=high,
            confidence=confidence,
            edge=edge_of(share, translucent_probability(c), settings.review.least_translucent_probability),
            age_class=age.age_class,
            age_class_probability=dict(age.probabilities).get(age.age_class) if age.age_class is not None else None,
            year_class=age.year_class,
            first_year="ambiguous" if ambiguous else "clear",
            count_probabilities=listed,
            age_probabilities=age.probabilities,
            age_by_count=age.by_count,
            marks=marks,
            hidden_first_px=first_suspected_px(j, marks) if ambiguous else None,
        ),
    )


def _range(probability: Numbers, n: int) -> tuple[int, int]:
    """The narrowest range of counts around the most probable that holds `LEAST_COVER`; ties: the more probable, then
    the lower."""
    total = [0.0, *np.cumsum(probability).tolist()]
    best = (len(probability), 0.0, 0, len(probability) - 1)
    for low in range(n + 1):
        high = max(bisect_left(total, total[low] + LEAST_COVER - 1e-9) - 1, n)
        if high >= len(probability):
            break  # from here on even all that is left does not hold enough
        best = min(best, (high - low, total[low] - total[high + 1], low, high))
    return best[2], best[3]


def _listed(probability: Numbers) -> tuple[tuple[int, float], ...]:
    listed = [(k, p) for k, p in enumerate(probability.tolist()) if p >= LEAST_LISTED]
    total = sum(p for _, p in listed)
    return tuple((k, p / total) for k, p in listed)
