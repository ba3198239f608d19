"""The sequence model: which candidate marks are annuli, with the whole distribution of the count.

A log-linear chain of second order over the candidates of a bone, ordered by radius. A path starts at the focus, takes
some of the candidates as annuli and ends at the margin. Its score adds up the evidence of each mark taken and how the
marks taken lie to each other (`features`). All scores are linear in fitted weights; sums over all paths are exact.

Only what shows is counted here. Annuli that nothing shows are suspected elsewhere, from what the run's bones say
together (`together.unseen`).

Nodes: 0 is the focus, 1.. the candidates. A pair (i, j) is two marks that follow each other on a path; a triple
(i, j, k) three.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from pipeline.counting.chains import IMPOSSIBLE, Chains
from pipeline.counting.features import CUTS, Features, weighted
from pipeline.records import Numbers

LOWEST, HIGHEST = -80.0, 40.0
"""Scores are cut here before they become weights: products of twenty stay within double precision."""


@dataclass(frozen=True, slots=True)
class Scores:
    """Scores of every part of every path; arrays start with the bone."""

    node: Numbers
    """(bone, candidate)."""
    pair: Numbers
    """(bone, node, candidate)."""
    triple: Numbers
    """(bone, triple), as `features.triples` lists them."""
    end: Numbers
    """(bone, node, candidate)."""
    none: Numbers
    """(bone,)."""


def scores(node: Numbers, f: Features, weights: Numbers) -> Scores:
    """Scores of the chain's parts with given weights, in the order of `features.FEATURES`."""
    pair, triple, end, none = np.split(weights, CUTS)
    return Scores(node=node, pair=f.pair @ pair, triple=f.triple @ triple, end=f.end @ end, none=f.none @ none)


def scores_of(c: Chains, weights: Numbers) -> Scores:
    """The same straight from the chains: for those who need no features besides."""
    pair, triple, end, none = weighted(c, weights)
    return Scores(node=c.node, pair=pair, triple=triple, end=end, none=none)


def blocks(triple: Numbers, candidates: int) -> list[tuple[int, Numbers]]:
    """For each node j that has one before and one after it: j and the scores of its triples, (bone, i, k)."""
    out, at = [], 0
    for middle in range(1, candidates):
        after = candidates - middle
        out.append((middle, triple[:, at : at + middle * after].reshape(-1, middle, after)))
        at += middle * after
    return out


def forward(s: Scores) -> Numbers:
    """Log sum of all beginnings that end in the pair (i, j): (bone, node, candidate)."""
    alpha = np.full(s.pair.shape, IMPOSSIBLE)
    alpha[:, 0] = s.pair[:, 0] + s.node
    for middle, block in blocks(s.triple, s.node.shape[1]):
        total = _log_sum(alpha[:, :middle, middle - 1, None] + block, axis=1)
        alpha[:, middle, middle:] = total + s.pair[:, middle, middle:] + s.node[:, middle:]
    return alpha


def backward(s: Scores) -> Numbers:
    """Log sum of all ways to go on after the pair (i, j): (bone, node, candidate)."""
    beta = s.end.copy()
    for middle, block in reversed(blocks(s.triple, s.node.shape[1])):
        onward = s.pair[:, middle, middle:] + s.node[:, middle:] + beta[:, middle, middle:]
        beta[:, :middle, middle - 1] = np.logaddexp(
            beta[:, :middle, middle - 1], _log_sum(block + onward[:, None, :], axis=2)
        )
    return beta


def log_total(s: Scores, alpha: Numbers) -> Numbers:
    """Log sum over all paths, (bone,)."""
    ends = valid(alpha + s.end)
    return np.logaddexp(_log_sum(ends.reshape(len(ends), -1), axis=1), s.none)


def taken_probability(s: Scores) -> Numbers:
    """(bone, candidate) probability of being an annulus."""
    candidates = s.node.shape[1]
    step, grow, end = weight(s.pair + s.node[:, None, :]), weight(s.triple), weight(s.end) * valid_mask(candidates)
    # Of each pair the weight of all ways to come to it, and of all ways to go on from it.
    came, goes_on = np.zeros(step.shape), end.copy()
    came[:, 0] = step[:, 0]
    each = blocks(grow, candidates)
    for middle, block in each:
        to_here = np.matmul(came[:, None, :middle, middle - 1], block)[:, 0]
        came[:, middle, middle:] = to_here * step[:, middle, middle:]
    for middle, block in reversed(each):
        onward = step[:, middle, middle:] * goes_on[:, middle, middle:]
        goes_on[:, :middle, middle - 1] += np.matmul(block, onward[..., None])[..., 0]
    total = (came * end).sum((1, 2)) + weight(s.none)
    return np.asarray((came * goes_on).sum(1) / np.maximum(total, 1e-300)[:, None])


def ways(s: Scores, most: int) -> tuple[Numbers, Numbers, Numbers]:
    """How often each pair is reached with its second mark the c-th annulus, (bone, node, candidate, count), and the
    weights of steps and triples that this is made of. Counts above `most` are left out."""
    bones, candidates = s.node.shape
    step, grow = weight(s.pair + s.node[:, None, :]), weight(s.triple)
    alpha = np.zeros((bones, candidates + 1, candidates, most + 2))
    alpha[:, 0, :, 1] = step[:, 0]
    for middle, block in blocks(grow, candidates):
        came = np.matmul(block.transpose(0, 2, 1), alpha[:, :middle, middle - 1])  # (bone, k, count)
        alpha[:, middle, middle:, 1:] = came[:, :, :-1] * step[:, middle, middle:, None]
    return alpha, step, grow


def count_probability(s: Scores, most: int) -> Numbers:
    """(bone, number of annuli) probability, from 0 to `most`."""
    bones, candidates = s.node.shape
    top = min(most, candidates)
    alpha, _, _ = ways(s, top)
    end = (weight(s.end) * valid_mask(candidates)).reshape(bones, 1, -1)
    reached = np.matmul(end, alpha.reshape(bones, -1, top + 2))[:, 0]
    out = np.zeros((bones, most + 1))
    out[:, : top + 1] = reached[:, : top + 1]
    out[:, 0] = weight(s.none)
    return np.asarray(out / np.maximum(out.sum(1, keepdims=True), 1e-300))


def weight(score: Numbers) -> Numbers:
    """Exponential of scores, cut to what a product of many can hold."""
    return np.asarray(np.exp(np.clip(score, LOWEST, HIGHEST)))


@lru_cache(maxsize=64)
def valid_mask(candidates: int) -> NDArray[np.bool_]:
    """(node, candidate) True where the candidate lies beyond the node."""
    return np.arange(candidates + 1)[:, None] < np.arange(candidates)[None, :] + 1


def valid(a: Numbers) -> Numbers:
    """(bone, node, candidate) with what cannot be made impossible."""
    return np.where(valid_mask(a.shape[2])[None], a, 2 * IMPOSSIBLE)


def _log_sum(a: Numbers, axis: int) -> Numbers:
    top = a.max(axis=axis, keepdims=True)
    return np.asarray(np.squeeze(top, axis) + np.log(np.exp(a - top).sum(axis=axis)))
