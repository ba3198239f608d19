"""A small logit over standardised features, fitted with a penalty."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from sklearn.linear_model import LogisticRegression

from pipeline.bone.quadratic_logit import quadratic
from pipeline.records import Numbers
from pipeline.settings.values import Logit

REACH = 3.5
"""Standard deviations at which a feature is cut."""
MOST_ITERATIONS = 3000
DIGITS = 5


def fit_logit(features: Numbers, true: NDArray[np.bool_], strength: float, weight: Numbers) -> Logit:
    """The logit of what is true, with squares and products.

    features : (row, feature). true : (row,). strength : inverse penalty. weight : (row,) how much each counts.
    """
    centre, scale = features.mean(0), features.std(0) + 1e-6
    if true.all() or not true.any():
        raise ValueError("nothing can be fitted where all are alike: draw more bones")
    z = quadratic(np.clip((features - centre) / scale, -REACH, REACH))
    model = LogisticRegression(C=strength, max_iter=MOST_ITERATIONS).fit(z, true, sample_weight=weight)
    return Logit(
        centre=tuple(map(rounded, centre)),
        scale=tuple(map(rounded, scale)),
        weights=tuple(map(rounded, model.coef_[0])),
        constant=rounded(float(model.intercept_[0])),
        reach=REACH,
    )


def rounded(value: float) -> float:
    """As the file of fitted numbers keeps it."""
    return float(f"{value:.{DIGITS}g}")
