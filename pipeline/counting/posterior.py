"""How often each part of a path is used, over all paths or over those with a known number of annuli."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.counting import sequence
from pipeline.counting.features import triples
from pipeline.counting.sequence import Scores
from pipeline.records import Numbers


@dataclass(frozen=True, slots=True)
class Posterior:
    """Expected use of every part; arrays start with the bone and have the shapes of `Scores`."""

    log_total: Numbers
    """(bone,) log sum over the paths."""
    pair: Numbers
    triple: Numbers
    end: Numbers
    none: Numbers


def over_all(s: Scores) -> Posterior:
    """Over all paths."""
    alpha, beta = sequence.forward(s), sequence.backward(s)
    total = sequence.log_total(s, alpha)
    i, j, k = triples(s.node.shape[1])
    triple = alpha[:, i, j - 1] + s.triple + s.pair[:, j, k - 1] + s.node[:, k - 1] + beta[:, j, k - 1]
    each = total[:, None, None]
    return Posterior(
        log_total=total,
        pair=np.exp(np.minimum(sequence.valid(alpha + beta) - each, 0)),
        triple=np.exp(np.minimum(triple - total[:, None], 0)),
        end=np.exp(np.minimum(sequence.valid(alpha + s.end) - each, 0)),
        none=np.exp(s.none - total),
    )


def given_count(s: Scores, annuli: NDArray[np.int64]) -> Posterior:
    """Over the paths with `annuli` marks, (bone,); no more than there are candidates."""
    bones, candidates = s.node.shape
    row = np.arange(bones)
    alpha, step, grow = sequence.ways(s, int(annuli.max()) + 1)
    end = sequence.weight(s.end) * sequence.valid_mask(candidates)
    # How the path goes on from the pair (i, j), j being the c-th, so that it ends with the count known.
    beta = np.zeros_like(alpha)
    beta[row, :, :, annuli] = end
    triple = np.zeros_like(grow)
    blocks = sequence.blocks(grow, candidates)
    for (middle, block), (first, last) in zip(reversed(blocks), reversed(_spans(candidates)), strict=True):
        onward = step[:, middle, middle:, None] * beta[:, middle, middle:]
        onward = np.concatenate([onward[:, :, 1:], np.zeros((*onward.shape[:2], 1))], axis=2)
        beta[:, :middle, middle - 1] += np.matmul(block, onward)
        use = block * np.matmul(alpha[:, :middle, middle - 1], onward.transpose(0, 2, 1))
        triple[:, first:last] = use.reshape(bones, -1)
    none = np.where(annuli == 0, sequence.weight(s.none), 0)
    at_end = np.where((annuli > 0)[:, None, None], alpha[row, :, :, annuli] * end, 0)
    total = np.maximum(at_end.sum((1, 2)) + none, 1e-300)
    each = total[:, None, None]
    return Posterior(
        log_total=np.log(total),
        pair=(alpha * beta).sum(3) / each,
        triple=triple / total[:, None],
        end=at_end / each,
        none=none / total,
    )


def _spans(candidates: int) -> list[tuple[int, int]]:
    """Where each middle node's triples begin and end in `features.triples`."""
    sizes = [middle * (candidates - middle) for middle in range(1, candidates)]
    ends = np.cumsum(sizes)
    return [(int(e - n), int(e)) for e, n in zip(ends, sizes, strict=True)]
