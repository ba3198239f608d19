"""What the sequence model looks at besides the evidence of single marks: how marks of one path lie to each other.

Each mapping below is the one place where its features are named and computed; the fitted weights go by these names.
Nothing here depends on length, date, species or resolution. Increments are compared with one another only, so that
stretching a bone's radius changes nothing but what its pixels can tell apart.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from pipeline.counting.chains import Chains
from pipeline.records import Numbers

TAIL = 0.3
"""Log ratio of increments beyond which a departure counts as heavy-tailed rather than normal: real growth is
irregular."""
USUAL_LOG_WIDTH_TO_GAP = -1.3
"""Logarithm; an ordinary winter zone takes a quarter of its year's increment."""
LEAST_SHARE = 1e-3
"""Share of the axis below which gaps are taken for it, so that logarithms stay finite."""
NARROW_LOG_PX = 1.6
"""Logarithm of pixels: gaps under five pixels run into one another in a scan."""
THIN_RIM_LOG_PX = 1.5
"""The same for the growth beyond the last mark."""


@dataclass(frozen=True, slots=True)
class Pairs:
    """Two marks that follow each other on a path; arrays (bone, node, candidate), node 0 is the focus."""

    log_gap_px: Numbers
    log_width_to_gap: Numbers
    """Of the second mark, against the gap before it; 0 is usual."""
    depth_step: Numbers
    """Difference of the logarithms of their depths."""
    width_step: Numbers
    """Difference of the logarithms of their widths."""
    run_step: Numbers
    """Difference of how far they run along the arc."""
    from_focus: Numbers
    """1 where the first of the two is the focus, else 0."""
    log_rim_px: Numbers
    """Growth beyond the second mark, if the path ends there."""
    log_rim_to_gap: Numbers
    """The same against the gap before."""


@dataclass(frozen=True, slots=True)
class Triples:
    """Three marks that follow each other on a path; arrays (bone, triple), as `triples` lists them."""

    log_ratio: Numbers
    """Of the second gap to the first."""
    from_focus: Numbers


Shared = Mapping[str, Callable[[Pairs], Numbers]]

PAIR: Shared = {
    "narrow_gap": lambda p: np.clip(NARROW_LOG_PX - p.log_gap_px, 0, 3) * (1 - p.from_focus),
    "width": lambda p: p.log_width_to_gap * (1 - p.from_focus),
    "width_square": lambda p: p.log_width_to_gap**2 * (1 - p.from_focus),
    "depth_step": lambda p: np.clip(np.abs(p.depth_step), 0, 3) * (1 - p.from_focus),
    "width_step": lambda p: np.clip(np.abs(p.width_step), 0, 3) * (1 - p.from_focus),
    "run_step": lambda p: np.abs(p.run_step) * (1 - p.from_focus),
    "first": lambda p: p.from_focus,
    "first_width": lambda p: p.log_width_to_gap * p.from_focus,
    "first_width_square": lambda p: p.log_width_to_gap**2 * p.from_focus,
}
TRIPLE: Mapping[str, Callable[[Triples], Numbers]] = {
    "ratio": lambda t: t.log_ratio * (1 - t.from_focus),
    "ratio_square": lambda t: t.log_ratio**2 * (1 - t.from_focus),
    "ratio_tail": lambda t: np.log1p((t.log_ratio / TAIL) ** 2) * (1 - t.from_focus),
    "first_ratio": lambda t: t.log_ratio * t.from_focus,
    "first_ratio_square": lambda t: t.log_ratio**2 * t.from_focus,
    "first_ratio_tail": lambda t: np.log1p((t.log_ratio / TAIL) ** 2) * t.from_focus,
}
END: Shared = {
    "end_thin_rim": lambda p: np.clip(THIN_RIM_LOG_PX - p.log_rim_px, 0, 3),
    "end_over": lambda p: np.maximum(p.log_rim_to_gap, 0) * (1 - p.from_focus),
    "end_over_square": lambda p: np.maximum(p.log_rim_to_gap, 0) ** 2 * (1 - p.from_focus),
    "end_first_over": lambda p: np.maximum(p.log_rim_to_gap, 0) * p.from_focus,
    "end_first_over_square": lambda p: np.maximum(p.log_rim_to_gap, 0) ** 2 * p.from_focus,
}
NONE = ("none",)
"""No annulus at all."""
FEATURES = (*PAIR, *TRIPLE, *END, *NONE)
"""Names of the sequence model's weights, in order."""


@lru_cache(maxsize=64)
def triples(candidates: int) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64]]:
    """All nodes i < j < k with j a candidate, ordered by j, then i, then k; node 0 is the focus."""
    i, j, k = [], [], []
    for middle in range(1, candidates + 1):
        a, b = np.meshgrid(np.arange(middle), np.arange(middle + 1, candidates + 1), indexing="ij")
        i.append(a.ravel())
        k.append(b.ravel())
        j.append(np.full(a.size, middle))
    none = np.zeros(0, np.int64)
    return np.concatenate([none, *i]), np.concatenate([none, *j]), np.concatenate([none, *k])


@dataclass(frozen=True, slots=True)
class Features:
    """Features of every part of every path; arrays start with the bone and end with the feature."""

    pair: Numbers
    """(bone, node, candidate, PAIR)."""
    triple: Numbers
    """(bone, triple, TRIPLE)."""
    end: Numbers
    """(bone, node, candidate, END)."""
    none: Numbers
    """(bone, NONE)."""


CUTS = np.cumsum([len(PAIR), len(TRIPLE), len(END)])
"""Where the weights of one kind of part end and those of the next begin."""


def features(c: Chains) -> Features:
    """All features of some bones."""
    pairs = _pairs(c)
    three = _triples(c)
    return Features(
        pair=np.stack([column(pairs) for column in PAIR.values()], axis=-1),
        triple=np.stack([column(three) for column in TRIPLE.values()], axis=-1),
        end=np.stack([column(pairs) for column in END.values()], axis=-1),
        none=np.ones((len(c.node), len(NONE))),
    )


def weighted(c: Chains, weights: Numbers) -> tuple[Numbers, Numbers, Numbers, Numbers]:
    """Each kind of part with its features added up by their weights, in the order of `FEATURES`: what `features` times
    the weights would be, without its tables."""
    pair, triple, end, none = np.split(weights, CUTS)
    pairs, three = _pairs(c), _triples(c)
    return (
        _added(((w, column(pairs)) for w, column in zip(pair, PAIR.values(), strict=True))),
        _added(((w, column(three)) for w, column in zip(triple, TRIPLE.values(), strict=True))),
        _added(((w, column(pairs)) for w, column in zip(end, END.values(), strict=True))),
        np.full(len(c.node), none[0]),
    )


def _added(columns: Iterable[tuple[float, Numbers]]) -> Numbers:
    (weight, first), *others = columns
    total = weight * first
    for weight, column in others:
        total += weight * column
    return total


def _pairs(c: Chains) -> Pairs:
    candidates = c.node.shape[1]
    gap = np.maximum(c.place[:, None, :] - _nodes(c.place)[:, :, None], LEAST_SHARE)
    rim = np.clip(1 - c.place, LEAST_SHARE, 1)[:, None, :]
    radius = c.radius_px[:, None, None]
    log_gap_px = np.log(gap * radius)
    from_focus = np.broadcast_to((np.arange(candidates + 1) == 0)[None, :, None], gap.shape).astype(np.float64)
    return Pairs(
        log_gap_px=log_gap_px,
        log_width_to_gap=np.clip(c.log_width_px[:, None, :] - log_gap_px, -3.5, 1.5) - USUAL_LOG_WIDTH_TO_GAP,
        depth_step=c.log_depth[:, None, :] - _nodes(c.log_depth)[:, :, None],
        width_step=c.log_width_px[:, None, :] - _nodes(c.log_width_px)[:, :, None],
        run_step=c.arc_run[:, None, :] - _nodes(c.arc_run)[:, :, None],
        from_focus=from_focus,
        log_rim_px=np.broadcast_to(np.log(rim * radius + 0.5), gap.shape),
        log_rim_to_gap=np.clip(np.log(rim / gap), -2.5, 2.5),
    )


def _triples(c: Chains) -> Triples:
    i, j, k = triples(c.node.shape[1])
    place = _nodes(c.place)
    log_gap = np.log(np.maximum(place[:, None, :] - place[:, :, None], LEAST_SHARE))
    ratio = np.clip(log_gap[:, j, k] - log_gap[:, i, j], -2.5, 2.5)
    return Triples(log_ratio=ratio, from_focus=np.broadcast_to((i == 0).astype(np.float64), ratio.shape))


def _nodes(candidate: Numbers) -> Numbers:
    """(bone, node): the focus, for which 0 stands, before the candidates."""
    return np.concatenate([np.zeros((len(candidate), 1)), candidate], axis=1)
