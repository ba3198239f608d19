"""Bone -> focus and growth axis.

The focus is sought among points inside the outline. Two conditional logits, fitted to drawn bones of many makes
(DEVELOPERS.md), weigh what speaks for each: the first chooses by signs that cost little which candidates are worth
looking at, the second looks along their rays (`focus_signs.py`).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.bone.focus_signs import ANGLES, all_signs, direction_signs, longest_ray, radial_signs, ray_lengths
from pipeline.bone.small_bone import SmallBone, shrink
from pipeline.records import Axis, Bone, Float, Hint, Point
from pipeline.settings.first_pass import FocusSettings
from pipeline.settings.values import Choice

SPACING = 7.0
"""Pixels between candidates: a twentieth of a typical radius, as near as the marks themselves can tell."""
LEAST_DEPTH = 3.0
"""Pixels from the outline; the focus lies inside the socket, not on the bone's edge."""
OUTLINE_POINTS = 240
"""Points of the outline that rays are measured to: one for every degree and a half."""
SHORTLIST = 48
"""Candidates along whose rays the pixels are looked at."""
NEIGHBOURHOOD = 14.0
"""Pixels about the best candidate within which the weighted mean is taken."""
MOST_ASIDE_DEGREES = 8.0
"""Degrees by which the axis is turned so that it does not end in a nick of the margin."""
NICK_DEGREES = 8.0
"""Degrees to either side that a nick is compared with."""
NICK_SHARE = 0.012
"""Share of the radius by which the margin falls short in a nick."""
ENVELOPE_PERCENTILE = 75
"""Of the margin to either side: nicks do not lower it."""
AXIS_RAYS = 0.6
"""The axis is the weighted middle of the rays longer than this share of the longest: not the longest ray, which a
spine may be."""


def candidates(small: SmallBone) -> tuple[Float, Float]:
    """Points x, y on a grid inside the outline, (candidate, 2), and the length of their rays, (candidate, ray)."""
    rows, columns = np.mgrid[
        SPACING / 2 : small.inside.shape[0] : SPACING, SPACING / 2 : small.inside.shape[1] : SPACING
    ]
    points = np.stack([columns.ravel(), rows.ravel()], axis=1).astype(np.float32)
    points = points[small.depth[points[:, 1].astype(int), points[:, 0].astype(int)] >= LEAST_DEPTH]
    if not len(points):  # a speck: its middle is as good as any
        points = small.outline.mean(0, keepdims=True)
    return points, ray_lengths(small.outline[:: max(1, len(small.outline) // OUTLINE_POINTS)], points)


def shortlist(of_direction: NDArray[np.float64], choice: Choice) -> NDArray[np.intp]:
    """Which candidates are worth looking at, the likeliest first."""
    return np.argsort(-score(of_direction, choice), kind="stable")[:SHORTLIST]


def score(signs: NDArray[np.float64], choice: Choice) -> NDArray[np.float64]:
    """Log odds among candidates, (candidate,), of signs (candidate, sign)."""
    z = (signs - np.array(choice.centre)) / np.array(choice.scale)
    return np.asarray(np.clip(z, -choice.reach, choice.reach) @ np.array(choice.weights))


def find_axis(bone: Bone, loss: Float, settings: FocusSettings) -> Axis:
    """Focus and growth axis of a bone, in scan pixels.

    loss : (row, column) opacity loss of the bone's crop. `Axis.certainty` is the share of the candidates' probability
    that lies about the one chosen.
    """
    small = shrink(loss, bone)
    points, reach = candidates(small)
    of_direction = direction_signs(small, points, reach)
    chosen = shortlist(of_direction, settings.shortlist)
    signs = all_signs(of_direction[chosen], radial_signs(small, points[chosen], reach[chosen]))
    middle, certainty = most_likely(points[chosen], score(signs, settings.choice))
    focus = small.to_scan(middle)
    direction = clear_of_nicks(bone.outline, focus, axis_direction(bone.outline, focus))
    return Axis(
        focus=_point(focus),
        tip=_point(far_margin(bone.outline, focus, direction)),
        certainty=certainty,
    )


def most_likely(points: Float, odds: NDArray[np.float64]) -> tuple[NDArray[np.float64], float]:
    """Where the focus most likely lies, (x, y) in working pixels, and the probability of its neighbourhood.

    points : (candidate, 2); odds : (candidate,) log odds among them. The weighted mean about the best candidate.
    """
    probability = np.exp(_softmax_log(odds))
    best = points[np.argmax(probability)]
    near = np.hypot(*(points - best).T) < NEIGHBOURHOOD
    share = float(probability[near].sum())
    return np.asarray((points[near] * probability[near, None]).sum(0) / share), share


def by_hand(hint: Hint, scale: float) -> Axis:
    """The axis that a person gave, in pixels of the size that the bone is read at."""
    if hint.focus is None or hint.tip is None:
        raise ValueError("nobody gives a focus and an axis")
    (fx, fy), (tx, ty) = hint.focus, hint.tip
    return Axis(
        focus=((fx + 0.5) * scale - 0.5, (fy + 0.5) * scale - 0.5),
        tip=((tx + 0.5) * scale - 0.5, (ty + 0.5) * scale - 0.5),
        certainty=1.0,
        by_hand=True,
    )


def axis_direction(outline: Float, focus: NDArray[np.float64]) -> float:
    """Direction of the growth axis in radians: the weighted middle of the long rays."""
    reach = ray_lengths(outline, focus[None].astype(np.float32))[0]
    share = reach / longest_ray(reach[None])
    weight = np.clip(share - AXIS_RAYS, 0, 1 - AXIS_RAYS)
    return float(np.arctan2((weight * np.sin(ANGLES)).sum(), (weight * np.cos(ANGLES)).sum()))


def clear_of_nicks(outline: Float, focus: NDArray[np.float64], direction: float) -> float:
    """The direction nearest to the one given, within `MOST_ASIDE_DEGREES`, in which no nick of the margin lies."""
    aside = np.arange(-MOST_ASIDE_DEGREES - NICK_DEGREES, MOST_ASIDE_DEGREES + NICK_DEGREES + 0.5)
    reach = np.array([float(np.hypot(*(far_margin(outline, focus, direction + a) - focus))) for a in np.deg2rad(aside)])
    around = np.lib.stride_tricks.sliding_window_view(reach, 2 * int(NICK_DEGREES) + 1)
    envelope = np.percentile(around, ENVELOPE_PERCENTILE, axis=1)
    side = int(NICK_DEGREES)
    clear = reach[side:-side] >= (1 - NICK_SHARE) * envelope
    offset = aside[side:-side]
    ordered = sorted(np.flatnonzero(clear), key=lambda i: (abs(offset[i]), offset[i]))
    return direction + float(np.deg2rad(offset[ordered[0]])) if ordered else direction


def far_margin(outline: Float, focus: NDArray[np.float64], direction: float) -> NDArray[np.float64]:
    """Where the outline is met last from the focus in a direction, scan pixels."""
    x, y = (outline - focus).T
    along, across = x * np.cos(direction) + y * np.sin(direction), y * np.cos(direction) - x * np.sin(direction)
    nxt_along, nxt_across = np.roll(along, -1), np.roll(across, -1)
    crossing = (across <= 0) != (nxt_across <= 0)
    share = np.where(crossing, across / np.where(across == nxt_across, 1, across - nxt_across), 0)
    met = np.where(crossing, along + share * (nxt_along - along), -np.inf)
    far = max(float(met.max()), 1.0)
    return focus + far * np.array([np.cos(direction), np.sin(direction)])


def _softmax_log(odds: NDArray[np.float64]) -> NDArray[np.float64]:
    shifted = odds - odds.max()
    return np.asarray(shifted - np.log(np.exp(shifted).sum()))


def _point(xy: NDArray[np.floating]) -> Point:
    return (float(xy[0]), float(xy[1]))
