"""A logit over standardised features, their squares and products: smooth, small, fitted by `learn/`."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from pipeline.settings.values import Logit


def log_odds(features: NDArray[np.float64], logit: Logit) -> NDArray[np.float64]:
    """Score of each row of (row, feature), (row,); a constant may stand as `logit.constant`."""
    z = np.clip((features - np.array(logit.centre)) / np.array(logit.scale), -logit.reach, logit.reach)
    return weighted(z, np.array(logit.weights)) + logit.constant


def quadratic(features: NDArray[np.float64]) -> NDArray[np.float64]:
    """Features, then their squares and products: (row, n + n (n + 1) / 2)."""
    i, j = np.triu_indices(features.shape[1])
    return np.concatenate([features, features[:, i] * features[:, j]], axis=1)


def weighted(features: NDArray[np.float64], weights: NDArray[np.float64]) -> NDArray[np.float64]:
    """`quadratic(features) @ weights`, (row,), without the large table that `quadratic` makes."""
    size = features.shape[1]
    table = np.zeros((size, size))
    table[_upper(size)] = weights[size:]
    return np.asarray(features @ weights[:size] + np.einsum("rj,rj->r", features @ table, features))


@lru_cache(maxsize=16)
def _upper(size: int) -> NDArray[np.bool_]:
    """(size, size) True where a product of two features, or a square, has its weight."""
    return np.triu(np.ones((size, size), bool))
