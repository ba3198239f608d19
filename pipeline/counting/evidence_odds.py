"""Evidence of candidates -> log odds of each being an annulus, from what it shows alone."""

from __future__ import annotations

import numpy as np

from pipeline.counting.trees import tree_log_odds
from pipeline.records import Numbers
from pipeline.settings.second_pass import EvidenceModel

MOST_LOG_ODDS = 8.0
"""Trees are no surer than this: beyond it they repeat what they were taught."""


def node_features(evidence: Numbers, tree_odds: Numbers, model: EvidenceModel) -> Numbers:
    """(candidate, feature): a constant, what the trees say, and each kind of evidence by itself, standardised.

    The trees carry what is common to bones of all makes; the linear part is what `refit` moves for one water.
    """
    z = np.clip((evidence - np.array(model.centre)) / np.array(model.scale), -model.reach, model.reach)
    trees = np.clip(tree_odds, -MOST_LOG_ODDS, MOST_LOG_ODDS)
    return np.column_stack([np.ones(len(z)), trees, z])


def evidence_log_odds(evidence: Numbers, model: EvidenceModel) -> Numbers:
    """(candidate,) log odds of each from its own evidence, (candidate, evidence)."""
    if not len(evidence):
        return np.zeros(0)
    shown = node_features(evidence, tree_log_odds(evidence, model.trees), model)
    return np.asarray(np.einsum("cf,f->c", shown, np.array(model.weights)))  # a product of matrices mixes the rows
