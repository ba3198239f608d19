"""Evidence and sequence fitted to bones whose annuli are known."""

from __future__ import annotations

import zlib
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.bone.evidence import EVIDENCE
from pipeline.counting.chains import ChainBone, chains
from pipeline.counting.evidence_odds import node_features
from pipeline.counting.features import FEATURES
from pipeline.counting.sequence_fit import Problem, fit
from pipeline.counting.trees import tree_log_odds
from pipeline.learn.fit_trees import fit_trees
from pipeline.learn.folds import FOLDS, folds
from pipeline.learn.known_bones import KnownBone
from pipeline.learn.labels import Target, target_of, visible
from pipeline.records import Numbers
from pipeline.settings.second_pass import EvidenceModel
from pipeline.settings.whole import Settings

REACH = 3.5
"""Standard deviations at which evidence is cut."""
COUNT_SHARE = 0.5
"""Half of each bone's weight for its path, half for its count: by cross-validation better than either alone."""
LINEAR_PENALTY, FREE_PENALTY, CHAIN_PENALTY = 3e-3, 1e-4, 2e-4
"""Of the squared departure of each weight from its start, against the mean loss of a bone: linear evidence, constant
and trees, chain."""
ITERATIONS = 120
MOST_CHAIN_BONES = 1200
"""The chain has some sixty weights, which so many bones settle; the trees are grown on all."""
MOST_FOCUS_ERROR = 0.1
"""Share of the radius: what a bone shows about a wrong focus teaches nothing of annuli."""


@dataclass(frozen=True, slots=True)
class Lesson:
    """A known bone as the sequence model sees it."""

    known: KnownBone
    bone: ChainBone
    target: Target


def lessons(known: Sequence[KnownBone], settings: Settings) -> list[Lesson]:
    """The bones that can be learned from."""
    return [
        Lesson(k, bone_of(k, settings), target_of(k.labels, k.truth)) for k in known if k.learnable and k.reading.marks
    ]


def bone_of(known: KnownBone, settings: Settings) -> ChainBone:
    """A known bone as the sequence model sees it."""
    reading = known.reading
    return ChainBone(
        evidence=np.array([m.evidence for m in reading.marks], np.float64).reshape(-1, len(EVIDENCE)),
        fraction=np.array([m.fraction for m in reading.marks], np.float64),
        radius_px=reading.axis.radius_px if reading.axis else 1.0,
        most_annuli=settings.species_of(known.specimen.species).growth.most_annuli,
    )


def fit_counting(taught: Sequence[Lesson], settings: Settings) -> Settings:
    """Settings with evidence and sequence fitted to these bones.

    The chain is fitted to what the trees say of bones that they were not grown on: on their own bones they are too
    sure.
    """
    taught = [lesson for lesson in taught if lesson.known.focus_error < MOST_FOCUS_ERROR]
    sizes = [len(lesson.bone.fraction) for lesson in taught]
    evidence = np.concatenate([lesson.bone.evidence for lesson in taught])
    annulus = np.concatenate([lesson.known.labels >= 0 for lesson in taught])
    weight = np.repeat(bone_weights(taught), sizes) * np.concatenate([_say(lesson) for lesson in taught])
    part = np.repeat(folds([lesson.known.scan for lesson in taught]), sizes)
    odds = np.zeros(len(evidence))
    for out in range(FOLDS):
        seen = part != out
        odds[~seen] = tree_log_odds(evidence[~seen], fit_trees(evidence[seen], annulus[seen], weight[seen]))
    trees = fit_trees(evidence, annulus, weight)
    model = EvidenceModel(
        trees=trees,
        centre=tuple(evidence.mean(0).tolist()),
        scale=tuple((evidence.std(0) + 1e-6).tolist()),
        reach=REACH,
        weights=(),
    )
    by_bone = np.split(odds, np.cumsum(sizes)[:-1])
    some = _some([lesson.known for lesson in taught], MOST_CHAIN_BONES)
    return _fit_chain([taught[i] for i in some], [by_bone[i] for i in some], model, settings)


def _some(known: Sequence[KnownBone], most: int) -> list[int]:
    """At most so many bones, drawn by their names, in order."""
    drawn = sorted(
        range(len(known)), key=lambda i: zlib.crc32(f"{known[i].folder}/{known[i].specimen.specimen}".encode())
    )
    return sorted(drawn[:most])


def _say(lesson: Lesson) -> Numbers:
    """(candidate,) 1, or 0 for a candidate that lies on a first annulus which hardly shows: it teaches neither yes nor
    no."""
    hardly = lesson.known.labels == 0 if not visible(lesson.known.truth) else np.zeros(len(lesson.known.labels), bool)
    return np.where(hardly, 0.0, 1.0)


def bone_weights(taught: Sequence[Lesson]) -> Numbers:
    """(bone,) so that every make counts alike; their mean is 1."""
    makes = [lesson.known.make for lesson in taught]
    many = {make: makes.count(make) for make in set(makes)}
    return np.array([len(taught) / len(many) / many[make] for make in makes])


def _fit_chain(taught: Sequence[Lesson], odds: Sequence[Numbers], model: EvidenceModel, settings: Settings) -> Settings:
    bones = [lesson.bone for lesson in taught]
    arrays, chosen = chains(bones, odds)
    node, paths, counts = problem_parts([lesson.target for lesson in taught], bones, odds, chosen, model)
    start = np.zeros(node.shape[2])
    start[1] = 1.0
    penalty = np.full(len(start), LINEAR_PENALTY)
    penalty[:2] = FREE_PENALTY
    evidence, chain = fit(
        Problem(arrays, node, paths, counts, COUNT_SHARE),
        (start, np.zeros(len(FEATURES))),
        penalty,
        np.full(len(FEATURES), CHAIN_PENALTY),
        ITERATIONS,
    )
    weights = dict(zip(FEATURES, (float(w) for w in chain), strict=True))
    return settings.model_copy(
        update={
            "evidence": model.model_copy(update={"weights": tuple(float(w) for w in evidence)}),
            "count": settings.count.model_copy(update={"weights": weights}),
        }
    )


def problem_parts(
    targets: Sequence[Target],
    bones: Sequence[ChainBone],
    odds: Sequence[Numbers],
    chosen: NDArray[np.int64],
    model: EvidenceModel,
) -> tuple[NDArray[np.float32], tuple[tuple[int, ...] | None, ...], tuple[int | None, ...]]:
    """Node features (bone, candidate, feature), known paths and known counts, in the order of the chain's
    candidates."""
    node = np.zeros((*chosen.shape, len(EVIDENCE) + 2), np.float32)
    paths: list[tuple[int, ...] | None] = []
    for b, (bone, own, target) in enumerate(zip(bones, odds, targets, strict=True)):
        real = chosen[b] >= 0
        node[b, real] = node_features(bone.evidence, own, model)[chosen[b][real]]
        at = {int(c): n for n, c in enumerate(chosen[b]) if c >= 0}
        known = target.path is not None and all(c in at for c in target.path)
        paths.append(tuple(at[c] for c in target.path) if known and target.path is not None else None)
    return node, tuple(paths), tuple(target.seen for target in targets)
