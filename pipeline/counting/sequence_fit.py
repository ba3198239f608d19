"""The weights of evidence and sequence fitted to known annuli: penalised maximum likelihood of paths and counts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize

from pipeline.counting import sequence
from pipeline.counting.chains import IMPOSSIBLE, MOST_NODE, Chains
from pipeline.counting.features import CUTS, FEATURES, Features, features, triples
from pipeline.counting.posterior import Posterior, given_count, over_all
from pipeline.records import Numbers


@dataclass(frozen=True, slots=True)
class Problem:
    """Chains with known answers, and the features of their candidates."""

    chains: Chains
    node: NDArray[np.float32]
    """(bone, candidate, feature) as `evidence_odds.node_features` makes them; 0 where there is no candidate."""
    paths: tuple[tuple[int, ...] | None, ...]
    """The known annuli of each bone, candidates in the chain's order; None where only the count is known."""
    counts: tuple[int | None, ...]
    """The known count of each bone; None where nothing is to be learned from it."""
    count_share: float
    """Share of a bone's weight that its count has where its path is known too."""


def fit(
    problem: Problem,
    start: tuple[Numbers, Numbers],
    node_penalty: Numbers,
    chain_penalty: Numbers,
    iterations: int,
) -> tuple[Numbers, Numbers]:
    """Weights of the node features and of the chain that make what is known likeliest.

    The penalties, one a weight, draw each weight towards where it started.
    """
    c = problem.chains
    candidates = c.node.shape[1]
    size = problem.node.shape[2]
    known = np.array([n is not None and n <= candidates for n in problem.counts])
    with_path = known & np.array([p is not None for p in problem.paths])
    path_weight = np.where(with_path, 1 - problem.count_share, 0.0)
    count_weight = np.where(with_path, problem.count_share, np.where(known, 1.0, 0.0))
    use = path_weight + count_weight
    counts = np.array([n if k and n is not None else 0 for n, k in zip(problem.counts, known, strict=True)])
    real = c.node > IMPOSSIBLE / 2
    x = problem.node.reshape(-1, size)
    f = features(c)
    observed, taken = _observed(problem.paths, f, path_weight, candidates)
    origin = np.concatenate(start)
    penalty = np.concatenate([node_penalty, chain_penalty])

    def loss(theta: Numbers) -> tuple[float, Numbers]:
        raw = (x @ theta[:size].astype(np.float32)).reshape(real.shape).astype(np.float64)
        free = real & (np.abs(raw) < MOST_NODE)
        node = np.where(real, np.clip(raw, -MOST_NODE, MOST_NODE), IMPOSSIBLE)
        s = sequence.scores(node, f, theta[size:])
        everything, counted = over_all(s), given_count(s, counts)
        expected = _expected(f, everything, use) - _expected(f, counted, count_weight)
        surplus = everything.pair.sum(1) * use[:, None] - counted.pair.sum(1) * count_weight[:, None] - taken
        gradient = np.concatenate([x.T @ (surplus * free).ravel().astype(np.float32), expected - observed])
        told = float((node * taken)[taken > 0].sum() + observed @ theta[size:])
        cost = float((everything.log_total * use).sum() - (counted.log_total * count_weight).sum()) - told
        departure = theta - origin
        many = max(float(use.sum()), 1.0)
        return cost / many + float(penalty @ departure**2), gradient / many + 2 * penalty * departure

    found = minimize(loss, origin, jac=True, method="L-BFGS-B", options={"maxiter": iterations, "maxcor": 20})
    return found.x[:size], found.x[size:]


def _expected(f: Features, p: Posterior, use: Numbers) -> Numbers:
    """Features summed over the bones as often as they are used, (feature,)."""
    w3, w2 = use[:, None, None], use[:, None]
    return np.concatenate(
        [
            np.einsum("bijf,bij->f", f.pair, p.pair * w3),
            np.einsum("btf,bt->f", f.triple, p.triple * w2),
            np.einsum("bijf,bij->f", f.end, p.end * w3),
            (p.none * use) @ f.none,
        ]
    )


def _observed(
    paths: Sequence[tuple[int, ...] | None], f: Features, use: Numbers, candidates: int
) -> tuple[Numbers, Numbers]:
    """Chain features summed over the known paths, and how much each candidate is taken (bone, candidate)."""
    i, j, k = triples(candidates)
    index = np.full((candidates + 1,) * 3, -1)
    index[i, j, k] = np.arange(len(i))
    pair, triple, end, none = np.split(np.zeros(len(FEATURES)), CUTS)
    taken = np.zeros((len(paths), candidates))
    for b, path in enumerate(paths):
        if path is None or not use[b]:
            continue
        if not path:
            none += use[b] * f.none[b]
            continue
        taken[b, list(path)] = use[b]
        nodes = [0, *(t + 1 for t in path)]
        for before, here in pairwise(nodes):
            pair += use[b] * f.pair[b, before, here - 1]
        for one, two, three in zip(nodes[:-2], nodes[1:-1], nodes[2:], strict=True):
            triple += use[b] * f.triple[b, index[one, two, three]]
        end += use[b] * f.end[b, nodes[-2], nodes[-1] - 1]
    return np.concatenate([pair, triple, end, none]), taken
