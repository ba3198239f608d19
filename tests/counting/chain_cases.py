"""Small chains with every path written out: what sums and searches over all paths are held against."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations, pairwise

import numpy as np

from pipeline.counting import sequence
from pipeline.counting.chains import IMPOSSIBLE, MOST_CANDIDATES, Chains
from pipeline.counting.features import FEATURES, features, triples
from pipeline.counting.sequence import Scores
from pipeline.records import Numbers


def random_chains(random: np.random.Generator, sizes: tuple[int, ...]) -> Chains:
    """Bones with so many candidates each, anywhere along the axis, with any evidence."""
    bones = len(sizes)
    node = np.full((bones, MOST_CANDIDATES), IMPOSSIBLE)
    place = np.broadcast_to(1.0 + 0.01 * np.arange(1, MOST_CANDIDATES + 1), node.shape).copy()
    log_depth, log_width, run = np.zeros(node.shape), np.zeros(node.shape), np.zeros(node.shape)
    for b, n in enumerate(sizes):
        node[b, :n] = random.normal(0, 2, n)
        place[b, :n] = np.sort(random.uniform(0.1, 0.99, n))
        log_depth[b, :n], log_width[b, :n] = random.normal(-1, 0.5, n), random.normal(1.5, 0.5, n)
        run[b, :n] = random.uniform(0, 1, n)
    return Chains(
        node=node,
        place=place,
        log_depth=log_depth,
        log_width_px=log_width,
        arc_run=run,
        radius_px=random.uniform(150, 900, bones),
    )


def random_scores(seed: int, sizes: tuple[int, ...], spread: float = 0.3) -> Scores:
    """Scores of random chains with random weights."""
    random = np.random.default_rng(seed)
    c = random_chains(random, sizes)
    return sequence.scores(c.node, features(c), random.normal(0, spread, len(FEATURES)))


@dataclass(frozen=True)
class Path:
    """One way to say which candidates are annuli."""

    taken: tuple[int, ...]
    score: float

    @property
    def annuli(self) -> int:
        return len(self.taken)


def every_path(s: Scores, bone: int, size: int) -> list[Path]:
    """All paths of a bone with `size` candidates, scored one by one."""
    i, j, k = triples(s.node.shape[1])
    triple = {(int(a), int(m), int(n)): float(v) for a, m, n, v in zip(i, j, k, s.triple[bone], strict=True)}
    paths = [Path((), float(s.none[bone]))]
    for many in range(1, size + 1):
        for taken in combinations(range(size), many):
            nodes = [0, *(t + 1 for t in taken)]
            score = sum(float(s.node[bone, t]) for t in taken)
            score += sum(float(s.pair[bone, a, m - 1]) for a, m in pairwise(nodes))
            score += sum(triple[t] for t in zip(nodes[:-2], nodes[1:-1], nodes[2:], strict=True))
            paths.append(Path(taken, score + float(s.end[bone, nodes[-2], nodes[-1] - 1])))
    return paths


def probabilities(paths: list[Path]) -> Numbers:
    """Probability of each path."""
    score = np.array([p.score for p in paths])
    weight = np.exp(score - score.max())
    return np.asarray(weight / weight.sum())
