"""The likeliest path with a given number of annuli: which candidates are counted."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.counting.sequence import IMPOSSIBLE, Numbers, Scores, blocks


@dataclass(frozen=True, slots=True)
class Decoded:
    """The annuli of one bone: candidates taken, and those that nothing shows."""

    taken: tuple[int, ...]
    """In the chain's order, the innermost first."""
    hidden_first: bool
    late: bool


def best_paths(s: Scores, annuli: list[int]) -> list[Decoded]:
    """For each bone the likeliest path with `annuli` marks, the hidden first and the late last among them."""
    out: list[Decoded] = [Decoded((), False, False)] * len(annuli)
    # Bones alike in count and candidates together: the work grows with the highest of both.
    order = np.lexsort((np.sum(s.node > IMPOSSIBLE / 2, axis=1), annuli))
    for part in np.array_split(order, max(1, len(order) // 32)):
        for b, path in zip(part, _best(s, part, [annuli[i] for i in part]), strict=True):
            out[b] = path
    return out


def _best(s: Scores, part: np.ndarray, annuli: list[int]) -> list[Decoded]:
    top = max(annuli, default=0) + 2
    bones, candidates = len(part), s.node.shape[1]
    # Candidates that only fill the arrays up lie last.
    real = int(np.sum(s.node[part] > IMPOSSIBLE / 2, axis=1).max(initial=0))
    pair, node = s.pair[part], s.node[part]
    alpha = np.full((bones, candidates + 2, candidates, top), 2 * IMPOSSIBLE)
    back = np.zeros((bones, candidates + 2, candidates, top), np.int8)
    alpha[:, 0, :, 1] = pair[:, 0] + node
    if top > 2:
        alpha[:, 1, :, 2] = pair[:, 1] + node
    for middle, block in blocks(s.triple[part], candidates)[: max(real - 1, 0)]:
        # (bone, i, k, count)
        reach = alpha[:, :middle, None, middle - 2, :] + block[:, :, : real + 1 - middle, None]
        best = reach.argmax(1)
        came = np.take_along_axis(reach, best[:, None], axis=1)[:, 0]
        step = pair[:, middle, middle - 1 : real] + node[:, middle - 1 : real]
        alpha[:, middle, middle - 1 : real, 1:] = came[:, :, :-1] + step[..., None]
        back[:, middle, middle - 1 : real, 1:] = best[:, :, :-1]
    return [_trace(s, int(b), alpha[n], back[n], annuli[n]) for n, b in enumerate(part)]


def _trace(s: Scores, b: int, alpha: Numbers, back: np.ndarray, annuli: int) -> Decoded:
    if annuli == 0:
        return Decoded((), False, False)
    ends = alpha[:, :, annuli] + s.end[b]
    lates = alpha[:, :, annuli - 1] + s.late[b] if annuli > 1 else np.full_like(ends, 3 * IMPOSSIBLE)
    late = float(lates.max()) > float(ends.max())
    best = lates if late else ends
    if annuli == 1 and float(s.none_late[b]) > float(best.max()):
        return Decoded((), False, True)
    i, j = divmod(int(np.argmax(best)), best.shape[1])
    count = annuli - late
    taken = [j]
    while i >= 2:
        before = int(back[i, j, count])
        i, j, count = before, i - 2, count - 1
        taken.append(j)
    return Decoded(tuple(reversed(taken)), hidden_first=i == 1, late=late)
