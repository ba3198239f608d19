"""Evidence and confidence fitted anew to people's counts of a run, drawn towards the weights there are.

People give counts, not places: the weights of evidence and sequence are those that make the counts likeliest, summed
over all paths that have them. Few bones know little, so each weight has a normal prior about the shipped one, whose
standard deviation the settings give; the more bones, the less it holds. Counts that the shipped weights hold to be all
but impossible are left out of this step: they come from a wrong focus, a swapped id or a slip of the pen, which no
weight of a mark can mend. The confidence then keeps what it is read from and is moved and stretched as a whole (Platt
1999), on counts of bones that the weights were not fitted to; there every bone takes part.

All figures are cross-validated; bones of one scan are never apart, for they share light, dust and preparation.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize

from pipeline.bone.evidence import EVIDENCE
from pipeline.counting import sequence_fit
from pipeline.counting.chains import Chains, chains
from pipeline.counting.evidence_odds import node_features
from pipeline.counting.features import FEATURES
from pipeline.counting.trees import tree_log_odds
from pipeline.records import BoneReading, Numbers, Specimen
from pipeline.settings.second_pass import RefitSettings
from pipeline.settings.whole import Settings
from pipeline.together.counted import bone_of
from pipeline.together.judge import JudgedBone, judge
from pipeline.together.lots import lot

FOLDS = 5
"""Parts of the cross-validation: each fit still sees four fifths of the bones."""
DIGITS = 6
"""Of a refitted weight: what a file holds of it is what was judged."""
BONES_A_BIN, MOST_BINS = 20, 10
"""Of the calibration error: bins of like confidence, none so small that chance alone fills it."""
LEAST_TOLD = 1e-4
"""A reader's count less probable than this counts as this probable: one slip must not outweigh a hundred bones."""
CERTAIN = 1.96
"""Standard errors beyond which a difference is more than chance, at 95 %."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CountedByPeople:
    """One bone that people counted."""

    specimen: Specimen
    reading: BoneReading
    annuli: int
    """What the readers agree on."""

    @property
    def scan(self) -> str:
        """Bones of one scan are never parted by cross-validation."""
        return self.reading.scan


@dataclass(frozen=True, slots=True, kw_only=True)
class Figures:
    """How well the machine does against the readers."""

    exact: float
    within_one: float
    calibration_error: float
    """Mean distance between confidence and share right, over bins of like confidence."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Gain:
    """Refitted less shipped, bone by bone; the standard error takes the bones of one scan together."""

    mean: float
    standard_error: float

    @property
    def is_loss(self) -> bool:
        """Worse by more than chance."""
        return self.mean + CERTAIN * self.standard_error < 0

    @property
    def is_sure(self) -> bool:
        """Better by more than chance."""
        return self.mean - CERTAIN * self.standard_error > 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Refit:
    """New weights and what they are worth."""

    settings: Settings
    """As given, with the new weights."""
    bones: int
    scans: int
    before: Figures
    after: Figures
    """Of bones that the weights were not fitted to."""
    exact_gain: Gain
    log_gain: Gain
    """Of the logarithm of the probability of the readers' count: tells of count and confidence at once."""

    @property
    def is_loss(self) -> bool:
        """The new weights do worse than the old ones by more than chance."""
        return self.exact_gain.is_loss or self.log_gain.is_loss


def consensus(specimens: Sequence[str], counts: NDArray[np.float64]) -> dict[str, int]:
    """What the readers agree on, by specimen: (bone, reader) counts, NaN where a reader has none.

    The commonest count; where several are equally common, the median of all. Where that lies between two years, the
    specimen's lot takes the one or the other: without these bones only the easy ones would be left, and always the
    lower year would draw the machine down.
    """
    out = {}
    for specimen, row in zip(specimens, counts, strict=True):
        given = row[~np.isnan(row)]
        if len(given):
            values, times = np.unique(given, return_counts=True)
            most = values[times == times.max()]
            count = float(most[0]) if len(most) == 1 else float(np.median(given))
            out[specimen] = int(count) if count % 1 == 0 else int(count) + round(lot(specimen))
    return out


def at_most(bones: Sequence[CountedByPeople], most: int) -> list[CountedByPeople]:
    """All bones, or as many as allowed, drawn by a hash of their place: more gain little and fill the memory."""
    lots = [lot(b.scan, str(b.reading.number)) for b in bones]
    chosen = sorted(range(len(bones)), key=lots.__getitem__)[:most]
    return [bones[n] for n in sorted(chosen)]


def refit(bones: Sequence[CountedByPeople], settings: Settings) -> Refit:
    """Weights refitted to the bones' known counts, and what they gain. The bones must be of two scans at least."""
    fold = folds([b.scan for b in bones])
    annuli = np.array([b.annuli for b in bones])
    shipped = _judged(bones, settings)
    problem = _problem(bones, shipped, settings)
    parts = []
    for k in range(int(fold.max()) + 1):
        fitted = _fitted(problem, np.flatnonzero(fold != k), settings)
        out = np.flatnonzero(fold == k).tolist()
        parts.append((out, fitted, _judged([bones[b] for b in out], fitted)))
    odds, right = np.zeros(len(bones)), np.zeros(len(bones), np.bool_)
    for out, _, judged in parts:
        odds[out] = [j.log_odds for j in judged]
        right[out] = np.array([j.annuli for j in judged]) == annuli[out]
    most = max(len(j.probability) for j in shipped)
    before = _probabilities(shipped, most)
    after = np.zeros(before.shape)
    for k, (out, fitted, _) in enumerate(parts):
        moved = _with_confidence(fitted, *_calibration(odds[fold != k], right[fold != k], settings.refit))
        after[out] = _probabilities(_judged([bones[b] for b in out], moved), most)
    scans = [b.scan for b in bones]
    return Refit(
        settings=_with_confidence(
            _fitted(problem, np.arange(len(bones)), settings), *_calibration(odds, right, settings.refit)
        ),
        bones=len(bones),
        scans=len(set(scans)),
        before=_figures(before, annuli),
        after=_figures(after, annuli),
        exact_gain=clustered_gain(_right(after, annuli).astype(np.float64) - _right(before, annuli), scans),
        log_gain=clustered_gain(_log_score(after, annuli) - _log_score(before, annuli), scans),
    )


def _judged(bones: Sequence[CountedByPeople], settings: Settings) -> list[JudgedBone]:
    return judge([(b.specimen, b.reading) for b in bones], settings)


# ------------------------------------------------------------------------------------------------ weights
@dataclass(frozen=True, slots=True)
class _Problem:
    """The chains of all bones with the features of their candidates, and which of them the weights can be fitted to."""

    chains: Chains
    node: NDArray[np.float32]
    annuli: NDArray[np.int64]
    usable: NDArray[np.bool_]
    """(bone,) False where the readers' count is all but impossible by the weights there are."""


def _problem(bones: Sequence[CountedByPeople], shipped: Sequence[JudgedBone], settings: Settings) -> _Problem:
    model = settings.evidence
    seen = [bone_of(b.specimen, b.reading, settings) for b in bones]
    own = [node_features(b.evidence, tree_log_odds(b.evidence, model.trees), model) for b in seen]
    arrays, chosen = chains(seen, [f @ np.array(model.weights) for f in own])
    node = np.zeros((*chosen.shape, len(model.weights)), np.float32)
    for b, (features, picked) in enumerate(zip(own, chosen, strict=True)):
        real = picked >= 0
        node[b, real] = features[picked[real]]
    annuli = np.array([b.annuli for b in bones])
    seen_probability = [j.counted.count.probability for j in shipped]
    likely = [p[n] if n < len(p) else 0.0 for p, n in zip(seen_probability, annuli, strict=True)]
    return _Problem(arrays, node, annuli, np.array(likely) >= settings.refit.least_probability)


def _fitted(problem: _Problem, which: NDArray[np.int64], settings: Settings) -> Settings:
    """The settings with evidence and sequence fitted to some of the bones."""
    use = which[problem.usable[which]]
    if len(use) == 0:
        return settings
    c = problem.chains
    part = sequence_fit.Problem(
        chains=Chains(**{name: getattr(c, name)[use] for name in c.__dataclass_fields__}),
        node=problem.node[use],
        paths=(None,) * len(use),
        counts=tuple(int(n) for n in problem.annuli[use]),
        count_share=1.0,
    )
    start = np.array(settings.evidence.weights), np.array([settings.count.weights[f] for f in FEATURES])
    freedom = settings.refit
    evidence_spread = np.full(len(EVIDENCE) + 2, freedom.evidence_spread)
    sequence_spread = np.full(len(FEATURES), freedom.sequence_spread)
    evidence, sequence = sequence_fit.fit(
        part, start, _penalty(evidence_spread, len(use)), _penalty(sequence_spread, len(use)), freedom.iterations
    )
    named = dict(settings.count.weights) | dict(zip(FEATURES, _rounded(sequence), strict=True))
    return settings.model_copy(
        update={
            "evidence": settings.evidence.model_copy(update={"weights": tuple(_rounded(evidence))}),
            "count": settings.count.model_copy(update={"weights": named}),
        }
    )


def _penalty(spread: Numbers, bones: int) -> Numbers:
    """Of the squared departure of each weight, for a loss that is a mean over bones: a normal prior's."""
    return np.asarray(0.5 / spread**2 / bones)


def _rounded(weights: Numbers) -> list[float]:
    return [float(f"{w:.{DIGITS}g}") for w in weights]


# ------------------------------------------------------------------------------------------------ confidence
def _calibration(odds: Numbers, right: NDArray[np.bool_], freedom: RefitSettings) -> tuple[float, float]:
    """Shift and stretch of the log odds that make what is right likeliest, with normal priors about none."""

    def loss(x: Numbers) -> tuple[float, Numbers]:
        stretch = np.exp(x[1])
        z = x[0] + stretch * odds
        short = 1 / (1 + np.exp(-np.clip(z, -50, 50))) - right
        prior = x / spread**2
        value = np.logaddexp(0, np.where(right, -z, z)).sum() + 0.5 * float(x @ prior)
        return value, np.array([short.sum(), (short * stretch * odds).sum()]) + prior

    spread = np.array([freedom.confidence_shift_spread, freedom.confidence_stretch_spread])
    shift, log_stretch = minimize(loss, np.zeros(2), jac=True, method="L-BFGS-B").x
    return float(shift), float(np.exp(log_stretch))


def _with_confidence(settings: Settings, shift: float, stretch: float) -> Settings:
    confidence = settings.confidence
    moved = confidence.model_copy(
        update={
            "weights": tuple(_rounded(stretch * np.array(confidence.weights))),
            "constant": _rounded(np.array([stretch * confidence.constant + shift]))[0],
        }
    )
    return settings.model_copy(update={"confidence": moved})


def _probabilities(judged: Sequence[JudgedBone], most: int) -> Numbers:
    """(bone, number of annuli) calibrated probabilities, for `most` numbers from 0 on."""
    out = np.zeros((len(judged), most))
    for row, j in zip(out, judged, strict=True):
        row[: len(j.probability)] = j.probability
    return out


# ------------------------------------------------------------------------------------------------ figures
def folds(scans: Sequence[str]) -> NDArray[np.int64]:
    """(bone,) the part that each bone's scan is in: the largest scans first, each to the part with fewest bones."""
    members = defaultdict(list)
    for b, scan in enumerate(scans):
        members[scan].append(b)
    filled = [0] * min(FOLDS, len(members))
    fold = np.zeros(len(scans), np.int64)
    for scan in sorted(members, key=lambda s: (-len(members[s]), lot(s))):
        k = filled.index(min(filled))
        fold[members[scan]] = k
        filled[k] += len(members[scan])
    return fold


def _right(probability: Numbers, annuli: NDArray[np.int64]) -> NDArray[np.bool_]:
    return np.asarray(probability.argmax(axis=1) == annuli)


def _log_score(probability: Numbers, annuli: NDArray[np.int64]) -> Numbers:
    known = annuli < probability.shape[1]
    p = np.where(known, probability[np.arange(len(probability)), np.where(known, annuli, 0)], 0.0)
    return np.asarray(np.log(np.maximum(p, LEAST_TOLD)))


def _figures(probability: Numbers, annuli: NDArray[np.int64]) -> Figures:
    right = _right(probability, annuli)
    return Figures(
        exact=float(right.mean()),
        within_one=float((np.abs(probability.argmax(axis=1) - annuli) <= 1).mean()),
        calibration_error=calibration_error(probability.max(axis=1), right),
    )


def calibration_error(confidence: Numbers, right: NDArray[np.bool_]) -> float:
    """Mean distance between confidence and share right over bins with as many bones each."""
    n = len(confidence)
    bins = np.array_split(np.argsort(confidence, kind="stable"), int(np.clip(n // BONES_A_BIN, 1, MOST_BINS)))
    return float(sum(abs(confidence[b].mean() - right[b].mean()) * len(b) for b in bins) / n)


def clustered_gain(difference: Numbers, scans: Sequence[str]) -> Gain:
    """Mean difference; standard error of a mean over clusters (the linearised estimator of survey sampling)."""
    mean = float(difference.mean())
    sums: dict[str, float] = defaultdict(float)
    for scan, d in zip(scans, difference - mean, strict=True):
        sums[scan] += float(d)
    many = len(sums)
    variance = sum(s * s for s in sums.values()) * many / (many - 1) if many > 1 else 0.0
    return Gain(mean=mean, standard_error=float(np.sqrt(variance)) / len(difference))
