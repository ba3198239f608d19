"""The second pass over a whole run: readings of bones + rows of the table + settings -> ages. Holds no pixels."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median

import numpy as np

from pipeline.bone.marks import EVIDENCE
from pipeline.counting.chains import Bone, bone_of
from pipeline.counting.count import Count, count_annuli
from pipeline.counting.increments import increment_expected, margin_share
from pipeline.counting.sequence import Numbers
from pipeline.names import folded
from pipeline.records import Age, AgedMark, BoneReading, Specimen
from pipeline.settings import Settings
from pipeline.together import plausible
from pipeline.together.age_class import AgeClasses, Margin, age_classes, edge_of
from pipeline.together.confidence import calibrated, first_year_doubt
from pipeline.together.first_year import asked, first_year_lengths
from pipeline.together.marks_counted import counted_marks, hidden_first_px, split_or_check
from pipeline.together.plausible import Measured
from pipeline.together.review import PLAIN, Circumstances, Findings, notices_of, reasons_of

ROUNDS = 2
"""Times that first-year lengths are taken from the run's counts and the counts made again: a third changes nothing."""
LEAST_COVER = 0.9
"""The range of counts holds at least this probability."""
LEAST_TOLD = 5e-5
"""Counts less probable than this are left out of the table: it has four decimals."""
_RIM = EVIDENCE.index("rim_rise")
_DEPTH = EVIDENCE.index("log_depth")


@dataclass(frozen=True, slots=True)
class CountedBone:
    """One bone with its count."""

    specimen: Specimen
    reading: BoneReading
    bone: Bone
    count: Count
    probability: Numbers
    """Calibrated, (number of annuli,)."""
    first_year_mm: float

    @property
    def annuli(self) -> int:
        return int(self.probability.argmax())


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
    counted = counted_bones(bones, settings)
    marks = [counted_marks(c.reading, c.bone, c.count) for c in counted]
    radii = [tuple(m.radius_px for m in own if m.counted) for own in marks]
    expected = [_expected(c, r) for c, r in zip(counted, radii, strict=True)]
    shares = [margin_share(r, _radius(c.reading), e) for c, r, e in zip(counted, radii, expected, strict=True)]
    classes = age_classes(
        [_margin(c, r, s) for c, r, s in zip(counted, radii, shares, strict=True)],
        settings.review.least_age_probability,
    )
    measured = [
        Measured(
            fish=c.specimen.fish or c.specimen.specimen,
            scan=c.reading.scan,
            species=c.specimen.species,
            water=c.specimen.water,
            length_mm=c.specimen.length_mm,
            dpi=c.reading.dpi,
            radius_px=_radius(c.reading),
            radii_px=r,
            annuli=c.annuli,
            margin_share=s,
        )
        for c, r, s in zip(counted, radii, shares, strict=True)
    ]
    size, growth = plausible.size_mismatches(measured, settings), plausible.unlikely_growth(measured, settings)
    sides = plausible.sides_that_differ(measured)
    return tuple(
        _age(
            c,
            own,
            radii[b],
            expected[b],
            shares[b],
            classes[b],
            (bool(size[b]), bool(growth[b]), bool(sides[b])),
            around[b],
            settings,
        )
        for b, (c, own) in enumerate(zip(counted, marks, strict=True))
    )


def counted_bones(bones: Sequence[tuple[Specimen, BoneReading]], settings: Settings) -> list[CountedBone]:
    """Count of every bone of a run, in order, with the first-year length that the run's bones together suggest."""
    first_mm = _first_years(bones, settings)
    told = [bone_of(s, r, settings, float(mm)) for (s, r), mm in zip(bones, first_mm, strict=True)]
    return [
        CountedBone(s, r, b, c, calibrated(c, b, r, settings), float(mm))
        for (s, r), b, c, mm in zip(bones, told, count_annuli(told, settings), first_mm, strict=True)
    ]


def _first_years(bones: Sequence[tuple[Specimen, BoneReading]], settings: Settings) -> Numbers:
    """(bone,) length at the first annulus that species and run let expect, mm."""
    expected = np.array([settings.species_of(s.species).growth.first_year_length_mm for s, _ in bones])
    groups = [folded(s.species.strip()) for s, _ in bones]
    measured = [b for b, (s, _) in enumerate(bones) if s.length_mm is not None]
    chosen = asked([groups[b] for b in measured], [bones[b][0].specimen for b in measured])
    some = [measured[b] for b in chosen]
    found, sure = np.full(len(bones), np.nan), np.zeros(len(bones))
    first_mm = expected
    for _ in range(ROUNDS):
        told = [bone_of(*bones[b], settings, float(first_mm[b])) for b in some]
        for b, bone, count in zip(some, told, count_annuli(told, settings), strict=True):
            found[b], sure[b] = _first_length(bones[b][0], bone, count), _surely_first(count)
        first_mm = first_year_lengths(groups, expected, found, sure, settings.count.first_year_bones)
    return first_mm


def _first_length(specimen: Specimen, bone: Bone, count: Count) -> float:
    """The fish's length at the first mark counted, by proportion; nan when not known."""
    if not count.path.taken or count.path.hidden_first or specimen.length_mm is None:
        return float("nan")
    return specimen.length_mm * float(bone.fraction[count.path.taken[0]])


def _surely_first(count: Count) -> float:
    if not count.path.taken:
        return 0.0
    return (
        float(count.mark_probability[count.path.taken[0]]) * (1 - count.hidden_first) * float(count.probability.max())
    )


def _radius(reading: BoneReading) -> float:
    return reading.axis.radius_px if reading.axis else float("nan")


def _expected(c: CountedBone, radii: tuple[float, ...]) -> float | None:
    return increment_expected(
        radii,
        _radius(c.reading),
        c.bone.growth,
        length_mm=c.specimen.length_mm,
        dpi=c.reading.dpi,
        first_year_length_mm=c.first_year_mm,
    )


def _margin(c: CountedBone, radii: tuple[float, ...], share: float) -> Margin:
    """What the margin shows for the probable counts: one annulus fewer leaves the last one's growth at the margin."""
    n = c.annuli
    counts = tuple((k, p) for k, p in enumerate(c.probability.tolist()) if p > LEAST_TOLD)
    shares = {n: share}
    if radii:
        fewer = radii[:-1]
        shares[n - 1] = margin_share(fewer, _radius(c.reading), _expected(c, fewer))
    return Margin(counts=counts, shares=shares, translucent=None, captured=c.specimen.captured, season=c.bone.season)


def _translucent(c: CountedBone) -> float:
    """How much the margin looks like a winter zone: rise of opacity loss at the margin over the depth of the marks
    counted."""
    taken = c.count.path.taken
    if not taken:
        return 0.0
    depth = median(np.exp(c.bone.evidence[list(taken), _DEPTH]).tolist())
    rise = float(c.bone.evidence[taken[-1], _RIM])
    return float(1 / (1 + np.exp(-8 * (rise / max(depth, 0.02) - 0.7))))


def _age(
    c: CountedBone,
    marks: tuple[AgedMark, ...],
    radii: tuple[float, ...],
    expected: float | None,
    share: float,
    age: AgeClasses,
    odd: tuple[bool, bool, bool],
    around: Circumstances,
    settings: Settings,
) -> Age:
    n = c.annuli
    low, high = _range(c.probability, n)
    told = _told(c.probability)
    confidence = dict(told)[n]  # as in the table: the two must agree to the last digit
    doubt = first_year_doubt(c.count, c.bone, c.reading, settings)
    ambiguous = doubt >= settings.review.first_year_doubt and not (n == 0 and c.count.hidden_first < 0.5)
    check, split = split_or_check(c.bone, c.count)
    found = Findings(
        specimen=c.specimen,
        reading=c.reading,
        around=around,
        species_known=not c.specimen.species or settings.knows(c.specimen.species),
        annuli=n,
        confidence=confidence,
        radii_px=radii,
        increment_expected_px=expected,
        margin_doubt=c.count.path.late,
        first_year_ambiguous=ambiguous,
        edge_undecided=age.edge_undecided,
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
        edge=edge_of(share, _translucent(c), settings.review.least_translucent_probability),
        age_class=age.age_class,
        age_class_probability=dict(age.probabilities).get(age.age_class) if age.age_class is not None else None,
        year_class=age.year_class,
        first_year="ambiguous" if ambiguous else "clear",
        reasons=reasons_of(found, settings.review),
        notices=notices_of(found),
        count_probabilities=told,
        age_probabilities=age.probabilities,
        age_by_count=age.by_count,
        marks=marks,
        hidden_first_px=hidden_first_px(c.reading, c.bone, marks) if ambiguous else None,
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


def _told(probability: Numbers) -> tuple[tuple[int, float], ...]:
    told = [(k, p) for k, p in enumerate(probability.tolist()) if p >= LEAST_TOLD]
    total = sum(p for _, p in told)
    return tuple((k, p / total) for k, p in told)
