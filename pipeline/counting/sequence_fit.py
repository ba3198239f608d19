"""The sequence model's weights fitted to known annuli: penalised maximum likelihood of paths and counts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize

from pipeline.counting import sequence
from pipeline.counting.posterior import Posterior, given_count, over_all
from pipeline.counting.sequence import END, LATE, NONE, Chains, Numbers

_PAIRS = len(sequence.PAIR) + len(sequence.FIRST_PAIR) + len(sequence.HIDDEN_PAIR)
_CUTS = np.cumsum([_PAIRS, 9, len(END), len(LATE), len(NONE)])


@dataclass(frozen=True, slots=True)
class Path:
    """The annuli of one bone as they are known: which candidates they are, and how the path begins and ends."""

    taken: tuple[int, ...]
    """Candidates in the chain's order, the innermost first."""
    hidden_first: bool
    late: bool
    """A last annulus lies at the margin where no candidate shows it."""


@dataclass(frozen=True, slots=True)
class Problem:
    """Chains with known paths, and the evidence features of their candidates."""

    chains: Chains
    evidence: NDArray[np.float32]
    """(bone, candidate, feature)."""
    paths: tuple[Path | None, ...]
    """None where the candidates cannot tell the truth: then the count alone is known."""
    annuli: tuple[int, ...]
    """The known count of each bone."""
    count_weight: float
    """Share of a bone's say that its count has; the rest is its path's."""


def fit(
    problem: Problem,
    start: tuple[Numbers, Numbers],
    evidence_penalty: Numbers,
    chain_penalty: Numbers,
    iterations: int,
    held: NDArray[np.bool_] | None = None,
) -> tuple[Numbers, Numbers]:
    """Weights of the evidence and of the chain that make what is known likeliest: paths where they are, counts
    everywhere.

    The penalties, one a weight, draw each weight towards where it started. Weights of the chain that are `held`
    (in the order of `sequence.FEATURES`) stay there.
    """
    c = problem.chains
    bones, size = len(problem.annuli), problem.evidence.shape[2]
    annuli = np.array(problem.annuli)
    known_path = np.array([p is not None for p in problem.paths])
    path_weight = np.where(known_path, 1 - problem.count_weight, 0.0)
    count_weight = np.where(known_path, problem.count_weight, 1.0)
    real = c.node > sequence.IMPOSSIBLE / 2
    x = problem.evidence.reshape(-1, size)
    features = _Features(sequence.pair_features(c), sequence.triple_features(c), *sequence.end_features(c))
    observed, taken = _observed(problem, features, path_weight)
    origin = np.concatenate(start)
    penalty = np.concatenate([evidence_penalty, chain_penalty])
    stays = np.zeros(len(origin), np.bool_)
    if held is not None:
        stays[size:] = held

    def loss(theta: Numbers) -> tuple[float, Numbers]:
        own = (x @ theta[:size].astype(np.float32)).reshape(real.shape).astype(np.float64)
        node = np.where(real, own, sequence.IMPOSSIBLE)
        s = features.scores(node, theta[size:])
        everything, counted = over_all(s), given_count(s, annuli)
        use = path_weight + count_weight
        expected = features.expected(everything, use) - features.expected(counted, count_weight)
        surplus = everything.pair.sum(1) * use[:, None] - counted.pair.sum(1) * count_weight[:, None] - taken
        gradient = np.concatenate([x.T @ (surplus * real).ravel().astype(np.float32), expected - observed]) / bones
        known = float((node * taken)[taken > 0].sum() + observed @ theta[size:])
        cost = float((everything.log_total * use).sum() - (counted.log_total * count_weight).sum()) - known
        departure = theta - origin
        gradient = gradient + 2 * penalty * departure
        return cost / bones + float(penalty @ departure**2), np.where(stays, 0.0, gradient)

    found = minimize(loss, origin, jac=True, method="L-BFGS-B", options={"maxiter": iterations, "maxcor": 20})
    return found.x[:size], found.x[size:]


@dataclass(frozen=True, slots=True)
class _Features:
    """Chain features of every part of every path."""

    pair: Numbers
    triple: Numbers
    end: Numbers
    late: Numbers
    none: Numbers
    none_late: Numbers

    def scores(self, node: Numbers, weights: Numbers) -> sequence.Scores:
        w = np.split(weights, _CUTS)
        return sequence.Scores(
            node=node,
            pair=self.pair @ w[0],
            triple=self.triple @ w[1],
            end=self.end @ w[2],
            late=self.late @ w[3],
            none=self.none @ w[4],
            none_late=self.none_late @ w[5],
        )

    def expected(self, p: Posterior, weight: Numbers) -> Numbers:
        """Features summed over the bones as often as they are used, (feature,)."""
        w3, w2 = weight[:, None, None], weight[:, None]
        return np.concatenate(
            [
                np.einsum("bijf,bij->f", self.pair, p.pair * w3),
                np.einsum("btf,bt->f", self.triple, p.triple * w2),
                np.einsum("bijf,bij->f", self.end, p.end * w3),
                np.einsum("bijf,bij->f", self.late, p.late * w3),
                (p.none * weight) @ self.none,
                (p.none_late * weight) @ self.none_late,
            ]
        )


def _observed(problem: Problem, features: _Features, weight: Numbers) -> tuple[Numbers, Numbers]:
    """Chain features summed over the known paths, and how much each candidate is taken (bone, candidate)."""
    candidates = problem.chains.node.shape[1]
    i, j, k = sequence.triples(candidates)
    index = np.full((candidates + 2,) * 3, -1)
    index[i, j, k] = np.arange(len(i))
    total = [np.zeros(n) for n in np.diff([0, *_CUTS, len(sequence.FEATURES)])]
    taken = np.zeros((len(problem.paths), candidates))
    for b, path in enumerate(problem.paths):
        if path is None:
            continue
        if not path.taken:
            total[5 if path.late else 4] += weight[b] * (features.none_late if path.late else features.none)[b]
            continue
        nodes = [1 if path.hidden_first else 0, *(t + 2 for t in path.taken)]
        taken[b, list(path.taken)] = weight[b]
        for before, here in pairwise(nodes):
            total[0] += weight[b] * features.pair[b, before, here - 2]
        for a, m, n in zip(nodes[:-2], nodes[1:-1], nodes[2:], strict=True):
            total[1] += weight[b] * features.triple[b, index[a, m, n]]
        ends = features.late if path.late else features.end
        total[3 if path.late else 2] += weight[b] * ends[b, nodes[-2], nodes[-1] - 2]
    return np.concatenate(total), taken


def with_node(c: Chains, node: Numbers) -> Chains:
    """The chains with other log odds of their candidates."""
    return replace(c, node=node)


def paths(labels: Sequence[NDArray[np.int64]], annuli: Sequence[int]) -> list[Path | None]:
    """Known paths from labels (per candidate the 0-based annulus, or -1); None where the candidates cannot tell the
    truth."""
    out: list[Path | None] = []
    for label, count in zip(labels, annuli, strict=True):
        where = {int(a): c for c, a in enumerate(label) if a >= 0}
        missing = [a for a in range(count) if a not in where]
        taken = tuple(where[a] for a in sorted(where))
        hidden = bool(missing) and missing[0] == 0 and count > 1
        late = bool(missing) and missing[-1] == count - 1
        rest = [a for a in missing if not (a == 0 and hidden) and not (a == count - 1 and late)]
        if rest or (hidden and not taken):
            out.append(None)
            continue
        out.append(Path(taken=taken, hidden_first=hidden, late=late))
    return out
