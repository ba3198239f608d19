"""Boosted trees over the evidence of single candidates, as the flat arrays that the settings keep."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from sklearn.ensemble import HistGradientBoostingClassifier

from pipeline.records import Numbers
from pipeline.settings.second_pass import Trees

TREES, LEARNING_RATE = 120, 0.08
MOST_LEAVES = 20
MOST_DEPTH = 6
LEAST_IN_LEAF = 40
"""Candidates; fewer say nothing of other makes."""
PENALTY = 2.0
DIGITS = 5
"""Significant digits that thresholds and leaves are kept with."""


def fit_trees(evidence: Numbers, annulus: NDArray[np.bool_], weight: Numbers) -> Trees:
    """Trees that tell annuli from other candidates.

    evidence : (candidate, evidence). annulus : (candidate,). weight : (candidate,) how much each counts.
    """
    model = HistGradientBoostingClassifier(
        max_iter=TREES,
        learning_rate=LEARNING_RATE,
        max_leaf_nodes=MOST_LEAVES,
        max_depth=MOST_DEPTH,
        min_samples_leaf=LEAST_IN_LEAF,
        l2_regularization=PENALTY,
        early_stopping=False,
        random_state=0,
    ).fit(evidence, annulus, sample_weight=weight)
    feature: list[int] = []
    number: list[float] = []
    left: list[int] = []
    roots = []
    for (tree,) in model._predictors:
        roots.append(len(feature))
        _lay_down(tree.nodes, feature, number, left)
    return Trees(
        constant=_rounded(float(model._baseline_prediction.ravel()[0])),
        feature=tuple(feature),
        number=tuple(number),
        left=tuple(left),
        roots=tuple(roots),
    )


def _lay_down(nodes: NDArray[np.void], feature: list[int], number: list[float], left: list[int]) -> None:
    """Append one tree, breadth first, so that a node's two children stand side by side."""
    queue = [0]
    first = len(feature)
    for at in queue:
        node = nodes[at]
        if node["is_leaf"]:
            feature.append(0)
            number.append(_rounded(float(node["value"])))
            left.append(-1)
        else:
            feature.append(int(node["feature_idx"]))
            number.append(_rounded(float(node["num_threshold"])))
            left.append(first + len(queue))
            queue += [int(node["left"]), int(node["right"])]


def _rounded(value: float) -> float:
    return float(f"{value:.{DIGITS}g}")
