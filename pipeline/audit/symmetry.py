"""Is one reader's table of counts against another's lopsided? Tests of symmetry and of equal margins.

All take the square table of counts (row: reader a, column: reader b, labels in order without gaps). Degrees of freedom
count only the pairs of cells, or the distances from the diagonal, that hold bones.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

Table = NDArray[np.int64]

EXACT_BELOW = 25
"""Bones that differ; with fewer the pooled test is the exact binomial one, because chi-square is too rough there."""


@dataclass(frozen=True, slots=True)
class Test:
    """A test's result. `statistic` and `p` are None, and `df` 0, when no bone can tell."""

    __test__ = False  # not a class of tests

    statistic: float | None
    df: int
    p: float | None
    exact: bool = False


NOTHING = Test(None, 0, None)


def cross_table(a: NDArray[np.int64], b: NDArray[np.int64]) -> tuple[Table, int]:
    """The square table of two readers' counts, and the label of its first row and column."""
    low = int(min(a.min(), b.min()))
    k = int(max(a.max(), b.max())) - low + 1
    return np.bincount((a - low) * k + (b - low), minlength=k * k).reshape(k, k), low


def bowker(table: Table) -> Test:
    """Every pair of mirrored cells compared (Bowker 1948)."""
    i, j = np.triu_indices(len(table), 1)
    return _mirrored(table[i, j], table[j, i])


def evans_hoenig(table: Table) -> Test:
    """All bones a given number of years above against all as many years below (Evans and Hoenig 1998)."""
    k = len(table)
    distance = np.arange(k)[None, :] - np.arange(k)[:, None]
    sums = np.bincount((distance + k - 1).ravel(), weights=table.ravel(), minlength=2 * k - 1)
    return _mirrored(sums[k:], sums[: k - 1][::-1])


def pooled(table: Table) -> Test:
    """All bones above against all below (McNemar 1947); p exact binomial when fewer than 25 differ."""
    above, below = int(np.triu(table, 1).sum()), int(np.tril(table, -1).sum())
    if above + below == 0:
        return NOTHING
    statistic = (above - below) ** 2 / (above + below)
    if above + below < EXACT_BELOW:
        return Test(statistic, 1, sign_test(above, below), exact=True)
    return Test(statistic, 1, float(special.chdtrc(1, statistic)))


def sign_test(above: int, below: int) -> float:
    """Exact two-sided binomial p that as many go up as down; 1 when none differs."""
    return min(1.0, 2 * float(special.bdtr(min(above, below), above + below, 0.5)))


def stuart_maxwell(table: Table) -> Test:
    """Do both readers use each count equally often? (Stuart 1955, Maxwell 1970)

    Counts on which the readers never differ are left out; where the rest fall apart into groups that do not mix, the
    degrees of freedom are the rank of the covariance.
    """
    rows, columns = table.sum(axis=1), table.sum(axis=0)
    differs = rows + columns - 2 * np.diag(table) > 0
    if not differs.any():
        return NOTHING
    t = table[np.ix_(differs, differs)].astype(np.float64)
    gap = t.sum(axis=1) - t.sum(axis=0)
    covariance = np.diag(t.sum(axis=1) + t.sum(axis=0)) - t - t.T
    df = int(np.linalg.matrix_rank(covariance))
    statistic = float(gap @ np.linalg.pinv(covariance, hermitian=True) @ gap)
    return Test(statistic, df, float(special.chdtrc(df, statistic)))


def _mirrored(above: NDArray[np.generic], below: NDArray[np.generic]) -> Test:
    up, down = above.astype(np.float64), below.astype(np.float64)
    held = up + down > 0
    df = int(held.sum())
    if df == 0:
        return NOTHING
    statistic = float(((up[held] - down[held]) ** 2 / (up[held] + down[held])).sum())
    return Test(statistic, df, float(special.chdtrc(df, statistic)))
