"""Evidence -> distribution of the annuli that show on each bone, and which marks they are."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.bone.evidence import EVIDENCE
from pipeline.counting import sequence
from pipeline.counting.chains import ChainBone, chains
from pipeline.counting.decode import best_paths
from pipeline.counting.evidence_odds import evidence_log_odds
from pipeline.counting.features import FEATURES
from pipeline.errors import SettingsError
from pipeline.records import Numbers
from pipeline.settings.whole import Settings

AT_ONCE = 128
"""Bones whose chains are in memory together: some 50 MB."""


@dataclass(frozen=True, slots=True)
class Count:
    """What the evidence of one bone says of the annuli that show."""

    probability: Numbers
    """(number of annuli,) probabilities, from 0 on; together 1."""
    mark_probability: Numbers
    """(candidate,) that it is an annulus."""
    taken: tuple[int, ...]
    """The candidates counted for the most probable number, the innermost first."""

    @property
    def seen(self) -> int:
        """The most probable number of annuli that show (ties: the lower)."""
        return len(self.taken)


def check_weights(settings: Settings) -> None:
    """Raise SettingsError when the weights are not those of this version: of another one's file of refitted weights."""
    model = settings.evidence
    sizes = (len(model.centre), len(model.scale), len(model.weights) - 2)
    if sizes != (len(EVIDENCE),) * 3 or set(settings.count.weights) != set(FEATURES):
        raise SettingsError(
            "evidence and count: these weights are not of this version of opercle; make the file again with "
            "`opercle refit`"
        )


def count_annuli(bones: Sequence[ChainBone], settings: Settings) -> tuple[Count, ...]:
    """Counts of all bones, in order. Only bones with as many candidates are counted together, so that none's count
    depends on the others', to the last bit."""
    out: dict[int, Count] = {}
    w = np.array([settings.count.weights[f] for f in FEATURES])
    alike = defaultdict(list)
    for b, bone in enumerate(bones):
        alike[len(bone.fraction)].append(b)
    for part in (some[at : at + AT_ONCE] for some in alike.values() for at in range(0, len(some), AT_ONCE)):
        together = [bones[b] for b in part]
        odds = evidence_log_odds(np.concatenate([b.evidence for b in together]), settings.evidence)
        out |= zip(part, count_with(together, np.split(odds, len(together)), w), strict=True)
    return tuple(out[b] for b in range(len(bones)))


def count_with(bones: Sequence[ChainBone], odds: Sequence[Numbers], weights: Numbers) -> list[Count]:
    """Counts of some bones whose candidates have these log odds, by weights in the order of `features.FEATURES`."""
    c, chosen = chains(bones, odds)
    s = sequence.scores_of(c, weights)
    probability = sequence.count_probability(s, c.node.shape[1])
    possible = np.arange(probability.shape[1])[None] <= np.array([[b.most_annuli] for b in bones])
    probability = np.where(possible, probability, 0)
    probability = probability / probability.sum(1, keepdims=True)
    paths = best_paths(s, [int(n) for n in probability.argmax(1)])
    taken = sequence.taken_probability(s)
    out = []
    for b, bone in enumerate(bones):
        real = chosen[b] >= 0
        marks = np.zeros(len(bone.fraction))
        marks[chosen[b][real]] = np.clip(taken[b][real], 0, 1)
        out.append(
            Count(
                probability=_as_long_as(bone.most_annuli + 1, probability[b]),
                mark_probability=marks,
                taken=tuple(int(chosen[b][t]) for t in paths[b]),
            )
        )
    return out


def _as_long_as(length: int, probability: Numbers) -> Numbers:
    """Cut, or with nothing for the rest."""
    out = np.zeros(length)
    out[: len(probability)] = probability[:length]
    return out
