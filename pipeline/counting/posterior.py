"""How often each part of a path is used, over all paths or over those with a known number of annuli."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.counting import sequence
from pipeline.counting.sequence import Numbers, Scores

LOWEST, HIGHEST = -80.0, 40.0
"""Scores are cut here before they become weights: products of twenty stay within double precision."""


@dataclass(frozen=True, slots=True)
class Posterior:
    """Expected use of every part; arrays start with the bone and have the shapes of `Scores`."""

    log_total: Numbers
    """(bone,) log sum over the paths."""
    pair: Numbers
    triple: Numbers
    end: Numbers
    late: Numbers
    none: Numbers
    none_late: Numbers


def over_all(s: Scores) -> Posterior:
    """Over all paths."""
    alpha, beta = sequence.forward(s), sequence.backward(s)
    total = sequence.log_total(s, alpha)
    i, j, k = sequence.triples(s.node.shape[1])
    triple = alpha[:, i, j - 2] + s.triple + s.pair[:, j, k - 2] + s.node[:, k - 2] + beta[:, j, k - 2]
    each = total[:, None, None]
    return Posterior(
        log_total=total,
        pair=np.exp(np.minimum(sequence.valid(alpha + beta) - each, 0)),
        triple=np.exp(np.minimum(triple - total[:, None], 0)),
        end=np.exp(np.minimum(sequence.valid(alpha + s.end) - each, 0)),
        late=np.exp(np.minimum(sequence.valid(alpha + s.late) - each, 0)),
        none=np.exp(s.none - total),
        none_late=np.exp(s.none_late - total),
    )


def given_count(s: Scores, annuli: NDArray[np.int64]) -> Posterior:
    """Over the paths with `annuli` marks, (bone,)."""
    bones, candidates = s.node.shape
    top = int(annuli.max()) + 1
    row = np.arange(bones)
    step, grow = _weight(s.pair + s.node[:, None, :]), _weight(s.triple)
    valid = sequence.valid_mask(candidates)
    end, late = _weight(s.end) * valid, _weight(s.late) * valid
    blocks = sequence.blocks(grow, candidates)
    # How often the pair (i, j) is reached with j the c-th annulus.
    alpha = np.zeros((bones, candidates + 2, candidates, top + 2))
    alpha[:, 0, :, 1], alpha[:, 1, :, 2] = step[:, 0], step[:, 1]
    for middle, block in blocks:
        came = np.matmul(block.transpose(0, 2, 1), alpha[:, :middle, middle - 2])
        alpha[:, middle, middle - 1 :, 1:] = came[:, :, :-1] * step[:, middle, middle - 1 :, None]
    # How the path goes on from the pair (i, j), j being the c-th, so that it ends with the count known.
    beta = np.zeros_like(alpha)
    beta[row, :, :, annuli] = end
    some = annuli > 0
    beta[row[some], :, :, annuli[some] - 1] += late[some]
    triple = np.zeros_like(grow)
    spans = _spans(candidates)
    for (middle, block), (first, last) in zip(reversed(blocks), reversed(spans), strict=True):
        onward = step[:, middle, middle - 1 :, None] * beta[:, middle, middle - 1 :]
        onward = np.concatenate([onward[:, :, 1:], np.zeros((*onward.shape[:2], 1))], axis=2)
        beta[:, :middle, middle - 2] += np.matmul(block, onward)
        use = block * np.matmul(alpha[:, :middle, middle - 2], onward.transpose(0, 2, 1))
        triple[:, first:last] = use.reshape(bones, -1)
    none = np.where(annuli == 0, _weight(s.none), 0)
    none_late = np.where(annuli == 1, _weight(s.none_late), 0)
    at_end = alpha[row, :, :, annuli] * end
    at_late = np.where(some[:, None, None], alpha[row, :, :, np.maximum(annuli - 1, 0)], 0) * late
    total = np.maximum(at_end.sum((1, 2)) + at_late.sum((1, 2)) + none + none_late, 1e-300)
    each = total[:, None, None]
    return Posterior(
        log_total=np.log(total),
        pair=(alpha * beta).sum(3) / each,
        triple=triple / total[:, None],
        end=at_end / each,
        late=at_late / each,
        none=none / total,
        none_late=none_late / total,
    )


def _weight(score: Numbers) -> Numbers:
    return np.asarray(np.exp(np.clip(score, LOWEST, HIGHEST)))


def _spans(candidates: int) -> list[tuple[int, int]]:
    """Where each middle node's triples begin and end in `sequence.triples`."""
    sizes = [middle * (candidates - middle + 1) for middle in range(2, candidates + 1)]
    ends = np.cumsum(sizes)
    return [(int(e - n), int(e)) for e, n in zip(ends, sizes, strict=True)]
