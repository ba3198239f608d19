"""The sequence model: which candidate marks are annuli, with the whole distribution of the count.

A log-linear chain of second order over the candidates of a bone, ordered by radius. A path starts at the focus (or at a
first annulus that nothing shows), takes some of the candidates as annuli, and ends at the margin (with or without a
last annulus too close to it to be seen). Its score adds up evidence of each mark taken, the ratio of successive
increments, the width of each mark against its increment, the place of the first mark given the fish's length, and the
growth beyond the last one given the date. All scores are linear in fitted weights; sums over all paths are exact.

Nodes: 0 is the focus, 1 the hidden first annulus, 2.. the candidates. A pair (i, j) is two marks that follow each
other on a path; a triple (i, j, k) three.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

Numbers = NDArray[np.float64]

MOST_CANDIDATES = 22
"""Candidates that take part, the likeliest by their own evidence: more than any bone has annuli that can be told
apart."""
IMPOSSIBLE = -1e4
"""Score of what cannot be: far below any sum of real scores, and finite, so that sums stay finite."""
FAINTEST = 0.03
"""Opacity loss; differences of levels below it are noise."""
HOLLOW_UNIT = 10.0
"""Hollows are told in tenths of the bone's thickness, so that their weights are of the size of the others."""
USUAL_RADIUS_PX = 400.0
"""Pixels; an axis of usual length, so that its logarithm is small."""
TAIL = 0.3
"""Log ratio of increments beyond which a departure counts as heavy-tailed rather than normal: real growth is
irregular."""

PAIR = ("gap", "gap_square", "narrow_gap", "width", "width_square", "depth_step")
FIRST_PAIR = ("first_width", "first_width_square", "first_place", "first_place_square", "first_place_tail")
HIDDEN_PAIR = ("hidden", "hidden_base", "hidden_place", "hidden_place_square", "hidden_place_tail", "hidden_margin")
TRIPLE = ("ratio", "ratio_square", "ratio_tail")
FIRST_TRIPLE = ("first_ratio", "first_ratio_square", "first_ratio_tail")
HIDDEN_TRIPLE = ("hidden_ratio", "hidden_ratio_square", "hidden_ratio_tail")
END = ("season", "end_rim", "end_rim_square", "end_winter", "end_thin_rim")
_MARGIN = (
    *("margin_1", "margin_2", "margin_3", "margin_4"),
    *("margin_log_1", "margin_log_2", "margin_log_3", "margin_log_4"),
    *("hollow_1", "hollow_2", "hollow_3", "hollow_4"),
)
LATE = (
    *("late", "late_due", "late_rim", "late_rim_square", "late_rim_tail", "late_winter", "late_season"),
    *(f"late_{m}" for m in _MARGIN),
    *("late_margin_depth", "late_radius"),
)
NONE = ("none", "none_length", "none_length_square", "none_due")
NONE_LATE = (
    "none_late",
    "none_late_length",
    "none_late_length_square",
    "none_late_due",
    "none_late_winter",
    *(f"none_late_{m}" for m in _MARGIN),
)
FEATURES = PAIR + FIRST_PAIR + HIDDEN_PAIR + TRIPLE + FIRST_TRIPLE + HIDDEN_TRIPLE + END + LATE + NONE + NONE_LATE
"""Names of the chain's weights besides those of the evidence, in order."""
PRIORS = tuple(
    f
    for f in FEATURES
    if "ratio" in f
    or "place" in f
    or "season" in f
    or "length" in f
    or "due" in f
    or f in ("late_rim", "late_rim_square", "late_rim_tail")
)
"""Weights that rest on growth and season rather than on pixels."""


@dataclass(frozen=True, slots=True)
class Chains:
    """What the chain needs of a number of bones; arrays start with the bone. All have room for as many candidates as
    the bone with the most."""

    node: Numbers
    """(bone, candidate) log odds of each candidate from its own evidence; `IMPOSSIBLE` where there is none."""
    place: Numbers
    """(bone, candidate) share of the axis, ascending; beyond the last candidate anything above 1."""
    log_depth: Numbers
    """(bone, candidate)."""
    log_width: Numbers
    """(bone, candidate) logarithm of the width as a share of the axis."""
    winter: Numbers
    """(bone, candidate) how much more translucent the margin is than the growth between it and the candidate."""
    radius_px: Numbers
    """(bone,) axis in pixels."""
    base: Numbers
    """(bone,) how much the thick base hides."""
    margin_levels: Numbers
    """(bone, step) opacity loss at steps inside the margin, as `bone.rim.levels` tells it."""
    hollows: Numbers
    """(bone, width) the deepest hollows of the margin, as `bone.rim.hollows` tells them."""
    hollows_beyond: Numbers
    """(bone, candidate, width) the same beyond each candidate."""
    first_place: Numbers
    """(bone,) log of the share of the axis at which the first annulus is expected; nan when nothing is known."""
    due: Numbers
    """(bone,) log odds that this year's annulus has formed by the date; 0 without a date."""
    season: Numbers
    """(bone, candidate, candidate) log density of the growth beyond annulus j, i the one before it, given the date."""
    expected: Numbers
    """(bone, candidate, candidate) increment expected beyond annulus j, i the one before it, share of the axis."""
    season_first: Numbers
    """(bone, 2, candidate) the same with j the first annulus, after the focus or after a hidden one."""
    expected_first: Numbers


@lru_cache(maxsize=MOST_CANDIDATES + 1)
def triples(candidates: int) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64]]:
    """All i < j < k with j a candidate, ordered by j, then i, then k."""
    i, j, k = [], [], []
    for middle in range(2, candidates + 2):
        a, b = np.meshgrid(np.arange(middle), np.arange(middle + 1, candidates + 2), indexing="ij")
        i.append(a.ravel())
        k.append(b.ravel())
        j.append(np.full(a.size, middle))
    none = np.zeros(0, np.int64)
    return np.concatenate([none, *i]), np.concatenate([none, *j]), np.concatenate([none, *k])


def pair_features(c: Chains) -> Numbers:
    """(bone, i, j, feature) in the order PAIR, FIRST_PAIR, HIDDEN_PAIR, for i any node and j a candidate (0-based)."""
    bones, candidates = c.node.shape
    place = np.concatenate([np.zeros((bones, 2)), c.place], axis=1)
    gap = np.maximum(c.place[:, None, :] - place[:, :, None], 1e-3)  # (bone, node, candidate)
    gap_px = np.log(gap * c.radius_px[:, None, None])
    out = np.zeros((bones, candidates + 2, candidates, len(PAIR) + len(FIRST_PAIR) + len(HIDDEN_PAIR)))
    scaled = np.clip(gap_px - 3.0, -3, 3)
    out[:, 2:, :, 0] = scaled[:, 2:]
    out[:, 2:, :, 1] = scaled[:, 2:] ** 2
    out[:, 2:, :, 2] = np.clip(1.6 - gap_px[:, 2:], 0, 3)
    width = np.clip(c.log_width[:, None, :] - np.log(gap), -3.5, 1.5) + 1.3
    out[:, 2:, :, 3] = width[:, 2:]
    out[:, 2:, :, 4] = width[:, 2:] ** 2
    out[:, 2:, :, 5] = np.clip(np.abs(c.log_depth[:, None, :] - c.log_depth[:, :, None]), 0, 3)
    at = len(PAIR)
    out[:, 0, :, at] = width[:, 0]
    out[:, 0, :, at + 1] = width[:, 0] ** 2
    known = np.isfinite(c.first_place)
    departure = np.where(
        known[:, None], np.log(np.maximum(c.place, 1e-3)) - np.where(known, c.first_place, 0)[:, None], 0
    )
    departure = np.clip(departure, -2, 2)
    tail = np.log1p((departure / TAIL) ** 2)
    out[:, 0, :, at + 2], out[:, 0, :, at + 3], out[:, 0, :, at + 4] = departure, departure**2, tail
    at += len(FIRST_PAIR)
    out[:, 1, :, at] = 1
    out[:, 1, :, at + 1] = np.clip(c.base, -2, 1)[:, None]
    out[:, 1, :, at + 2], out[:, 1, :, at + 3], out[:, 1, :, at + 4] = departure, departure**2, tail
    out[:, 1, :, at + 5] = c.place
    return out


def triple_features(c: Chains) -> Numbers:
    """(bone, triple, feature) in the order TRIPLE, FIRST_TRIPLE, HIDDEN_TRIPLE, triples as `triples` lists them."""
    bones, candidates = c.node.shape
    i, j, k = triples(candidates)
    place = np.concatenate([np.zeros((bones, 2)), c.place], axis=1)
    log_gap = np.log(np.maximum(place[:, None, :] - place[:, :, None], 1e-3))
    ratio = np.clip(log_gap[:, j, k] - log_gap[:, i, j], -2.5, 2.5)
    out = np.zeros((bones, len(i), 9))
    for block, which in enumerate((i >= 2, i == 0, i == 1)):
        r = ratio[:, which]
        out[:, which, 3 * block] = r
        out[:, which, 3 * block + 1] = r**2
        out[:, which, 3 * block + 2] = np.log1p((r / TAIL) ** 2)
    return out


def end_features(c: Chains) -> tuple[Numbers, Numbers, Numbers, Numbers]:
    """Features of the four ways to end: (bone, i, j, END), (bone, i, j, LATE), (bone, NONE), (bone, NONE_LATE)."""
    bones = len(c.node)
    season = np.concatenate([c.season_first, c.season], axis=1)
    expected = np.concatenate([c.expected_first, c.expected], axis=1)
    rim = np.clip(1 - c.place, 1e-3, 1)[:, None, :]
    rim_px = np.clip(np.log(rim * c.radius_px[:, None, None] + 0.5) - 2, -3, 3)
    rim_px = np.broadcast_to(rim_px, season.shape)
    winter = np.broadcast_to(c.winter[:, None, :], season.shape)
    end = np.stack([season, rim_px, rim_px**2, winter, np.clip(-0.5 - rim_px, 0, 3)], axis=-1)
    share = np.clip(np.log(rim / np.maximum(expected, 1e-4)), -2, 2)
    due = np.broadcast_to(c.due[:, None, None], season.shape)
    log_levels = np.log(np.maximum(c.margin_levels, 0) + FAINTEST) - np.log(FAINTEST)
    margin = np.concatenate([c.margin_levels, log_levels], axis=-1)
    levels = np.broadcast_to(margin[:, None, None, :], (*season.shape, margin.shape[1]))
    hollows = HOLLOW_UNIT * c.hollows_beyond[:, None]
    hollows = np.broadcast_to(hollows, (*season.shape, hollows.shape[-1]))
    against = np.clip(np.log(np.maximum(c.margin_levels[:, None, 1:2], 0) + 0.02) - c.log_depth[:, None, :], -3, 3)
    radius = np.broadcast_to(np.log(c.radius_px / USUAL_RADIUS_PX)[:, None, None], season.shape)
    late = np.stack(
        [np.ones(season.shape), due, share, share**2, np.log1p((share / TAIL) ** 2), winter, season], axis=-1
    )
    last = np.stack([np.broadcast_to(against, season.shape), radius], axis=-1)
    late = np.concatenate([late, levels, hollows, last], axis=-1)
    known = np.isfinite(c.first_place)
    # Log of the fish's length over that at its first annulus.
    length = np.clip(np.where(known, -c.first_place, 0), -2, 3)
    one = np.ones(bones)
    none = np.stack([one, length, length**2, c.due], axis=-1)
    outer = np.clip(c.winter[:, 0], -2, 2)
    none_late = np.stack([one, length, length**2, c.due, outer], axis=-1)
    none_late = np.concatenate([none_late, margin, HOLLOW_UNIT * c.hollows], axis=-1)
    return end, late, none, none_late


@dataclass(frozen=True, slots=True)
class Scores:
    """Scores of every part of every path; arrays start with the bone."""

    node: Numbers
    pair: Numbers
    """(bone, node, candidate)."""
    triple: Numbers
    """(bone, triple)."""
    end: Numbers
    """(bone, node, candidate)."""
    late: Numbers
    none: Numbers
    none_late: Numbers


def scores(c: Chains, weights: Numbers) -> Scores:
    """Scores of the chain's parts with given weights, in the order of `FEATURES`."""
    parts = np.split(
        weights, np.cumsum([len(PAIR) + len(FIRST_PAIR) + len(HIDDEN_PAIR), 9, len(END), len(LATE), len(NONE)])
    )
    end, late, none, none_late = end_features(c)
    return Scores(
        node=c.node,
        pair=pair_features(c) @ parts[0],
        triple=triple_features(c) @ parts[1],
        end=end @ parts[2],
        late=late @ parts[3],
        none=none @ parts[4],
        none_late=none_late @ parts[5],
    )


@dataclass(frozen=True, slots=True)
class Marginals:
    """What the sum over all paths gives; arrays start with the bone."""

    count: Numbers
    """(bone, number of annuli) probability."""
    taken: Numbers
    """(bone, candidate) probability of being an annulus."""
    hidden_first: Numbers
    """(bone,) probability that the first annulus is hidden."""
    late: Numbers
    """(bone,) probability of a last annulus that only the margin hides."""


def forward(s: Scores) -> Numbers:
    """Log sum of all beginnings that end in the pair (i, j): (bone, node, candidate)."""
    alpha = np.full(s.pair.shape, IMPOSSIBLE)
    alpha[:, :2] = s.pair[:, :2] + s.node[:, None, :]
    for middle, block in blocks(s.triple, s.node.shape[1]):
        total = _log_sum(alpha[:, :middle, middle - 2, None] + block, axis=1)
        alpha[:, middle, middle - 1 :] = total + s.pair[:, middle, middle - 1 :] + s.node[:, middle - 1 :]
    return alpha


def blocks(triple: Numbers, candidates: int) -> list[tuple[int, Numbers]]:
    """For each node j that has one before and one after it: j and the scores of its triples, (bone, i, k)."""
    out, at = [], 0
    for middle in range(2, candidates + 1):
        after = candidates - middle + 1
        out.append((middle, triple[:, at : at + middle * after].reshape(-1, middle, after)))
        at += middle * after
    return out


def backward(s: Scores) -> Numbers:
    """Log sum of all ways to go on after the pair (i, j): (bone, node, candidate)."""
    beta = np.logaddexp(s.end, s.late)
    for middle, block in reversed(blocks(s.triple, s.node.shape[1])):
        onward = s.pair[:, middle, middle - 1 :] + s.node[:, middle - 1 :] + beta[:, middle, middle - 1 :]
        beta[:, :middle, middle - 2] = np.logaddexp(
            beta[:, :middle, middle - 2], _log_sum(block + onward[:, None, :], axis=2)
        )
    return beta


def log_total(s: Scores, alpha: Numbers) -> Numbers:
    """Log sum over all paths, (bone,)."""
    ends = alpha + np.logaddexp(s.end, s.late)
    body = _log_sum(valid(ends).reshape(len(ends), -1), axis=1)
    return np.logaddexp(body, np.logaddexp(s.none, s.none_late))


def marginals(s: Scores, most_annuli: int) -> Marginals:
    """Exact sums over all paths."""
    alpha, beta = forward(s), backward(s)
    total = log_total(s, alpha)
    pair = np.exp(valid(alpha + beta) - total[:, None, None])
    late = np.exp(valid(alpha + s.late) - total[:, None, None]).sum((1, 2)) + np.exp(s.none_late - total)
    return Marginals(count=_counts(s, most_annuli), taken=pair.sum(1), hidden_first=pair[:, 1].sum(1), late=late)


def _counts(s: Scores, most: int) -> Numbers:
    """(bone, number of annuli) probability: the forward sum once more, with the number of marks carried along."""
    bones, candidates = s.node.shape
    top = min(most, candidates + 2) + 3
    grow = np.exp(np.clip(s.triple, -60, 30))
    step = np.exp(np.clip(s.pair + s.node[:, None, :], -80, 40))
    alpha = np.zeros((bones, candidates + 2, candidates, top))
    alpha[:, 0, :, 1] = step[:, 0]
    alpha[:, 1, :, 2] = step[:, 1]
    for middle, block in blocks(grow, candidates):
        came = np.matmul(block.transpose(0, 2, 1), alpha[:, :middle, middle - 2])  # (bone, k, count)
        alpha[:, middle, middle - 1 :, 1:] = came[:, :, :-1] * step[:, middle, middle - 1 :, None]
    ways = alpha.reshape(bones, -1, top)
    plain, last = (
        np.matmul(np.exp(np.clip(end, -80, 40)).reshape(bones, 1, -1), ways)[:, 0] for end in (s.end, s.late)
    )
    out = np.zeros((bones, most + 1))
    reach = min(top, most + 1)
    out[:, :reach] += plain[:, :reach]
    out[:, 1 : reach + 1] += last[:, : min(reach, most)]
    out[:, 0] += np.exp(np.clip(s.none, -80, 40))
    out[:, 1] += np.exp(np.clip(s.none_late, -80, 40))
    return np.asarray(out / np.maximum(out.sum(1, keepdims=True), 1e-300))


@lru_cache(maxsize=MOST_CANDIDATES + 1)
def valid_mask(candidates: int) -> NDArray[np.bool_]:
    """(node, candidate) True where the candidate lies beyond the node."""
    return np.arange(candidates + 2)[:, None] < np.arange(candidates)[None, :] + 2


def valid(a: Numbers) -> Numbers:
    return np.where(valid_mask(a.shape[2])[None], a, 2 * IMPOSSIBLE)


def _log_sum(a: Numbers, axis: int) -> Numbers:
    top = a.max(axis=axis, keepdims=True)
    return np.asarray(np.squeeze(top, axis) + np.log(np.exp(a - top).sum(axis=axis)))
