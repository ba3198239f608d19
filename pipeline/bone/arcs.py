"""Traced marks end where nothing shows them.

The strip carries every mark across the whole fan. What is drawn for a reader must claim no more than what is seen: the
arc of a mark is the stretch about the growth axis on which a ridge stands out there, ray by ray.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from pipeline.bone.evidence import EVIDENCE
from pipeline.bone.smoothing import smooth_trusted
from pipeline.records import Axis, Mark, RadialProfile, Strip

AROUND_RAYS = 2.0
"""Standard deviation in rays of the mean that is taken along a mark: grain must not end it."""
SHOWS = 0.3
"""Share of the mark's usual contrast that a ray must show."""
LEAST_CONTRAST = 0.02
"""Opacity loss; less shows to nobody."""
GAP_DEGREES = 6.0
"""A mark goes on beyond a gap of up to so many degrees: a crack, a stain, a rib."""
LEAST_DEGREES = 6.0
"""A stretch shorter than this is not drawn beyond a gap."""


def end_where_unseen(marks: Sequence[Mark], strip: Strip, profile: RadialProfile, axis: Axis) -> tuple[Mark, ...]:
    """The marks, each arc cut to the stretch about the growth axis on which the mark shows.

    A mark that shows nowhere near the axis keeps the stretch nearest to it.
    """
    value = smooth_trusted(strip.value, strip.trust, AROUND_RAYS, 1.0)
    degrees = np.asarray(strip.angle, np.float64)
    tip = np.arctan2(axis.tip[1] - axis.focus[1], axis.tip[0] - axis.focus[0])
    out = []
    for mark in marks:
        width = float(np.exp(mark.evidence[EVIDENCE.index("log_width_px")])) * profile.samples_per_px
        seen = _seen(value, strip.trust, mark.fraction * profile.margin, width)
        low, high = _stretch(degrees, seen)
        points = np.asarray(mark.arc, np.float64).reshape(-1, 2) - axis.focus
        turn = np.rad2deg((np.arctan2(points[:, 1], points[:, 0]) - tip + np.pi) % (2 * np.pi) - np.pi)
        kept = (turn >= low) & (turn <= high)
        out.append(replace(mark, arc=tuple(p for p, k in zip(mark.arc, kept.tolist(), strict=True) if k)))
    return tuple(out)


def _seen(value: NDArray[np.float32], trust: NDArray[np.float32], edge: float, width: float) -> NDArray[np.bool_]:
    """(ray,) whether a ridge that ends at a radial sample stands out from both sides of it."""
    samples = value.shape[1]

    def mean(start: float, end: float) -> NDArray[np.float64]:
        a = int(np.clip(round(start), 0, samples - 1))
        b = int(np.clip(round(end), a + 1, samples))
        weight = trust[:, a:b]
        total = weight.sum(1)
        return np.where(total > 0, (value[:, a:b] * weight).sum(1) / np.maximum(total, 1e-6), np.nan)

    ridge = mean(edge - 0.9 * width, edge - 0.1 * width)
    inner, outer = mean(edge - 2.1 * width, edge - 1.2 * width), mean(edge + 0.15 * width, edge + 1.0 * width)
    sides = np.where(np.isnan(outer), inner, np.where(np.isnan(inner), outer, 0.5 * (inner + outer)))
    contrast = np.nan_to_num(ridge - sides)
    positive = contrast[contrast > 0]
    usual = float(np.median(positive)) if len(positive) else 0.0
    return np.asarray(contrast > max(SHOWS * usual, LEAST_CONTRAST))


def _stretch(degrees: NDArray[np.float64], seen: NDArray[np.bool_]) -> tuple[float, float]:
    """First and last degree of the stretch nearest to the axis, gaps bridged; an empty one when nothing is seen."""
    step = float(degrees[1] - degrees[0])
    runs = _runs(seen)
    runs = [r for r in runs if (r[1] - r[0] + 1) * step >= LEAST_DEGREES] or runs
    joined: list[tuple[int, int]] = []
    for first, last in runs:
        if joined and (first - joined[-1][1] - 1) * step <= GAP_DEGREES:
            joined[-1] = (joined[-1][0], last)
        else:
            joined.append((first, last))
    if not joined:
        return 1.0, 0.0
    first, last = min(joined, key=lambda r: max(degrees[r[0]], -degrees[r[1]], 0.0))
    return float(degrees[first]) - 0.5 * step, float(degrees[last]) + 0.5 * step


def _runs(seen: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """First and last index of each run of true values."""
    change = np.diff(np.concatenate([[0], seen.astype(np.int8), [0]]))
    return list(zip(np.flatnonzero(change == 1).tolist(), (np.flatnonzero(change == -1) - 1).tolist(), strict=True))
