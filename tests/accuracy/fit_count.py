"""Evidence, sequence, confidence and doubt about the first year fitted to bones whose annuli are known.

Evidence and sequence are fitted together, by penalised likelihood of known paths and counts (`together.sequence_fit`).
Confidence and first year are logits over what these say of bones that they were not fitted to: counts by a model that
saw no bone of the scan.
"""

from __future__ import annotations

import zlib
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from sklearn.linear_model import LogisticRegression

from pipeline.bone.marks import EVIDENCE
from pipeline.bone.quadratic_logit import quadratic
from pipeline.counting import sequence
from pipeline.counting.chains import Bone, bone_of, chains, evidence_features
from pipeline.counting.count import Count, count_annuli
from pipeline.counting.sequence_fit import Problem, fit, paths
from pipeline.settings import Settings
from pipeline.settings_second_pass import EvidenceModel, NamedWeights
from pipeline.settings_values import Logit
from pipeline.together.confidence import (
    CONFIDENCE,
    calibrated,
    confidence_features,
    first_year_doubt,
    first_year_features,
)
from tests.accuracy.figures import truth_rows
from tests.accuracy.folds import FOLDS, folds
from tests.accuracy.known_bones import KnownBone

REACH = 3.5
"""Standard deviations at which a feature is cut."""
COUNT_WEIGHT = 0.5
"""Half of each bone's say to its path, half to its count: by cross-validation better than either alone."""
START_STRENGTH = 0.02
"""Inverse penalty of the logit over single candidates that the fit starts from and is drawn towards."""
EVIDENCE_PENALTY, CHAIN_PENALTY = 1e-2, 2e-4
"""Of the squared departure of each weight from its start, against the mean loss of a bone."""
CONSTANT_SHARE, LINEAR_SHARE = 0.01, 0.3
"""Of the evidence's penalty that its constant and its linear weights bear: it is squares and products that overfit."""
ITERATIONS = 300
UNTOLD_ONE_IN = 8
"""Bones, of which one is taught without its date and one without its fish's length."""
CONFIDENCE_STRENGTH, FIRST_YEAR_STRENGTH = 0.3, 0.05
"""Inverse penalties of the two logits."""

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Lesson:
    """A known bone as the sequence model sees it."""

    known: KnownBone
    bone: Bone


@dataclass(frozen=True, slots=True)
class Fitted:
    """What fitting gives."""

    settings: Settings
    checked: pd.DataFrame
    """One row a bone by cross-validation, as `figures.figures` takes it, and `doubt`: of the first year."""


def lessons(known: Sequence[KnownBone], settings: Settings) -> list[Lesson]:
    """The bones that can be learned from, each with the first-year length that its run would expect."""
    known = [_as_in_poor_tables(k) for k in known if k.learnable]
    lengths = first_year_lengths(known, settings)
    return [Lesson(k, bone_of(k.specimen, k.reading, settings, mm)) for k, mm in zip(known, lengths, strict=True)]


def _as_in_poor_tables(known: KnownBone) -> KnownBone:
    """The bone; of some the table tells no date, of others no length, so that what the pixels show is learned too."""
    number = zlib.crc32(f"{known.folder}/{known.specimen.specimen}".encode()) % UNTOLD_ONE_IN
    if number > 1:
        return known
    blank = {"captured": None} if number == 0 else {"length_mm": None}
    specimen = replace(known.specimen, **blank)  # type: ignore[arg-type]
    return replace(known, placed=replace(known.placed, specimen=specimen))


def first_year_lengths(known: Sequence[KnownBone], settings: Settings) -> list[float]:
    """Length at the first annulus, mm, that the second pass would expect of each bone: the median of its species in its
    set, drawn towards the species' settings."""
    logs: dict[tuple[str, str], list[float]] = {}
    for k in known:
        if len(k.truth.fractions) and k.specimen.length_mm and not k.truth.first_year_obscured:
            length = float(k.truth.fractions[0]) * k.specimen.length_mm
            logs.setdefault((k.folder, k.specimen.species), []).append(float(np.log(length)))
    worth = settings.count.first_year_bones
    out = []
    for k in known:
        prior = float(np.log(settings.species_of(k.specimen.species).growth.first_year_length_mm))
        own = logs.get((k.folder, k.specimen.species), [])
        median = float(np.median(own)) if own else 0.0
        out.append(float(np.exp((worth * prior + len(own) * median) / (worth + len(own)))))
    return out


def fit_count(taught: Sequence[Lesson], settings: Settings, held: Collection[str] = ()) -> Fitted:
    """All numbers of the second pass fitted; weights of the sequence named in `held` stay zero."""
    fold = folds([lesson.known.scan for lesson in taught])
    counts = _cross_fitted(taught, fold, settings, held)
    right = np.array([_mode(c) == t.known.truth.annuli for c, t in zip(counts, taught, strict=True)])
    hidden = np.array([t.known.truth.first_year_obscured for t in taught])
    signs = np.array([confidence_features(c, t.bone, t.known.reading) for c, t in zip(counts, taught, strict=True)])
    doubts = np.array([first_year_features(c, t.bone, t.known.reading) for c, t in zip(counts, taught, strict=True)])
    checked = truth_rows([t.known for t in taught])
    checked["counted"] = [float(_mode(c)) for c in counts]
    sure, doubt = np.zeros(len(taught)), np.zeros(len(taught))
    for out in range(FOLDS):
        seen = fold != out
        trial = settings.model_copy(
            update={
                "confidence": _fit_confidence(signs[seen], right[seen]),
                "first_year": _fit_first_year(doubts[seen], hidden[seen]),
            }
        )
        for i in np.flatnonzero(~seen):
            known, bone = taught[int(i)].known, taught[int(i)].bone
            sure[i] = calibrated(counts[i], bone, known.reading, trial).max()
            doubt[i] = first_year_doubt(counts[i], bone, known.reading, trial)
    checked["confidence"], checked["doubt"] = sure, doubt
    update = {"confidence": _fit_confidence(signs, right), "first_year": _fit_first_year(doubts, hidden)}
    return Fitted(_fit_sequence(taught, settings, held).model_copy(update=update), checked)


def _cross_fitted(
    taught: Sequence[Lesson], fold: NDArray[np.int64], settings: Settings, held: Collection[str]
) -> list[Count]:
    """Counts of every bone by a model that saw no bone of its scan."""
    out: dict[int, Count] = {}
    for left_out in range(FOLDS):
        seen = [lesson for lesson, own in zip(taught, fold, strict=True) if own != left_out]
        test = [i for i, own in enumerate(fold) if own == left_out]
        model = _fit_sequence(seen, settings, held)
        out |= zip(test, count_annuli([taught[i].bone for i in test], model), strict=True)
    return [out[i] for i in range(len(taught))]


def _fit_sequence(taught: Sequence[Lesson], settings: Settings, held: Collection[str]) -> Settings:
    """Settings with evidence and sequence fitted to these bones."""
    bones = [lesson.bone for lesson in taught]
    every = np.concatenate([b.evidence for b in bones])
    model = EvidenceModel(centre=tuple(every.mean(0)), scale=tuple(every.std(0) + 1e-6), reach=REACH, weights=())
    features = [evidence_features(b.evidence, model) for b in bones]
    real_mark = np.concatenate([lesson.known.labels >= 0 for lesson in taught])
    alone = LogisticRegression(C=START_STRENGTH, fit_intercept=False, max_iter=200)
    start = alone.fit(np.concatenate(features).astype(np.float32), real_mark).coef_[0]
    arrays, chosen = chains(bones, [f @ start for f in features])
    shown = np.zeros((*chosen.shape, len(start)), np.float32)
    labels = np.full(chosen.shape, -1)
    for b, (own, lesson) in enumerate(zip(features, taught, strict=True)):
        there = chosen[b] >= 0
        shown[b, there], labels[b, there] = own[chosen[b][there]], lesson.known.labels[chosen[b][there]]
    annuli = tuple(lesson.known.truth.annuli for lesson in taught)
    problem = Problem(arrays, shown, tuple(paths(list(labels), annuli)), annuli, COUNT_WEIGHT)
    penalty = np.full(len(start), EVIDENCE_PENALTY)
    penalty[0] *= CONSTANT_SHARE
    penalty[1 : len(EVIDENCE) + 1] *= LINEAR_SHARE
    evidence, chain = fit(
        problem,
        (start, np.zeros(len(sequence.FEATURES))),
        penalty,
        np.full(len(sequence.FEATURES), CHAIN_PENALTY),
        ITERATIONS,
        np.isin(sequence.FEATURES, list(held)),
    )
    weights = dict(zip(sequence.FEATURES, (float(w) for w in chain), strict=True))
    return settings.model_copy(
        update={
            "evidence": model.model_copy(update={"weights": tuple(float(w) for w in evidence)}),
            "count": settings.count.model_copy(update={"weights": weights}),
        }
    )


def _fit_confidence(signs: Floats, right: NDArray[np.bool_]) -> NamedWeights:
    """The logit of a count being right; the first sign is the constant."""
    x = signs[:, 1:]
    centre, scale = x.mean(0), x.std(0) + 1e-9
    model = LogisticRegression(C=CONFIDENCE_STRENGTH, max_iter=1000).fit((x - centre) / scale, right)
    weights = model.coef_[0] / scale
    values = [float(model.intercept_[0] - weights @ centre), *map(float, weights)]
    return NamedWeights(weights=dict(zip(CONFIDENCE, values, strict=True)))


def _fit_first_year(features: Floats, hidden: NDArray[np.bool_]) -> Logit:
    """The logit of a first annulus that is hidden or hardly shows."""
    centre, scale = features.mean(0), features.std(0) + 1e-9
    x = quadratic(np.clip((features - centre) / scale, -REACH, REACH))
    model = LogisticRegression(C=FIRST_YEAR_STRENGTH, max_iter=2000).fit(x, hidden)
    return Logit(
        centre=tuple(centre),
        scale=tuple(scale),
        weights=tuple(model.coef_[0]),
        constant=float(model.intercept_[0]),
        reach=REACH,
    )


def _mode(count: Count) -> int:
    return int(count.probability.argmax())
