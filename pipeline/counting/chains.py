"""Bones -> the arrays that the sequence model works on."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.bone.evidence import EVIDENCE
from pipeline.records import Numbers

MOST_CANDIDATES = 24
"""Candidates that take part, the likeliest by their own evidence: more than any bone has annuli that can be told
apart."""
IMPOSSIBLE = -1e4
"""Score of what cannot be: far below any sum of real scores, and finite, so that sums stay finite."""
MOST_NODE = 12.0
"""Log odds of one candidate are no larger."""

_DEPTH, _WIDTH, _RUN = (EVIDENCE.index(name) for name in ("log_depth", "log_width_px", "arc_run"))


@dataclass(frozen=True, slots=True)
class ChainBone:
    """One bone as the sequence model sees it: what its candidates show, and where they lie."""

    evidence: Numbers
    """(candidate, evidence)."""
    fraction: Numbers
    """(candidate,) share of the axis, ascending."""
    radius_px: float
    most_annuli: int
    """No fish of the species is older."""


@dataclass(frozen=True, slots=True)
class Chains:
    """What the sequence model needs of a number of bones; arrays start with the bone. All have room for as many
    candidates as the bone with the most."""

    node: Numbers
    """(bone, candidate) log odds of each candidate from its own evidence; `IMPOSSIBLE` where there is none."""
    place: Numbers
    """(bone, candidate) share of the axis, ascending; beyond the last candidate anything above 1."""
    log_depth: Numbers
    """(bone, candidate)."""
    log_width_px: Numbers
    """(bone, candidate)."""
    arc_run: Numbers
    """(bone, candidate) share of the arc over which the mark runs unbroken."""
    radius_px: Numbers
    """(bone,) axis in pixels."""


def chains(bones: Sequence[ChainBone], log_odds: Sequence[Numbers]) -> tuple[Chains, NDArray[np.int64]]:
    """The arrays, and for each bone which of its candidates take part: (bone, candidate), -1 where padded.

    log_odds : for each bone, the log odds of its candidates from their own evidence.
    """
    room = min(max((len(odds) for odds in log_odds), default=1), MOST_CANDIDATES) or 1
    chosen = np.full((len(bones), room), -1)
    for b, odds in enumerate(log_odds):
        kept = _likeliest(odds)
        chosen[b, : len(kept)] = kept
    real = chosen >= 0
    node, place = np.full(chosen.shape, IMPOSSIBLE), np.empty(chosen.shape)
    place[:] = 1.0 + 0.01 * np.arange(1, room + 1)
    shown = np.zeros((*chosen.shape, len(EVIDENCE)))
    for b, bone in enumerate(bones):
        own = chosen[b][real[b]]
        node[b, real[b]] = np.clip(log_odds[b][own], -MOST_NODE, MOST_NODE)
        place[b, real[b]] = np.minimum(bone.fraction[own], 0.9999)
        shown[b, real[b]] = bone.evidence[own]
    return (
        Chains(
            node=node,
            place=place,
            log_depth=shown[..., _DEPTH],
            log_width_px=shown[..., _WIDTH],
            arc_run=shown[..., _RUN],
            radius_px=np.array([b.radius_px for b in bones]),
        ),
        chosen,
    )


def _likeliest(log_odds: Numbers) -> NDArray[np.int64]:
    """The candidates that take part, ascending."""
    if len(log_odds) <= MOST_CANDIDATES:
        return np.arange(len(log_odds))
    return np.sort(np.argsort(-log_odds, kind="stable")[:MOST_CANDIDATES])
