"""Boosted trees kept as flat arrays answer as the library that grew them."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.counting.trees import ROWS_AT_ONCE, tree_log_odds
from pipeline.learn.fit_trees import fit_trees
from pipeline.settings.second_pass import Trees

sklearn = pytest.importorskip("sklearn.ensemble")

# Two stumps by hand: 1 + (2 if x0 > 0.5 else -1) + (10 if x1 > 3 else 20 if x0 > 0 else 30).
BY_HAND = Trees(
    constant=1.0,
    feature=(0, 0, 0, 1, 0, 0, 0, 0),
    number=(0.5, -1.0, 2.0, 3.0, 0.0, 10.0, 30.0, 20.0),
    left=(1, -1, -1, 4, 6, -1, -1, -1),
    roots=(0, 3),
)


def test_each_row_falls_into_the_leaves_that_a_reader_of_the_trees_would_find() -> None:
    x = np.array([[0.0, 4.0], [1.0, 4.0], [0.2, 3.0], [-1.0, 0.0]])
    assert tree_log_odds(x, BY_HAND) == pytest.approx([1 - 1 + 10, 1 + 2 + 10, 1 - 1 + 20, 1 - 1 + 30])


def test_no_rows_have_no_answers_and_many_are_answered_alike_in_parts() -> None:
    assert len(tree_log_odds(np.zeros((0, 2)), BY_HAND)) == 0
    x = np.random.default_rng(0).normal(size=(ROWS_AT_ONCE + 7, 2))
    whole = tree_log_odds(x, BY_HAND)
    assert whole[-7:] == pytest.approx(tree_log_odds(x[-7:], BY_HAND))


def test_grown_trees_answer_as_the_library_that_grew_them() -> None:
    # Reference: scikit-learn's own decision function on the same settings.
    random = np.random.default_rng(3)
    x = random.normal(size=(2000, 4)).round(3)
    true = x[:, 0] * x[:, 1] + 0.3 * random.normal(size=2000) > 0
    trees = fit_trees(x, true, np.ones(2000))
    from pipeline.learn import fit_trees as module

    reference = sklearn.HistGradientBoostingClassifier(
        max_iter=module.TREES,
        learning_rate=module.LEARNING_RATE,
        max_leaf_nodes=module.MOST_LEAVES,
        max_depth=module.MOST_DEPTH,
        min_samples_leaf=module.LEAST_IN_LEAF,
        l2_regularization=module.PENALTY,
        early_stopping=False,
        random_state=0,
    ).fit(x, true)
    assert tree_log_odds(x, trees) == pytest.approx(reference.decision_function(x), abs=0.02)
