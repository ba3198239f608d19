"""The sequence model's weights fitted to known annuli: penalised maximum likelihood of whole paths."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize

from pipeline.together import sequence
from pipeline.together.sequence import END, LATE, MOST_CANDIDATES, NODES, NONE, Chains, Numbers

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
    paths: tuple[Path, ...]


def fit(
    problem: Problem, start: tuple[Numbers, Numbers], evidence_penalty: Numbers, chain_penalty: Numbers, iterations: int
) -> tuple[Numbers, Numbers]:
    """Weights of the evidence and of the chain that make the known paths likeliest.

    The penalties, one a weight, draw each weight towards where it started.
    """
    c = problem.chains
    bones = len(problem.paths)
    size = problem.evidence.shape[2]
    real = c.node > sequence.IMPOSSIBLE / 2
    x = problem.evidence.reshape(-1, size)
    pairs, threes, ends = sequence.pair_features(c), sequence.triple_features(c), sequence.end_features(c)
    observed, taken = _observed(problem, pairs, threes, ends)
    origin = np.concatenate(start)
    penalty = np.concatenate([evidence_penalty, chain_penalty])

    def loss(theta: Numbers) -> tuple[float, Numbers]:
        node = np.where(
            real, (x @ theta[:size].astype(np.float32)).reshape(real.shape).astype(np.float64), sequence.IMPOSSIBLE
        )
        w = np.split(theta[size:], _CUTS)
        s = sequence.Scores(
            node=node,
            pair=pairs @ w[0],
            triple=threes @ w[1],
            end=ends[0] @ w[2],
            late=ends[1] @ w[3],
            none=ends[2] @ w[4],
            none_late=ends[3] @ w[5],
        )
        alpha, beta = sequence.forward(s), sequence.backward(s)
        total = sequence.log_total(s, alpha)
        pair = np.exp(np.minimum(sequence.valid(alpha + beta) - total[:, None, None], 0))
        end = np.exp(np.minimum(sequence.valid(alpha + s.end) - total[:, None, None], 0))
        late = np.exp(np.minimum(sequence.valid(alpha + s.late) - total[:, None, None], 0))
        triple = _triple_marginals(s, alpha, beta, total)
        none, none_late = np.exp(s.none - total), np.exp(s.none_late - total)
        expected = np.concatenate(
            [
                np.einsum("bijf,bij->f", pairs, pair),
                np.einsum("btf,bt->f", threes, triple),
                np.einsum("bijf,bij->f", ends[0], end),
                np.einsum("bijf,bij->f", ends[1], late),
                none @ ends[2],
                none_late @ ends[3],
            ]
        )
        surplus = (pair.sum(1) - taken) * real
        gradient = np.concatenate([x.T @ surplus.ravel().astype(np.float32), expected - observed]) / bones
        known = float((node[taken > 0]).sum() + observed @ theta[size:])
        departure = theta - origin
        return (float(total.sum()) - known) / bones + float(penalty @ departure**2), gradient + 2 * penalty * departure

    found = minimize(loss, origin, jac=True, method="L-BFGS-B", options={"maxiter": iterations, "maxcor": 20})
    return found.x[:size], found.x[size:]


def _observed(
    problem: Problem, pairs: Numbers, triples: Numbers, ends: tuple[Numbers, Numbers, Numbers, Numbers]
) -> tuple[Numbers, Numbers]:
    """Chain features summed over the known paths, and which candidates are taken (bone, candidate)."""
    i, j, k = sequence.triples()
    index = np.full((NODES, NODES, NODES), -1)
    index[i, j, k] = np.arange(len(i))
    total = [
        np.zeros(_PAIRS),
        np.zeros(9),
        np.zeros(len(END)),
        np.zeros(len(LATE)),
        np.zeros(len(NONE)),
        np.zeros(len(sequence.NONE_LATE)),
    ]
    taken = np.zeros((len(problem.paths), MOST_CANDIDATES))
    for b, path in enumerate(problem.paths):
        if not path.taken:
            total[5 if path.late else 4] += ends[3 if path.late else 2][b]
            continue
        nodes = [1 if path.hidden_first else 0, *(t + 2 for t in path.taken)]
        taken[b, list(path.taken)] = 1
        for before, here in zip(nodes[:-1], nodes[1:], strict=True):
            total[0] += pairs[b, before, here - 2]
        for a, m, n in zip(nodes[:-2], nodes[1:-1], nodes[2:], strict=True):
            total[1] += triples[b, index[a, m, n]]
        total[3 if path.late else 2] += ends[1 if path.late else 0][b, nodes[-2], nodes[-1] - 2]
    return np.concatenate(total), taken


def _triple_marginals(s: sequence.Scores, alpha: Numbers, beta: Numbers, total: Numbers) -> Numbers:
    i, j, k = sequence.triples()
    value = alpha[:, i, j - 2] + s.triple + s.pair[:, j, k - 2] + s.node[:, k - 2] + beta[:, j, k - 2] - total[:, None]
    return np.exp(np.minimum(value, 0))


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
