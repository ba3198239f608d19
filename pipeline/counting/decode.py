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
    back = np.zeros((bones, candidates + 1, candidates, top), np.int8)
    alpha[:, 0, :, 1] = pair[:, 0] + node
    for middle, block in blocks(s.triple[part], candidates)[: max(real - 1, 0)]:
        reach = alpha[:, :middle, None, middle - 1, :] + block[:, :, : real - middle, None]  # (bone, i, k, count)
        best = reach.argmax(1)
        came = np.take_along_axis(reach, best[:, None], axis=1)[:, 0]
        step = pair[:, middle, middle:real] + node[:, middle:real]
        alpha[:, middle, middle:real, 1:] = came[:, :, :-1] + step[..., None]
        back[:, middle, middle:real, 1:] = best[:, :, :-1]
    ends = valid(s.end[part])
    return [_trace(ends[n], alpha[n], back[n], annuli[n]) for n in range(len(part))]


def _trace(end: Numbers, alpha: Numbers, back: NDArray[np.int8], annuli: int) -> tuple[int, ...]:
    if annuli == 0:
        return ()
    i, j = divmod(int(np.argmax(alpha[:, :, annuli] + end)), end.shape[1])
    taken, count = [j], annuli
    while i > 0:
        before = int(back[i, j, count])
        i, j, count = before, i - 1, count - 1
        taken.append(j)
    return tuple(reversed(taken))
