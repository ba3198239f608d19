"""Counts of all bones of a run, with what is suspected and how sure each is."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from pipeline.bone.quadratic_logit import log_odds as logit_of
from pipeline.counting.count import count_annuli
from pipeline.records import BoneReading, Numbers, Specimen
from pipeline.settings.whole import Settings
from pipeline.together.both_sides import Sides, check_sides, sides_of
from pipeline.together.confidence import Judged, confidence_log_odds, confidence_of, strangeness
from pipeline.together.counted import CountedBone, bone_of, probability
from pipeline.together.first_year import (
    FirstYears,
    Group,
    expected_fraction,
    first_year_features,
    first_years,
    hidden_probability,
    lengths_taught,
)
from pipeline.together.increments import increment_expected, margin_share
from pipeline.together.last_year import AtMargin, last_year_features
from pipeline.together.season import formed_probability
from pipeline.together.unseen import Unseen, count_distribution, with_confidence

COUNTED_ABOVE = 0.9
"""Probability above which an unseen first annulus is counted, where the run's own bones say where it would lie: what
nothing shows must be all but certain."""


@dataclass(frozen=True, slots=True)
class JudgedBone:
    """One bone with its count, all that is suspected, and the distribution that comes of both."""

    counted: CountedBone
    unseen: Unseen
    first_expected: float | None
    """Share of the axis at which the run's own bones let the first annulus be expected; None where they say nothing."""
    strangeness: float
    """Distance from what was taught."""
    log_odds: float
    """That the count is right, before the likeness of the bone is asked."""
    probability: Numbers
    """Calibrated, (number of annuli,)."""

    def first_ambiguous(self, least_doubt: float) -> bool:
        """The first year is not clear: an annulus may be hidden inside the first one counted, or is counted unseen."""
        return self.unseen.first_counted or self.unseen.first >= least_doubt

    @property
    def annuli(self) -> int:
        """The number counted: what shows, and an unseen first annulus where the run's own bones say so."""
        return self.counted.count.seen + int(self.unseen.first_counted)


def judge(bones: Sequence[tuple[Specimen, BoneReading]], settings: Settings) -> list[JudgedBone]:
    """Every bone of a run, in order, all of them held at once."""
    counted = counted_bones(bones, settings)
    doubt = first_year_doubts(counted, settings)
    known = first_years([lengths_taught(counted, doubt)], settings.count.first_year_bones)
    judged = judged_bones(counted, doubt, known, settings)
    kept = check_sides(*sides_of_judged(judged)).confidence_kept
    return judged if kept == 1 else [less_sure(j, kept) for j in judged]


def judged_bones(
    counted: Sequence[CountedBone], doubt: Sequence[float], known: Mapping[Group, FirstYears], settings: Settings
) -> list[JudgedBone]:
    """Some bones of a run. `doubt` is that of `first_year_doubts`, `known` what all bones of the run teach."""
    unseen = suspected(counted, doubt, known, settings)
    strange = strangeness(counted, settings.familiar)
    asked = [Judged(*each) for each in zip(counted, unseen, strange.tolist(), strict=True)]
    odds = confidence_log_odds(asked, settings)
    return [_judged(j, known, x) for j, x in zip(asked, odds.tolist(), strict=True)]


def sides_of_judged(judged: Sequence[JudgedBone]) -> Sides:
    """What `check_sides` asks of each bone."""
    return sides_of([(j.counted.specimen, j.annuli, float(j.probability[j.annuli])) for j in judged])


def _judged(j: Judged, known: Mapping[Group, FirstYears], log_odds: float) -> JudgedBone:
    c = j.counted
    p = count_distribution(c.count.probability, j.unseen, c.bone.most_annuli)
    n = c.count.seen + int(j.unseen.first_counted)
    return JudgedBone(
        counted=c,
        unseen=j.unseen,
        first_expected=expected_fraction(c, known),
        strangeness=j.strangeness,
        log_odds=log_odds,
        probability=with_confidence(p, n, confidence_of(c, log_odds)),
    )


def less_sure(j: JudgedBone, kept: float) -> JudgedBone:
    """The bone with this share of its confidence."""
    return replace(j, probability=with_confidence(j.probability, j.annuli, kept * float(j.probability[j.annuli])))


def counted_bones(bones: Sequence[tuple[Specimen, BoneReading]], settings: Settings) -> list[CountedBone]:
    """Every bone with the annuli that show on it."""
    seen = [bone_of(specimen, reading, settings) for specimen, reading in bones]
    return [
        CountedBone(specimen, reading, bone, count)
        for (specimen, reading), bone, count in zip(bones, seen, count_annuli(seen, settings), strict=True)
    ]


def first_year_doubts(counted: Sequence[CountedBone], settings: Settings) -> list[float]:
    """Probability, from each bone's own pixels, that its first annulus is hidden."""
    if not counted:
        return []
    odds = logit_of(np.stack([first_year_features(c) for c in counted]), settings.first_year)
    return [probability(x) for x in odds.tolist()]


def suspected(
    counted: Sequence[CountedBone], doubt: Sequence[float], known: Mapping[Group, FirstYears], settings: Settings
) -> list[Unseen]:
    """What nothing shows on each bone. `doubt` is that of `first_year_doubts`, `known` what the run's bones teach of
    first years."""
    if not counted:
        return []
    last = logit_of(np.stack([last_year_features(at_margin(c, settings)) for c in counted]), settings.last_year)
    return [_unseen(c, d, probability(x), known) for c, d, x in zip(counted, doubt, last.tolist(), strict=True)]


def _unseen(c: CountedBone, doubt: float, last: float, known: Mapping[Group, FirstYears]) -> Unseen:
    first = hidden_probability(c, doubt, known)
    room = 0 < c.count.seen < c.bone.most_annuli
    counted = room and first > COUNTED_ABOVE and expected_fraction(c, known) is not None
    return Unseen(first=first, first_counted=counted, last=last)


def at_margin(c: CountedBone, settings: Settings) -> AtMargin:
    """The margin of a bone, with what date and growth say of it."""
    species = settings.species_of(c.specimen.species)
    margin = c.bone.radius_px
    radii = [f * margin for f in c.fractions]
    expected = increment_expected(radii, margin, species.growth, length_mm=c.specimen.length_mm, dpi=c.reading.dpi)
    captured = c.specimen.captured
    formed = None
    if captured is not None:
        formed = float(formed_probability(captured, max(c.count.seen, 1), species.season_of(c.specimen.water)))
    return AtMargin(counted=c, share=margin_share(radii, margin, expected), formed=formed)
