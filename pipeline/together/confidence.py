"""Distribution of the count -> calibrated distribution; doubt about the first year.

The sequence model is sure of what it sees; that the focus was right, the scan sharp or the margin whole it takes for
granted. Two small logits, fitted on bones of known age, put that doubt back.
"""

from __future__ import annotations

from collections.abc import Mapping
from statistics import median

import numpy as np

from pipeline.bone.marks import EVIDENCE
from pipeline.bone.quadratic_logit import log_odds
from pipeline.counting.chains import Bone
from pipeline.counting.count import Count
from pipeline.counting.sequence import Numbers
from pipeline.records import BoneReading
from pipeline.settings import Settings

CONFIDENCE = (
    "one",
    "modal",
    "second",
    "weakest",
    "strongest_left",
    "log_count",
    "log_rim_px",
    "late",
    "hidden",
    "focus",
    "coverage",
    "noise",
    "log_radius_px",
)
"""Names of what the confidence is read from, in order."""
FIRST_YEAR = (
    "hidden",
    "first_sure",
    "first_depth",
    "depth_to_median",
    "departure",
    "base",
    "count",
    "gap_ratio",
    "reflected",
)
"""Names of what the doubt about the first year is read from, in order."""
_DEPTH, _RIM = EVIDENCE.index("log_depth"), EVIDENCE.index("log_rim_px")
SHARPEST = 8.0
"""Highest power that a distribution is raised to."""
HALVINGS = 24
"""Of the range of powers: the one found is right to a ten-millionth."""
NEIGHBOUR_FALL = 0.3
"""Each count further from the mode gets this share of what the one before it gets of a surplus."""
STAYS_AHEAD = 0.98
"""Share of the surplus at which another count would draw level that may be given away: the mode must stay it in a
table of four decimals too."""
LIKELY = 0.9
"""Likeness to an opercle below which confidence falls with it: whether the thing is a bone the count cannot know."""


def calibrated(count: Count, bone: Bone, reading: BoneReading, settings: Settings) -> Numbers:
    """The distribution of the count, (number of annuli,), sharpened or flattened so that its mode has the calibrated
    confidence; the mode stays the mode."""
    sure = _logistic(confidence_log_odds(count, bone, reading, settings))
    return at_confidence(count.probability, sure * min(1.0, reading.traits.get("likeness", 1.0) / LIKELY))


def confidence_log_odds(count: Count, bone: Bone, reading: BoneReading, settings: Settings) -> float:
    """Log odds that the most probable count is right."""
    return float(confidence_features(count, bone, reading) @ _weights(settings.confidence.weights, CONFIDENCE))


def at_confidence(p: Numbers, wanted: float) -> Numbers:
    """A distribution whose mode has the probability wanted, as near as the mode can stay the mode.

    Too unsure a one is raised to a power. Of too sure a one the surplus goes half to the counts that were thought of,
    half to the mode's neighbours, the nearer the more: what made the machine too sure (a focus a little off, a
    blurred margin) puts counts wrong by one or two, never by ten. What is impossible stays so.
    """
    mode = int(p.argmax())
    if wanted >= p[mode]:
        return _sharpened(p, wanted)
    others = np.where(np.arange(len(p)) == mode, 0.0, p)
    near = np.where(others > 0, NEIGHBOUR_FALL ** np.abs(np.arange(len(p)) - mode), 0.0)
    if not near.any():
        return p
    share = 0.5 * others / others.sum() + 0.5 * near / near.sum()
    most = float(((p[mode] - others) / (1 + share)).min())
    surplus = min(float(p[mode]) - wanted, STAYS_AHEAD * most)
    return np.asarray(np.where(np.arange(len(p)) == mode, p[mode] - surplus, others + surplus * share))


def _sharpened(p: Numbers, wanted: float) -> Numbers:
    logs = np.log(np.maximum(p, 1e-12))
    logs = logs - logs.max()
    low, high = 1.0, SHARPEST
    for _ in range(HALVINGS):
        power = np.sqrt(low * high)
        if 1 / np.exp(power * logs).sum() < wanted:
            low = power
        else:
            high = power
    q = np.where(p > 0, np.exp(np.sqrt(low * high) * logs), 0.0)
    return np.asarray(q / q.sum())


def confidence_features(count: Count, bone: Bone, reading: BoneReading) -> Numbers:
    """What the confidence is read from, as named by `CONFIDENCE`."""
    p = count.probability
    n = int(p.argmax())
    taken = list(count.path.taken)
    left = np.delete(count.mark_probability, taken)
    rim = bone.evidence[taken[-1], _RIM] if taken else np.log(max(bone.radius_px, 1.0))
    trait = reading.traits.get
    return np.array(
        [
            1.0,
            _logit(float(p[n])),
            _logit(float(np.sort(p)[-2])) if len(p) > 1 else -5.0,
            _logit(float(count.mark_probability[taken].min())) if taken else 3.0,
            _logit(float(left.max())) if len(left) else -5.0,
            np.log1p(n),
            rim,
            _logit(count.late),
            _logit(count.hidden_first),
            trait("focus_certainty", 1.0),
            trait("coverage", 1.0),
            np.log(trait("noise", 0.01) + 1e-3),
            np.log(max(bone.radius_px, 1.0)),
        ]
    )


def first_year_doubt(count: Count, bone: Bone, reading: BoneReading, settings: Settings) -> float:
    """Probability that the first annulus is hidden or hardly shows."""
    features = first_year_features(count, bone, reading)
    return _logistic(float(log_odds(features[None], settings.first_year)[0]))


def first_year_features(count: Count, bone: Bone, reading: BoneReading) -> Numbers:
    """What the doubt about the first year is read from, as named by `FIRST_YEAR`."""
    taken = list(count.path.taken)
    n = int(count.probability.argmax())
    reflected = float(reading.lighting == "reflected")
    if not taken:
        return np.array([_logit(count.hidden_first), 0.0, 0.0, 0.0, 0.0, bone.base, np.log1p(n), 0.0, reflected])
    first = taken[0]
    own = float(bone.evidence[first, _DEPTH])
    share = bone.first_length_share
    departure = float(np.clip(np.log(bone.fraction[first] / share), -1.5, 1.5)) if np.isfinite(share) else 0.0
    ratio = 0.0
    if len(taken) > 1:
        ratio = float(np.log((bone.fraction[taken[1]] - bone.fraction[first]) / max(bone.fraction[first], 1e-3)))
    return np.array(
        [
            _logit(count.hidden_first),
            _logit(float(count.mark_probability[first])),
            own,
            own - median(bone.evidence[taken, _DEPTH].tolist()),
            departure,
            bone.base,
            np.log1p(n),
            ratio,
            reflected,
        ]
    )


def _weights(by_name: Mapping[str, float], names: tuple[str, ...]) -> Numbers:
    return np.array([by_name[n] for n in names])


def _logit(p: float) -> float:
    q = min(max(p, 1e-5), 1 - 1e-5)
    return float(np.log(q / (1 - q)))


def _logistic(x: float) -> float:
    return float(1 / (1 + np.exp(-np.clip(x, -30, 30))))
