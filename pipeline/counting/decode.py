"""The likeliest path with a given number of annuli: which candidates are counted."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.counting.chains import IMPOSSIBLE
from pipeline.counting.sequence import Scores, blocks, valid
from pipeline.records import Numbers

PART = 32
"""Bones decoded together."""


def best_paths(s: Scores, annuli: list[int]) -> list[tuple[int, ...]]:
    """For each bone the likeliest path with `annuli` marks: candidates in the chain's order, the innermost first."""
    out: list[tuple[int, ...]] = [()] * len(annuli)
    # Bones alike in count and candidates together: the work grows with the highest of both.
    order = np.lexsort((np.sum(s.node > IMPOSSIBLE / 2, axis=1), annuli))
    for part in np.array_split(order, max(1, len(order) // PART)):
        for b, path in zip(part, _best(s, part, [annuli[i] for i in part]), strict=True):
            out[b] = path
    return out


def _best(s: Scores, part: NDArray[np.int64], annuli: list[int]) -> list[tuple[int, ...]]:
    top = max(annuli, default=0) + 2
    bones, candidates = len(part), s.node.shape[1]
    # Candidates that only fill the arrays up lie last.
    real = int(np.sum(s.node[part] > IMPOSSIBLE / 2, axis=1).max(initial=0))
    pair, node = s.pair[part], s.node[part]
    alpha = np.full((bones, candidates + 1, candidates, top), 2 * IMPOSSIBLE)
    alpha[:, 0, :, 1] = pair[:, 0] + node
    triples = blocks(s.triple[part], candidates)
    for middle, block in triples[: max(real - 1, 0)]:
        reach = alpha[:, :middle, None, middle - 1, :-1] + block[:, :, : real - middle, None]  # (bone, i, k, count)
        step = pair[:, middle, middle:real] + node[:, middle:real]
        alpha[:, middle, middle:real, 1:] = reach.max(1) + step[..., None]
    ends = valid(s.end[part])
    return [_trace(ends[n], alpha[n], [block[n] for _, block in triples], annuli[n]) for n in range(len(part))]


def _trace(end: Numbers, alpha: Numbers, triples: list[Numbers], annuli: int) -> tuple[int, ...]:
    """The path back from the best end. `triples` are scores (i, k), by the candidate between them."""
    if annuli == 0:
        return ()
    i, j = divmod(int(np.argmax(alpha[:, :, annuli] + end)), end.shape[1])
    taken = [j]
    for count in range(annuli - 1, 0, -1):
        before = alpha[:i, i - 1, count] + triples[i - 1][:, j - i]
        i, j = int(np.argmax(before)), i - 1
        taken.append(j)
    return tuple(reversed(taken))
