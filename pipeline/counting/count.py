"""Evidence -> distribution of the count of each bone, and which marks are counted."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.bone.marks import EVIDENCE
from pipeline.counting import sequence
from pipeline.counting.chains import Bone, chains, evidence_features, evidence_log_odds
from pipeline.counting.decode import Decoded, best_paths
from pipeline.counting.sequence import FEATURES, Numbers
from pipeline.errors import SettingsError
from pipeline.settings import Settings

AT_ONCE = 128
"""Bones whose chains are in memory together: some 50 MB."""


@dataclass(frozen=True, slots=True)
class Count:
    """What the evidence of one bone says of its annuli."""

    probability: Numbers
    """(number of annuli,) probabilities, from 0 on; together 1."""
    mark_probability: Numbers
    """(candidate,) that it is an annulus."""
    path: Decoded
    """The marks counted for the most probable number; `taken` are indices of the bone's candidates."""
    hidden_first: float
    """Probability that the first annulus is hidden."""
    late: float
    """Probability that the last annulus lies unseen at the margin."""


def check_weights(settings: Settings) -> None:
    """Raise SettingsError when the weights are not those of this version: of another one's file of refitted weights."""
    model = settings.evidence
    sizes = {len(model.centre), len(model.scale)}
    needed = evidence_features(np.zeros((0, len(EVIDENCE))), model).shape[1] if sizes == {len(EVIDENCE)} else 0
    if len(model.weights) != needed:
        raise SettingsError(
            f"evidence.weights: {len(model.weights)} numbers, which this version of opercle cannot use; make the file "
            "again with `opercle refit`"
        )


def count_annuli(bones: Sequence[Bone], settings: Settings) -> tuple[Count, ...]:
    """Counts of all bones, in order."""
    out: dict[int, Count] = {}
    w = np.array([settings.count.weights[f] for f in FEATURES])
    most = max((b.growth.most_annuli for b in bones), default=0)
    # The work of all bones counted together grows with the candidates of the one that has the most.
    order = sorted(range(len(bones)), key=lambda b: len(bones[b].fraction))
    for start in range(0, len(bones), AT_ONCE):
        part = order[start : start + AT_ONCE]
        together = [bones[b] for b in part]
        odds = evidence_log_odds(np.concatenate([b.evidence for b in together]), settings.evidence)
        ends = np.cumsum([len(b.evidence) for b in together])[:-1]
        out |= zip(part, _count(together, np.split(odds, ends), w, most), strict=True)
    return tuple(out[b] for b in range(len(bones)))


def _count(bones: Sequence[Bone], odds: Sequence[Numbers], w: Numbers, most: int) -> list[Count]:
    c, chosen = chains(bones, odds)
    s = sequence.scores(c, w)
    m = sequence.marginals(s, most)
    allowed = np.arange(most + 1)[None, :] <= np.array([b.growth.most_annuli for b in bones])[:, None]
    probability = np.where(allowed, m.count, 0)
    probability = probability / probability.sum(1, keepdims=True)
    paths = best_paths(s, [int(n) for n in probability.argmax(1)])
    out = []
    for b, bone in enumerate(bones):
        real = chosen[b] >= 0
        marks = np.zeros(len(bone.evidence))
        marks[chosen[b][real]] = m.taken[b][real]
        path = paths[b]
        path = Decoded(tuple(int(chosen[b][t]) for t in path.taken), path.hidden_first, path.late)
        out.append(
            Count(
                probability=probability[b],
                mark_probability=np.clip(marks, 0, 1),
                path=path,
                hidden_first=float(m.hidden_first[b]),
                late=float(m.late[b]),
            )
        )
    return out
