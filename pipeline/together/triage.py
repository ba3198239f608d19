"""Expected error of each bone -> the order in which people should read, and what error is left among the rest.

A bone counted right with probability p (its confidence) is wrong with 1 - p until a person has read it. Bones without a
count come first, then those that something besides the confidence sends to a person: their confidence does not speak
for a swapped id or a broken margin, so no limit on the error keeps them. Among bones of a kind, the largest expected
error comes first.

A share of the bones kept without a hard reason is read all the same, as a check on the confidence. A hash of the
specimen's id draws it: each bone's lot is its own, whatever other bones there are.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.settings.second_pass import ReviewSettings
from pipeline.together.lots import lot

CONFIDENCE_ALONE = frozenset({"low-confidence"})
"""Reasons that say no more than the confidence does; all others are hard."""
LEVEL = 0.95
"""Share of runs in which the number of wrong counts lies in the interval, if the confidences are right."""
_ROUNDING = 1e-9
"""Of sums of probabilities."""


@dataclass(frozen=True, slots=True, kw_only=True)
class QueuedBone:
    """What the ranking needs of one bone."""

    specimen: str
    confidence: float | None
    """Probability that the count is right; None when there is no count."""
    reasons: tuple[str, ...] = ()
    read: bool = False
    """A person has read it already."""

    @property
    def hard(self) -> bool:
        """Something besides the confidence sends it to a person, or it has no count.

        Readers are shown confidence and reasons of such bones only, since they must know where to look. For all others,
        those drawn as a check among them, both stay blank: a high confidence would give the check away.
        """
        return self.confidence is None or not CONFIDENCE_ALONE.issuperset(self.reasons)


@dataclass(frozen=True, slots=True, kw_only=True)
class Queued:
    """One place in the queue."""

    bone: QueuedBone
    blind: bool
    """Drawn from the bones kept, as a check; no reader may know."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Wrong:
    """Wrong counts expected among a number of bones."""

    counts: int
    """Bones with a count."""
    share: float
    low: float
    high: float
    """Interval of the share at `LEVEL`: what chance does to it when every confidence is right."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Triage:
    """The queue, and what it leaves. The bones drawn as a check count as kept."""

    queue: tuple[Queued, ...]
    kept: int
    to_read: int
    """Bones in the queue, without those drawn as a check."""
    already_read: int
    wrong_kept: Wrong | None
    """None when no bone with a count is kept."""
    wrong_to_read: Wrong | None
    uncounted_to_read: int
    hard_kept: int
    """Bones kept although a hard reason asks for a person."""


def triage(bones: Sequence[QueuedBone], review: ReviewSettings, *, max_error: float | None, most: int | None) -> Triage:
    """The queue that leaves an expected error of at most `max_error` among the rest, of at most `most` bones.

    Without a limit, `review.accepted_error` is the error accepted. With both, the shorter queue is made. Bones that a
    person has read are neither queued nor kept.
    """
    ranked = ranked_bones([b for b in bones if not b.read])
    if max_error is None and most is None:
        max_error = review.accepted_error
    length = len(ranked)
    if max_error is not None:
        length = _fewest(ranked, max_error)
    if most is not None:
        length = min(length, most)
    to_read, kept = ranked[:length], ranked[length:]
    blind = [b for b in kept if not b.hard and is_drawn(b.specimen, review)]
    return Triage(
        queue=_shuffled(to_read, blind, review.blind_salt),
        kept=len(kept),
        to_read=len(to_read),
        already_read=len(bones) - len(ranked),
        wrong_kept=wrong_among(kept),
        wrong_to_read=wrong_among(to_read),
        uncounted_to_read=sum(b.confidence is None for b in to_read),
        hard_kept=sum(b.hard for b in kept),
    )


def is_drawn(specimen: str, review: ReviewSettings) -> bool:
    """Whether a bone is read as a check should it be kept without a hard reason."""
    return lot(review.blind_salt, "drawn", specimen) < review.blind_share


def ranked_bones(bones: Sequence[QueuedBone]) -> list[QueuedBone]:
    """Bones without a count, then hard ones, then the others; of a kind the least sure first, equals as given."""
    return sorted(bones, key=lambda b: (b.confidence is not None, not b.hard, b.confidence or 0.0))


def _fewest(ranked: Sequence[QueuedBone], max_error: float) -> int:
    """Length of the shortest queue with every hard bone in it that leaves no more than `max_error`."""
    hard = sum(b.hard for b in ranked)
    errors = np.array([_error(b) for b in ranked[hard:]])
    left = np.cumsum(errors[::-1])[::-1]  # from each bone to the last
    enough = left <= max_error * np.arange(len(errors), 0, -1) + _ROUNDING
    return hard + (int(enough.argmax()) if enough.any() else len(errors))


def _error(bone: QueuedBone) -> float:
    return 1.0 if bone.confidence is None else 1.0 - bone.confidence


def wrong_among(bones: Sequence[QueuedBone]) -> Wrong | None:
    """Wrong counts expected among bones; None when none of them has a count."""
    errors = np.array([_error(b) for b in bones if b.confidence is not None])
    n = len(errors)
    if n == 0:
        return None
    below = np.cumsum(number_wrong(errors))
    tail = (1 - LEVEL) / 2
    low, high = (int(np.searchsorted(below, p - _ROUNDING)) for p in (tail, 1 - tail))
    return Wrong(counts=n, share=float(errors.mean()), low=low / n, high=min(high, n) / n)


def number_wrong(errors: NDArray[np.float64]) -> NDArray[np.float64]:
    """Distribution of the number wrong, (n + 1,), from each bone's probability to be wrong, (n,).

    The Poisson binomial distribution, by convolving neighbours: exact, and stable since nothing is subtracted.
    """
    parts = [np.array([1 - p, p]) for p in errors] or [np.ones(1)]
    while len(parts) > 1:
        pairs = [np.convolve(a, b) for a, b in zip(parts[::2], parts[1::2], strict=False)]
        parts = pairs + parts[2 * len(pairs) :]
    return parts[0]


def _shuffled(to_read: Sequence[QueuedBone], blind: Sequence[QueuedBone], salt: str) -> tuple[Queued, ...]:
    """The queue with the drawn bones in it, each at a place that its hash gives: among those that look like them, or
    anywhere when there are none such.
    """
    ranked = [Queued(bone=b, blind=False) for b in to_read]
    drawn = [Queued(bone=b, blind=True) for b in blind]
    hard = sum(b.hard for b in to_read)
    first = hard if hard < len(ranked) else 0
    places = [n + 0.5 for n in range(len(ranked))]
    places += [first + lot(salt, "place", q.bone.specimen) * (len(ranked) - first) for q in drawn]
    order = sorted(range(len(places)), key=places.__getitem__)
    return tuple((ranked + drawn)[n] for n in order)
