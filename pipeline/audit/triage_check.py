"""Does the triage send the right bones: is the machine wrong where it doubts, and right where nobody was asked?"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.audit.intervals import share, weighted_share
from pipeline.estimate import NO_FIGURE, Estimate
from pipeline.records import Mask, Numbers

FEWEST_A_BIN = 20
"""Bones; below this a share's interval is so wide that the bin says nothing."""
MOST_BINS = 10
"""Bins of the reliability plot; more would be noise to the eye."""
THRESHOLDS = (0.5, 0.55, 0.6, 0.65, 0.7, 0.75, 0.8, 0.85, 0.9, 0.95, 0.98, 0.99)
"""Confidences at which the table of other thresholds is worked out."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """The kept or the reviewed bones."""

    name: str
    """`kept` or `review`."""
    bones: int
    """Aged by the machine."""
    read: int
    """Of these, with a count by the reference."""
    wrong: Estimate
    """Share of the read where the machine's count is not the reference's."""
    promised: float | None
    """Mean of 1 - confidence over the read: the share wrong that the machine expects."""
    gap: Estimate
    """Share wrong less the share promised, over the read."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Bin:
    """Bones of like confidence."""

    low: float
    high: float
    n: int
    confidence: float
    """Mean."""
    right: Estimate
    """Share with the reference's count."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Threshold:
    """What would be kept if confidence alone decided."""

    confidence: float
    """Bones at least this sure are kept."""
    kept: int
    kept_share: float
    """Of all bones aged."""
    read: int
    """Kept bones with a count by the reference."""
    wrong: Estimate
    """Share wrong among the kept, read bones weighted so that reviewed and unreviewed bones count as they occur."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TriageCheck:
    """All of it."""

    parts: tuple[Part, ...]
    bins: tuple[Bin, ...]
    thresholds: tuple[Threshold, ...]


def check_triage(confidence: Numbers, review: Mask, machine: Numbers, reference: Numbers) -> TriageCheck:
    """(bone,) each; only bones that the machine aged, `reference` NaN where it has no count."""
    read = ~np.isnan(reference)
    wrong = (machine != reference).astype(np.float64)
    parts = tuple(_part(name, mask, read, wrong, confidence) for name, mask in (("kept", ~review), ("review", review)))
    return TriageCheck(
        parts=parts, bins=_bins(confidence[read], wrong[read]), thresholds=_thresholds(confidence, review, read, wrong)
    )


def _part(name: str, mask: Mask, read: Mask, wrong: Numbers, confidence: Numbers) -> Part:
    seen = mask & read
    n = int(seen.sum())
    found = share(int(wrong[seen].sum()), n)
    promised = float((1 - confidence[seen]).mean()) if n else None
    return Part(name=name, bones=int(mask.sum()), read=n, wrong=found, promised=promised, gap=_less(found, promised))


def _less(found: Estimate, promised: float | None) -> Estimate:
    """The share wrong, its exact interval too, less the share promised.

    Not the spread of the bones: where none is wrong they hardly differ, which would make the machine look proved.
    """
    if promised is None or found.value is None or found.low is None or found.high is None:
        return NO_FIGURE
    return Estimate(found.value - promised, found.low - promised, found.high - promised)


def _bins(confidence: Numbers, wrong: Numbers) -> tuple[Bin, ...]:
    n = confidence.size
    if n == 0:
        return ()
    order = np.argsort(confidence, kind="stable")
    parts = np.array_split(order, int(np.clip(n // FEWEST_A_BIN, 1, MOST_BINS)))
    return tuple(
        Bin(
            low=float(confidence[part].min()),
            high=float(confidence[part].max()),
            n=part.size,
            confidence=float(confidence[part].mean()),
            right=share(part.size - int(wrong[part].sum()), part.size),
        )
        for part in parts
    )


def _thresholds(confidence: Numbers, review: Mask, read: Mask, wrong: Numbers) -> tuple[Threshold, ...]:
    out = []
    for threshold in THRESHOLDS:
        kept = confidence >= threshold
        weight = np.zeros(confidence.size)
        for stratum in (kept & review, kept & ~review):
            if (stratum & read).any():
                weight[stratum & read] = stratum.sum() / (stratum & read).sum()
        seen = kept & read
        out.append(
            Threshold(
                confidence=threshold,
                kept=int(kept.sum()),
                kept_share=float(kept.mean()),
                read=int(seen.sum()),
                wrong=weighted_share(wrong[seen], weight[seen]) if seen.any() else NO_FIGURE,
            )
        )
    return tuple(out)
