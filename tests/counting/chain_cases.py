"""Small chains with every path written out: what sums and searches over all paths are held against."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations, pairwise

import numpy as np
from numpy.typing import NDArray

from pipeline.bone.rim import HOLLOWS_PX, LEVELS_PX
from pipeline.counting import sequence
from pipeline.counting.sequence import FEATURES, IMPOSSIBLE, MOST_CANDIDATES, Chains, Scores

Numbers = NDArray[np.float64]


def random_chains(random: np.random.Generator, sizes: tuple[int, ...], known: bool = True) -> Chains:
    """Bones with so many candidates each, anywhere along the axis, with any evidence; `known`: date and length too."""
    bones = len(sizes)
    node = np.full((bones, MOST_CANDIDATES), IMPOSSIBLE)
    place = np.broadcast_to(1.0 + 0.01 * np.arange(1, MOST_CANDIDATES + 1), node.shape).copy()
    log_depth, log_width, winter = np.zeros(node.shape), np.full(node.shape, -4.0), np.zeros(node.shape)
    for b, n in enumerate(sizes):
        node[b, :n] = random.normal(0, 2, n)
        place[b, :n] = np.sort(random.uniform(0.1, 0.99, n))
        log_depth[b, :n], log_width[b, :n] = random.normal(-1, 0.5, n), random.normal(-4, 0.5, n)
        winter[b, :n] = random.normal(0, 0.2, n)
    pairs = (bones, MOST_CANDIDATES, MOST_CANDIDATES)
    first = (bones, 2, MOST_CANDIDATES)
    return Chains(
        node=node,
        place=place,
        log_depth=log_depth,
        log_width=log_width,
        winter=winter,
        radius_px=random.uniform(150, 900, bones),
        base=random.normal(0, 0.3, bones),
        margin_levels=random.normal(0, 0.2, (bones, len(LEVELS_PX))),
        hollows=random.normal(0, 0.05, (bones, len(HOLLOWS_PX))),
        hollows_beyond=random.normal(0, 0.05, (bones, MOST_CANDIDATES, len(HOLLOWS_PX))),
        first_place=np.log(random.uniform(0.2, 0.8, bones)) if known else np.full(bones, np.nan),
        due=random.normal(0, 2, bones) if known else np.zeros(bones),
        season=random.normal(0, 1, pairs) if known else np.zeros(pairs),
        expected=random.uniform(0.03, 0.3, pairs),
        season_first=random.normal(0, 1, first) if known else np.zeros(first),
        expected_first=random.uniform(0.03, 0.3, first),
    )


def random_scores(seed: int, sizes: tuple[int, ...], spread: float = 0.3, known: bool = True) -> Scores:
    """Scores of random chains with random weights."""
    random = np.random.default_rng(seed)
    return sequence.scores(random_chains(random, sizes, known), random.normal(0, spread, len(FEATURES)))


@dataclass(frozen=True)
class Path:
    """One way to say which candidates are annuli."""

    taken: tuple[int, ...]
    hidden_first: bool
    late: bool
    score: float

    @property
    def annuli(self) -> int:
        return len(self.taken) + self.hidden_first + self.late


def every_path(s: Scores, bone: int, size: int) -> list[Path]:
    """All paths of a bone with `size` candidates, scored one by one."""
    i, j, k = sequence.triples(s.node.shape[1])
    triple = {(int(a), int(m), int(n)): float(v) for a, m, n, v in zip(i, j, k, s.triple[bone], strict=True)}
    paths = [Path((), False, False, float(s.none[bone])), Path((), False, True, float(s.none_late[bone]))]
    for many in range(1, size + 1):
        for taken in combinations(range(size), many):
            for hidden in (False, True):
                nodes = [int(hidden), *(t + 2 for t in taken)]
                score = sum(float(s.node[bone, t]) for t in taken)
                score += sum(float(s.pair[bone, a, m - 2]) for a, m in pairwise(nodes))
                score += sum(triple[t] for t in zip(nodes[:-2], nodes[1:-1], nodes[2:], strict=True))
                for late, ends in ((False, s.end), (True, s.late)):
                    paths.append(Path(taken, hidden, late, score + float(ends[bone, nodes[-2], nodes[-1] - 2])))
    return paths


def probabilities(paths: list[Path]) -> Numbers:
    """Probability of each path."""
    score = np.array([p.score for p in paths])
    weight = np.exp(score - score.max())
    return np.asarray(weight / weight.sum())
