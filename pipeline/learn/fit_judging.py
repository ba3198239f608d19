"""What is suspected and how sure a count is, fitted to bones of makes that the weights had not seen.

Confidence earned within one make does not travel to the next, so makes are left out in turn: evidence and sequence are
fitted to the others, and what they then say of the makes left out teaches the doubts and the confidence.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipeline.counting.count import count_annuli
from pipeline.learn.fit_counting import Lesson, bone_weights, fit_counting
from pipeline.learn.fit_logit import REACH, fit_logit, rounded
from pipeline.settings.second_pass import FamiliarModel
from pipeline.settings.whole import Settings
from pipeline.together.confidence import (
    Judged,
    confidence_features,
    confidence_log_odds,
    confidence_of,
    familiar_features,
    strangeness,
)
from pipeline.together.counted import CountedBone
from pipeline.together.first_year import first_year_features, first_years, lengths_taught
from pipeline.together.judge import at_margin, first_year_doubts, suspected
from pipeline.together.last_year import last_year_features

FIRST_YEAR_STRENGTH, LAST_YEAR_STRENGTH, CONFIDENCE_STRENGTH = 0.02, 0.02, 0.02
"""Inverse penalties: squares and products that one make needs alone must not pay."""
HIDDEN_WEIGHT = 0.5
"""Of a bone whose first annulus hides or hardly shows, for the confidence. Such bones are drawn more often than they
are met, to teach the doubt about the first year; counted in full they make every bone doubtful."""
GROUPS = 4
"""Groups of makes, each left out as a whole: stricter than one make at a time, and sooner done."""
FAMILIAR_SHARE, BEYOND = 0.99, 1.25
"""So many of the bones taught lie nearer to their middle than a distance; a quarter beyond it a bone is unfamiliar."""
LEAST_VARIANCE = 0.05
"""Of a direction in the space of what bones are like: below it, directions are noise."""


@dataclass(frozen=True, slots=True)
class Answered:
    """A lesson with what weights that had not seen its make say of it."""

    lesson: Lesson
    counted: CountedBone

    @property
    def labels(self) -> list[int]:
        """True annuli among the marks counted, from 0; -1 for a false one."""
        return [int(self.lesson.known.labels[k]) for k in self.counted.taken]

    @property
    def first_missing(self) -> bool:
        """The first annulus is not among the marks counted, or hardly shows."""
        truth = self.lesson.known.truth
        return truth.annuli > 0 and (truth.first_year_obscured or (bool(self.counted.taken) and 0 not in self.labels))

    @property
    def last_missing(self) -> bool:
        """The last annulus lies beyond the marks counted."""
        last = self.lesson.known.truth.annuli - 1
        return last >= 0 and last not in self.labels and max(self.labels, default=-1) >= last - 1


def left_out(taught: Sequence[Lesson], asked: Sequence[Lesson], settings: Settings) -> list[Answered]:
    """Every bone asked, counted by weights that saw no bone of its make, in order.

    taught : bones read with their axis shown; asked : the same bones as the product reads them, with all its faults.
    """
    names = sorted({lesson.known.make for lesson in asked})
    group = {name: at % GROUPS for at, name in enumerate(names)}
    out: dict[int, Answered] = {}
    for left in sorted(set(group.values())):
        seen = [lesson for lesson in taught if group[lesson.known.make] != left]
        own = [i for i, lesson in enumerate(asked) if group[lesson.known.make] == left]
        out |= zip(own, answered([asked[i] for i in own], fit_counting(seen, settings)), strict=True)
    return [out[i] for i in range(len(asked))]


def answered(lessons: Sequence[Lesson], settings: Settings) -> list[Answered]:
    """The lessons as these settings count them."""
    counts = count_annuli([lesson.bone for lesson in lessons], settings)
    return [
        Answered(lesson, CountedBone(lesson.known.specimen, lesson.known.reading, lesson.bone, count))
        for lesson, count in zip(lessons, counts, strict=True)
    ]


def fit_judging(answers: Sequence[Answered], settings: Settings) -> tuple[Settings, pd.DataFrame]:
    """Settings with doubts and confidence fitted to answers of makes left out; and a row a bone of how they did."""
    weight = bone_weights([a.lesson for a in answers])
    counted = [a.counted for a in answers]
    settings = settings.model_copy(
        update={
            "first_year": fit_logit(
                np.stack([first_year_features(c) for c in counted]),
                np.array([a.first_missing for a in answers]),
                FIRST_YEAR_STRENGTH,
                weight,
            ),
            "last_year": fit_logit(
                np.stack([last_year_features(at_margin(c, settings)) for c in counted]),
                np.array([a.last_missing for a in answers]),
                LAST_YEAR_STRENGTH,
                weight,
            ),
            "familiar": _familiar(counted),
        }
    )
    judged = judged_by_set(answers, settings)
    right = np.array([_count(j) == a.lesson.known.truth.annuli for j, a in zip(judged, answers, strict=True)])
    signs = np.stack([confidence_features(j) for j in judged])
    hidden = np.array([a.lesson.known.truth.first_year_obscured for a in answers])
    as_met = np.where(hidden, HIDDEN_WEIGHT, 1.0) * weight
    as_met *= weight.sum() / as_met.sum()
    settings = settings.model_copy(update={"confidence": fit_logit(signs, right, CONFIDENCE_STRENGTH, as_met)})
    return settings, _rows(answers, judged, settings)


def judged_by_set(answers: Sequence[Answered], settings: Settings) -> list[Judged]:
    """What is suspected of each bone, every set taken as one run."""
    sets = [a.lesson.known.folder for a in answers]
    out: dict[int, Judged] = {}
    for folder in sorted(set(sets)):
        own = [i for i, name in enumerate(sets) if name == folder]
        counted = [answers[i].counted for i in own]
        doubt = first_year_doubts(counted, settings)
        known = first_years([lengths_taught(counted, doubt)], settings.count.first_year_bones)
        unseen = suspected(counted, doubt, known, settings)
        strange = strangeness(counted, settings.familiar)
        out |= {i: Judged(*each) for i, *each in zip(own, counted, unseen, strange.tolist(), strict=True)}
    return [out[i] for i in range(len(answers))]


def _count(j: Judged) -> int:
    return j.counted.count.seen + int(j.unseen.first_counted)


def _familiar(counted: Sequence[CountedBone]) -> FamiliarModel:
    features = np.stack([familiar_features(c) for c in counted])
    centre, scale = features.mean(0), features.std(0) + 1e-6
    z = np.clip((features - centre) / scale, -REACH, REACH)
    variance, direction = np.linalg.eigh(np.cov(z.T))
    whitening = direction / np.sqrt(np.maximum(variance, LEAST_VARIANCE)) @ direction.T
    distance = np.sqrt(np.mean((z @ whitening) ** 2, axis=1))
    return FamiliarModel(
        centre=tuple(map(rounded, centre)),
        scale=tuple(map(rounded, scale)),
        reach=REACH,
        whitening=tuple(map(rounded, whitening.ravel())),
        unfamiliar_above=rounded(BEYOND * float(np.quantile(distance, FAMILIAR_SHARE))),
    )


def _rows(answers: Sequence[Answered], judged: Sequence[Judged], settings: Settings) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "make": a.lesson.known.make,
            "level": a.lesson.known.truth.level,
            "readable": a.lesson.known.truth.readable,
            "annuli": a.lesson.known.truth.annuli,
            "counted": _count(j),
            "confidence": confidence_of(j.counted, x),
            "first_missing": a.first_missing,
            "first_doubt": j.unseen.first,
            "last_missing": a.last_missing,
            "last_doubt": j.unseen.last,
            "strangeness": j.strangeness,
        }
        for a, j, x in zip(answers, judged, confidence_log_odds(judged, settings).tolist(), strict=True)
    )
