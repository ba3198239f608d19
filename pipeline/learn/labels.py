"""Which candidate is which true annulus, and what of the truth shows.

The true marks are laid onto the candidates after a shift and a stretch of their radii found for each bone. A focus that
is a little off, or a winter zone that shows as a double line, would otherwise turn true marks into false ones, and
teach that what any eye counts is no annulus.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.bone.evidence import EVIDENCE
from pipeline.learn.truth import Truth
from pipeline.records import BoneReading, Numbers

MOST_SHIFT = 0.03
"""Share of the radius by which the marks of a bone may be shifted, and of their distances by which they may be
stretched."""
SHIFTS, STRETCHES = 25, 13
"""Steps tried of each."""
COST = 0.25
"""Of the largest shift or stretch, in marks well matched, for a bone of one annulus; grows with the root of the
count."""
TOLERANCE = 0.22
"""Share of the narrower neighbouring increment: standard deviation of a good match."""
NEAR = 0.35
"""Share of the narrower neighbouring increment within which a candidate is the annulus."""
NEAREST_PX = 2.0
"""Pixels within which it is in any case."""
LAST_STEPS = 3.0
"""The growth beyond the last annulus is not known to the labelling; so many times the increment before it stand in."""
SHOWS, PLAIN = 0.30, 0.40
"""Visibility, and contrast against the median of the bone's other annuli, above which a first annulus counts as one
that shows ..."""
HIDDEN, FAINT = 0.12, 0.15
"""... and below which it does not; between them nothing is learned of it: one eye sees it and another does not."""
RIM_DOUBTFUL_PX = (1.0, 3.0)
"""Pixels of growth beyond a last annulus between which it does; nearer to the margin none shows."""

_SHARE, _DEPTH = EVIDENCE.index("block_share"), EVIDENCE.index("depth_to_strongest")


@dataclass(frozen=True, slots=True)
class Target:
    """What is to be learned from one bone."""

    seen: int | None
    """Annuli that show; None where nobody can know."""
    path: tuple[int, ...] | None
    """The candidates that are these annuli; None where one of them is no candidate."""


def labels_of(reading: BoneReading | None, truth: Truth) -> NDArray[np.int64]:
    """(candidate,) index of the true annulus, from 0; -1 for none. No annulus is given twice; the nearest first."""
    marks = reading.marks if reading else ()
    if not marks or not truth.annuli:
        return np.full(len(marks), -1)
    shown = np.array([m.evidence for m in marks]).reshape(len(marks), len(EVIDENCE))
    plain = np.clip(shown[:, _SHARE], 0.05, 1) * np.clip(np.exp(0.5 * shown[:, _DEPTH]), 0.1, 1)
    if truth.arcs:
        points = np.array([(m.x, m.y) for m in marks])
        true = radii_at(points, truth) / truth.radius_px
        own = np.hypot(*(points - truth.focus).T) / truth.radius_px
    else:
        true = np.repeat(truth.fractions[:, None], len(marks), axis=1)
        own = np.array([m.fraction for m in marks])
    shift, stretch = _laid_on(own, true, plain, truth.radius_px)
    return nearest_annuli(shift + stretch * own, true, truth.radius_px)


def nearest_annuli(own: Numbers, true: Numbers, radius_px: float) -> NDArray[np.int64]:
    """(candidate,) index of the true annulus that each candidate lies on; -1 for none. No annulus is given twice.

    own : (candidate,), true : (annulus, candidate); shares of the true radius.
    """
    labels = np.full(len(own), -1)
    narrower = _narrower(true)
    distance = np.abs(own - true)
    near = distance <= np.maximum(NEAR * narrower, NEAREST_PX / radius_px)
    distance = np.where(near, distance / np.maximum(narrower, 1e-6), np.inf)
    while np.isfinite(distance).any():
        annulus, candidate = np.unravel_index(int(np.argmin(distance)), distance.shape)
        labels[candidate] = annulus
        distance[annulus, :], distance[:, candidate] = np.inf, np.inf
    return labels


def _narrower(true: Numbers) -> Numbers:
    """The narrower of the increments before and after each annulus, (annulus, candidate)."""
    step = np.diff(np.vstack([np.zeros(true.shape[1]), true]), axis=0)
    return np.asarray(np.minimum(step, np.vstack([step[1:], LAST_STEPS * step[-1:]])))


def _laid_on(own: Numbers, true: Numbers, plain: Numbers, radius_px: float) -> tuple[float, float]:
    """The shift and stretch of the candidates' radii, shares of the true radius, that lay most plain candidates onto
    true annuli."""
    tolerance = np.maximum(TOLERANCE * _narrower(true), NEAREST_PX / radius_px)
    shifts = np.linspace(-MOST_SHIFT, MOST_SHIFT, SHIFTS)
    stretches = np.linspace(1 - MOST_SHIFT, 1 + MOST_SHIFT, STRETCHES)
    moved = shifts[:, None, None] + stretches[None, :, None] * own  # (shift, stretch, candidate)
    off = (moved[:, :, None] - true) / tolerance
    matched = (plain * np.exp(-0.5 * off**2)).max(axis=3).sum(axis=2)
    cost = COST * np.sqrt(len(true)) / MOST_SHIFT
    matched -= cost * (np.abs(shifts)[:, None] + np.abs(stretches - 1)[None])
    i, j = np.unravel_index(int(matched.argmax()), matched.shape)
    return float(shifts[i]), float(stretches[j])


def radii_at(points: Numbers, truth: Truth) -> Numbers:
    """Radius of each annulus about the true focus at the angle of each point (point, 2), (annulus, point)."""
    away = points - truth.focus
    along = (truth.tip[0] - truth.focus[0], truth.tip[1] - truth.focus[1])
    turn = np.rad2deg(np.arctan2(away[:, 1], away[:, 0]) - np.arctan2(along[1], along[0]))
    turn = (turn + 180) % 360 - 180
    return np.stack([np.interp(turn, degrees, radius) for degrees, radius in truth.arcs])


def target_of(labels: NDArray[np.int64], truth: Truth) -> Target:
    """What shows of the truth, and which candidates show it."""
    candidate = {int(a): c for c, a in enumerate(labels) if a >= 0}
    shows = [True] * truth.annuli
    if truth.annuli:
        if half_visible(truth):
            return Target(seen=None, path=None)
        shows[0] = visible(truth)
        nearest, doubtful = RIM_DOUBTFUL_PX
        if truth.rim_px < doubtful:
            shows[-1] = shows[-1] and truth.rim_px >= nearest and truth.annuli - 1 in candidate
    known = [a for a in range(truth.annuli) if shows[a]]
    path = tuple(candidate[a] for a in known) if all(a in candidate for a in known) else None
    return Target(seen=len(known), path=path)


def visible(truth: Truth) -> bool:
    """The first annulus shows."""
    return bool(truth.annuli) and float(truth.visibility[0]) >= SHOWS and truth.first_contrast >= PLAIN


def half_visible(truth: Truth) -> bool:
    """The first annulus shows to one eye and not to another."""
    hidden = bool(truth.annuli) and (float(truth.visibility[0]) < HIDDEN or truth.first_contrast < FAINT)
    return bool(truth.annuli) and not visible(truth) and not hidden
