"""A smooth key: the share of each age as a multinomial logit of length, over all length classes at once.

It fills classes without aged fish and steadies those with few, at the price of taking the logit for true.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy.optimize import minimize
from scipy.special import log_softmax

from pipeline.growth.age_length_key import Key
from pipeline.records import Numbers

PENALTY = 1e-4
"""On half the squares of the slopes: only enough to end the search where lengths part two ages completely."""
LEAST_AGES = 2


def smoothed(key: Key) -> Key:
    """The key with shares by the model; as it was when it has one age only."""
    some = key.aged.sum(axis=0) > 0
    if some.sum() < LEAST_AGES:
        return key
    length = key.lower_mm + key.bin_mm / 2
    scaled = (length - length.mean()) / max(float(length.std()), 1e-9)
    share = np.zeros_like(key.aged)
    share[:, some] = _shares(scaled, key.aged[:, some])
    return replace(key, smoothed=share)


def _shares(length: Numbers, aged: Numbers) -> Numbers:
    """(class, age) shares of the likeliest multinomial logit, from the fish (class, age) and lengths (class,) of mean 0
    and standard deviation 1."""
    ages = aged.shape[1]
    fish = aged.sum(axis=1)

    def lack(weights: Numbers) -> tuple[float, Numbers]:
        level, slope = weights.reshape(2, ages)
        log_share = log_softmax(level + length[:, None] * slope, axis=1)
        off = fish[:, None] * np.exp(log_share) - aged
        value = -(aged * log_share).sum() + PENALTY / 2 * (slope**2).sum()
        return float(value), np.concatenate([off.sum(axis=0), length @ off + PENALTY * slope])

    found = minimize(lack, np.zeros(2 * ages), jac=True, method="L-BFGS-B", options={"maxiter": 5000, "maxfun": 10_000})
    level, slope = found.x.reshape(2, ages)
    return np.asarray(np.exp(log_softmax(level + length[:, None] * slope, axis=1)))
