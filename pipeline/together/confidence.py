"""How sure the count is: a logit of signs, fitted to bones of makes that the weights had not seen.

The sequence model is sure of what it sees. That the focus was right, the scan sharp, the margin whole and the bone like
those it was taught on, it takes for granted; this puts the doubt back.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.bone.evidence import EVIDENCE
from pipeline.bone.quadratic_logit import log_odds as logit_of
from pipeline.records import Numbers
from pipeline.settings.second_pass import FamiliarModel
from pipeline.settings.whole import Settings
from pipeline.together.counted import CountedBone, log_odds, middle, probability
from pipeline.together.unseen import Unseen

LIKELY = 0.9
"""Likeness to an opercle below which confidence falls with it: whether the thing is a bone the count cannot know, and
without a table nobody says so."""


@dataclass(frozen=True, slots=True)
class Judged:
    """One bone when its confidence is asked for."""

    counted: CountedBone
    unseen: Unseen
    strangeness: float
    """Distance from what was taught, as `strangeness` measures it."""


def _second(c: CountedBone) -> float:
    p = np.sort(c.count.probability)
    return float(p[-2]) if len(p) > 1 else 0.0


def _strongest_left(c: CountedBone) -> float:
    return float(np.delete(c.count.mark_probability, c.taken).max(initial=0.0))


def _weakest(c: CountedBone) -> float:
    return float(c.count.mark_probability[c.taken].min(initial=1.0))


CONFIDENCE: Mapping[str, Callable[[Judged], float]] = {
    "modal": lambda j: log_odds(float(j.counted.count.probability[j.counted.count.seen])),
    "second": lambda j: log_odds(_second(j.counted)),
    "weakest": lambda j: log_odds(_weakest(j.counted)),
    "strongest_left": lambda j: log_odds(_strongest_left(j.counted)),
    "hidden": lambda j: log_odds(j.unseen.first if not j.unseen.first_counted else 1 - j.unseen.first),
    "inferred": lambda j: float(j.unseen.first_counted),
    "late": lambda j: log_odds(j.unseen.last),
    "log_count": lambda j: float(np.log1p(j.counted.count.seen)),
    "log_rim_px": lambda j: j.counted.evidence(j.counted.taken[-1], "log_rim_px") if j.counted.taken else 2.5,
    "shortest_run": lambda j: min(j.counted.runs, default=0.0),
    "middle_run": lambda j: middle(j.counted.runs),
    "focus": lambda j: j.counted.trait("focus_certainty", 1.0),
    "coverage": lambda j: j.counted.trait("coverage", 1.0),
    "noise": lambda j: float(np.log(j.counted.trait("noise", 0.01) + 1e-3)),
    "strangeness": lambda j: float(np.log(j.strangeness + 1e-3)),
}
"""What the confidence is read from, by name."""

_FAMILIAR_EVIDENCE = (
    "log_depth",
    "log_t",
    "block_variation",
    "arc_run",
    "outer_slope",
    "inner_slope",
    "asymmetry",
    "log_width_px",
    "width_to_gap_before",
    "peak_level",
)
_FAMILIAR_TRAITS = ("noise", "coverage", "base", "sharpness_px", "rim_level")
FAMILIAR = (*_FAMILIAR_EVIDENCE, "candidates_a_mark", *_FAMILIAR_TRAITS)
"""Names of the numbers that say what make a bone is of, in order."""


def confidence_features(j: Judged) -> Numbers:
    """(feature,) in the order of `CONFIDENCE`."""
    return np.array([column(j) for column in CONFIDENCE.values()])


def confidence_of(c: CountedBone, odds: float) -> float:
    """Probability that the count is right. `odds` are those of `confidence_log_odds`."""
    return probability(odds) * _is_bone(c)


def _is_bone(c: CountedBone) -> float:
    """How sure it is that the thing is a bone; where a row of the table says so, wholly."""
    return 1.0 if c.specimen.written else min(1.0, c.trait("likeness", 1.0) / LIKELY)


def confidence_log_odds(judged: Sequence[Judged], settings: Settings) -> Numbers:
    """(bone,) log odds that each count is right, if the thing is a bone."""
    if not judged:
        return np.zeros(0)
    return logit_of(np.stack([confidence_features(j) for j in judged]), settings.confidence)


def familiar_features(c: CountedBone) -> Numbers:
    """(feature,) in the order of `FAMILIAR`: means over the marks counted, then the bone's own."""
    shown = c.bone.evidence[c.taken] if c.taken else c.bone.evidence
    mean = shown.mean(0) if len(shown) else np.zeros(len(EVIDENCE))
    marks = [float(mean[EVIDENCE.index(name)]) for name in _FAMILIAR_EVIDENCE]
    crowd = float(np.log((1 + len(c.bone.fraction)) / (1 + len(c.taken))))
    return np.array([*marks, crowd, *(c.trait(name) for name in _FAMILIAR_TRAITS)])


def strangeness(counted: Sequence[CountedBone], model: FamiliarModel) -> Numbers:
    """(bone,) Mahalanobis distance, over the root of the number of features, from the bones that were taught: about 1
    for those themselves."""
    if not counted:
        return np.zeros(0)
    features = np.stack([familiar_features(c) for c in counted])
    z = np.clip((features - np.array(model.centre)) / np.array(model.scale), -model.reach, model.reach)
    whitened = z @ np.array(model.whitening).reshape(z.shape[1], z.shape[1]).T
    return np.asarray(np.sqrt(np.mean(whitened**2, axis=1)))
