"""A smooth key: the share of each age as a multinomial logit of length, over all length classes at once.

It fills classes without aged fish and steadies those with few, at the price of taking the logit for true.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from sklearn.linear_model import LogisticRegression

from pipeline.growth.age_length_key import Key

HARDLY_ANY_PENALTY = 1e4
"""Inverse of the penalty: only enough to end the search where lengths part two ages completely."""
LEAST_AGES = 2


def smoothed(key: Key) -> Key:
    """The key with shares by the model; as it was when it has one age only."""
    some = key.aged.sum(axis=0) > 0
    if some.sum() < LEAST_AGES:
        return key
    length = (key.lower_mm + key.bin_mm / 2)[:, None]
    middle, spread = length.mean(), max(float(length.std()), 1e-9)
    rows, columns = np.nonzero(key.aged)
    model = LogisticRegression(C=HARDLY_ANY_PENALTY, max_iter=2000)
    scaled = (length - middle) / spread
    model.fit(scaled[rows], key.ages[columns], sample_weight=key.aged[rows, columns])
    share = np.zeros_like(key.aged)
    share[:, model.classes_ - key.ages[0]] = model.predict_proba(scaled)
    return replace(key, smoothed=share)
