"""The second pass over a whole run: readings of bones + rows of the table + settings -> ages. Holds no pixels."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence

import numpy as np

from pipeline.records import Age, AgedMark, BoneReading, Numbers, Specimen
from pipeline.settings.whole import Settings
from pipeline.together import plausible
from pipeline.together.age_class import AgeClasses, Margin, age_classes, edge_of
from pipeline.together.counted import CountedBone
from pipeline.together.increments import increment_expected, margin_share
from pipeline.together.judge import JudgedBone, judge
from pipeline.together.last_year import translucent_probability
from pipeline.together.marks_counted import counted_marks, first_suspected_px, split_or_check
from pipeline.together.plausible import Measured
from pipeline.together.review import PLAIN, Circumstances, Findings, notices_of, reasons_of

LEAST_COVER = 0.9
"""The range of counts holds at least this probability."""
LEAST_LISTED = 5e-5
"""Counts less probable than this are left out of the table: it has four decimals."""
MARGIN_DOUBT = 0.3
"""Probability of a last annulus unseen at the margin from which a person must look there."""


def age_bones(
    bones: Sequence[tuple[Specimen, BoneReading | None]], settings: Settings, around: Sequence[Circumstances] = ()
) -> tuple[Age, ...]:
    """The age of every bone of a run, in order; one that is not there, or on which nothing could be measured, is
    unreadable. `around` are the circumstances of each bone; without them all are plain."""
    each = [(s, r, a) for (s, r), a in zip(bones, around or [PLAIN] * len(bones), strict=True)]
    measured = [((s, r), a) for s, r, a in each if r is not None and r.axis is not None]
    ages = iter(_age_bones([bone for bone, _ in measured], [a for _, a in measured], settings))
    return tuple(
        next(ages) if r is not None and r.axis is not None else _unreadable(s, r, a, settings) for s, r, a in each
    )


def _unreadable(specimen: Specimen, reading: BoneReading | None, around: Circumstances, settings: Settings) -> Age:
    known = not specimen.species or settings.knows(specimen.species)
    found = Findings(specimen=specimen, reading=reading, around=around, species_known=known)
    reasons, notices = reasons_of(found, settings.review), notices_of(found)
    return Age(specimen=specimen.specimen, status="unreadable", reasons=reasons, notices=notices)


def _age_bones(
    bones: Sequence[tuple[Specimen, BoneReading]], around: Sequence[Circumstances], settings: Settings
) -> tuple[Age, ...]:
    if not bones:
        return ()
    judged = judge(bones, settings)
    marks = [counted_marks(j) for j in judged]
    radii = [tuple(m.radius_px for m in own if m.counted) for own in marks]
    expected = [_expected(j.counted, r, settings) for j, r in zip(judged, radii, strict=True)]
    shares = [margin_share(r, _radius(j.counted), e) for j, r, e in zip(judged, radii, expected, strict=True)]
    classes = age_classes(
        [_margin(j, r, s, settings) for j, r, s in zip(judged, radii, shares, strict=True)],
        settings.review.least_age_probability,
    )
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
    size, growth = plausible.size_mismatches(measured, settings), plausible.unlikely_growth(measured, settings)
    sides = plausible.sides_that_differ(measured)
    return tuple(
        _age(
            j,
            own,
            radii[b],
            expected[b],
            shares[b],
            classes[b],
            (bool(size[b]), bool(growth[b]), bool(sides[b])),
            around[b],
            settings,
        )
        for b, (j, own) in enumerate(zip(judged, marks, strict=True))
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


def _age(
    j: JudgedBone,
    marks: tuple[AgedMark, ...],
    radii: tuple[float, ...],
    expected: float | None,
    share: float,
    age: AgeClasses,
    odd: tuple[bool, bool, bool],
    around: Circumstances,
    settings: Settings,
) -> Age:
    c, n = j.counted, j.annuli
    low, high = _range(j.probability, n)
    listed = _listed(j.probability)
    confidence = dict(listed)[n]  # as in the table: the two must agree to the last digit
    ambiguous = j.first_ambiguous(settings.review.first_year_doubt)
    check, split = split_or_check(c)
    found = Findings(
        specimen=c.specimen,
        reading=c.reading,
        around=around,
        species_known=not c.specimen.species or settings.knows(c.specimen.species),
        annuli=n,
        confidence=confidence,
        radii_px=radii,
        increment_expected_px=expected,
        margin_doubt=j.unseen.last >= MARGIN_DOUBT,
        first_year_ambiguous=ambiguous,
        edge_undecided=age.edge_undecided,
        unfamiliar=j.strangeness > settings.familiar.unfamiliar_above,
        size_mismatch=odd[0],
        unlikely_growth=odd[1],
        sides_differ=odd[2],
        check_seen=check,
        split_seen=split,
    )
    return Age(
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
        reasons=reasons_of(found, settings.review),
        notices=notices_of(found),
        count_probabilities=listed,
        age_probabilities=age.probabilities,
        age_by_count=age.by_count,
        marks=marks,
        hidden_first_px=first_suspected_px(j, marks) if ambiguous else None,
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
