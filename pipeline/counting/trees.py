"""Boosted trees as flat arrays: many candidates down many trees at once, with numpy alone."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from pipeline.records import Numbers
from pipeline.settings.second_pass import Trees

ROWS_AT_ONCE = 128
"""Rows that go down the trees together: what is held of them stays in the cache of a processor."""


def tree_log_odds(x: Numbers, trees: Trees) -> Numbers:
    """Sum of the leaves that each row of (row, feature) falls into, plus the trees' constant, (row,)."""
    feature, threshold, number, left, roots, depth = _arrays(trees)
    out = np.full(len(x), trees.constant)
    for first in range(0, len(x), ROWS_AT_ONCE):
        part = x[first : first + ROWS_AT_ONCE]
        cells = part.ravel()
        begins = np.arange(0, cells.size, part.shape[1])[:, None]
        node = np.repeat(roots[None], len(part), axis=0)
        for _ in range(depth):
            # A leaf points to itself and holds no row back: no number is above its threshold.
            node = left.take(node) + (cells.take(feature.take(node) + begins) > threshold.take(node))
        out[first : first + ROWS_AT_ONCE] += number.take(node).sum(1)
    return out


@lru_cache(maxsize=8)
def _arrays(
    trees: Trees,
) -> tuple[NDArray[np.intp], Numbers, Numbers, NDArray[np.intp], NDArray[np.intp], int]:
    """Feature, threshold (a leaf's is endless), leaf's value, left child (a leaf's is itself), roots, and the depth of
    the deepest tree."""
    feature, left, number = np.array(trees.feature, np.intp), np.array(trees.left, np.intp), np.array(trees.number)
    itself = np.arange(len(left))
    threshold = np.where(left < 0, np.inf, number)
    left = np.where(left < 0, itself, left)
    roots = np.array(trees.roots, np.intp)
    level, depth = roots, 0
    while True:
        level = level[left[level] != level]
        if not len(level):
            break
        level, depth = np.concatenate([left[level], left[level] + 1]), depth + 1
    return np.maximum(feature, 0), threshold, number, left, roots, depth
