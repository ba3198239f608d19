"""A logit over standardised features, their squares and products: smooth, small, fitted by `tests/accuracy/fit.py`."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from pipeline.settings import Logit


def log_odds(features: NDArray[np.float64], logit: Logit) -> NDArray[np.float64]:
    """Score of each row of (row, feature), (row,); a constant may stand as `logit.constant`."""
    z = np.clip((features - np.array(logit.centre)) / np.array(logit.scale), -logit.reach, logit.reach)
    return np.asarray(quadratic(z) @ np.array(logit.weights) + logit.constant)


def quadratic(features: NDArray[np.float64]) -> NDArray[np.float64]:
    """Features, then their squares and products: (row, n + n (n + 1) / 2)."""
    i, j = _pairs(features.shape[1])
    return np.concatenate([features, features[:, i] * features[:, j]], axis=1)


@lru_cache
def _pairs(size: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    return np.triu_indices(size)
