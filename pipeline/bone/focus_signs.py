"""What speaks for each candidate of the focus: the marks first, the outline and the thickness in support.

Growth is roughly the outline shrunk towards the focus. Seen from the true focus, with every ray scaled to the margin,
marks therefore lie at one radius on all rays, whether they close around the focus or end at the edges: brightness
changes along the rays and hardly across them. Fine streaks run along the rays, marks across them, and marks bend around
it. What the outline and the thickness of the bone say differs from one kind of bone to another, so it has a say of its
own only where the marks are weak.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.bone.orientation import orientation_signs
from pipeline.bone.small_bone import WORK_SIDE, SmallBone
from pipeline.bone.smoothing import smooth
from pipeline.records import Float

RAYS = 72
"""Rays a full turn: every 5 degrees."""
ANGLES = np.arange(RAYS, dtype=np.float32) * np.float32(2 * np.pi / RAYS)
"""Radians."""
STEPS = 56
"""Samples along a ray."""
NEAREST, FARTHEST = 0.12, 0.9
"""Share of the ray that is compared between rays: without the socket's own structure, and without the bevelled margin,
which lies at one radius from wherever it is seen."""
INNER_STEPS = 34
"""Of `STEPS`: the inner three fifths, which the margin does not shape."""
FAN = 0.5
"""A ray belongs to the fan when it is longer than this share of the longest."""
DETAIL_STEPS = 9
"""Samples over which the slow trend along a ray is removed: wider than a winter zone."""
CLIP = 0.5
"""Opacity loss beyond which a sample counts no more: glare, cracks and dust must not decide."""
BLUR, BROAD_BLUR = 1.0, 2.0
"""Pixels: standard deviations at which narrow and broad marks stand out from the grain."""
SHORT_RAY, FULL_RAY = 8.0, 38.0
"""Pixels: rays shorter than the first say nothing, from the second on they count in full."""
WEAK_MIDDLE, WEAK_STEP = 0.3, 0.25
"""Log ratio of the variation along to that across the rays, at the best candidate, at which marks count as half weak,
and the step over which that changes."""
DIRECTION_SIGNS = ("facing", "streaks", "curling", "pointing", "depth", "thick")
"""Signs that cost little and are asked of every candidate."""
RADIAL_SIGNS = ("radial", "radial_broad", "radial_inner", "alignment", "thins_outward")
"""Signs that need every ray looked along; asked of a shortlist."""
SUPPORTING = ("thins_outward", "thick", "pointing", "depth")
"""Signs of outline and thickness: asked once more where the marks are weak."""
SIGNS = (*DIRECTION_SIGNS, *RADIAL_SIGNS, *(f"{name}_where_weak" for name in SUPPORTING))
"""Names of all signs, in order."""


def ray_lengths(outline: Float, points: Float) -> Float:
    """Distance from each point to the farthest outline point in each of `RAYS` directions, (point, ray)."""
    dx = np.asarray(outline[None, :, 0] - points[:, None, 0], np.float32)
    dy = np.asarray(outline[None, :, 1] - points[:, None, 1], np.float32)
    distance, turn = cv2.cartToPolar(dx, dy)
    ray = np.rint(turn * np.float32(RAYS / (2 * np.pi))).astype(np.int32) % RAYS
    reach = np.zeros((len(points), RAYS), np.float32)
    np.maximum.at(
        reach.reshape(-1),
        (ray + np.arange(len(points), dtype=np.int32)[:, None] * RAYS).ravel(),
        distance.ravel(),
    )
    # A direction that no outline point fell into takes its longer neighbour.
    return np.where(reach == 0, np.maximum(np.maximum(np.roll(reach, 1, 1), np.roll(reach, -1, 1)), 1), reach)


def longest_ray(reach: Float) -> Float:
    """Length of the longest rays of each point, (point,): the second longest of all `RAYS`, so that no single spine
    rules.

    reach : (point, ray).
    """
    return np.asarray(np.partition(reach, RAYS - 2, axis=1)[:, RAYS - 2], np.float32)


def direction_signs(small: SmallBone, points: Float, reach: Float) -> NDArray[np.float64]:
    """What directions, outline and thickness say of each candidate, (candidate, sign) as named by `DIRECTION_SIGNS`.

    points : (candidate, 2) x, y; reach : (candidate, ray) distances to the outline; working pixels.
    """
    facing, streaks, curling = orientation_signs(small, points)
    pointing = np.hypot(reach @ np.cos(ANGLES), reach @ np.sin(ANGLES)) / reach.sum(1)
    depth = small.depth[points[:, 1].astype(int), points[:, 0].astype(int)]
    here = bilinear(smooth(small.loss, 2.9, 2.9), points[:, 0], points[:, 1])
    thick = np.clip((small.level - here) / small.scatter, -4, 4)
    return np.stack([facing, streaks, curling, pointing, depth / WORK_SIDE, thick], axis=1).astype(np.float64)


def radial_signs(small: SmallBone, points: Float, reach: Float) -> NDArray[np.float64]:
    """What the pixels along the rays say of each candidate, (candidate, sign) as named by `RADIAL_SIGNS`."""
    along = reach[:, :, None] * np.linspace(NEAREST, FARTHEST, STEPS, dtype=np.float32)
    narrow, broad = (
        _sample(np.asarray(cv2.GaussianBlur(small.loss, (0, 0), blur), np.float32), points, along)
        for blur in (BLUR, BROAD_BLUR)
    )
    weight = np.clip((reach - SHORT_RAY) / (FULL_RAY - SHORT_RAY), 0, 1)[:, :, None]
    detail = _detail(narrow)
    fan = (reach > FAN * longest_ray(reach)[:, None]).astype(np.float32)[:, :, None]
    mean = (detail * fan).sum(1) / fan.sum(1)
    power = (detail**2 * fan).sum((1, 2)) / (fan.sum((1, 2)) * STEPS) + 1e-5
    radial = (narrow * fan).sum(1) / fan.sum(1)
    level = np.linspace(-1, 1, STEPS, dtype=np.float32)
    slope = radial @ level / float(level @ level)
    return np.stack(
        [
            _along_over_across(detail, weight),
            _along_over_across(_detail(broad), weight),
            _along_over_across(detail[:, :, :INNER_STEPS], weight),
            np.log(mean.var(1) / power + 0.01),
            np.clip(slope / small.scatter, -4, 4),
        ],
        axis=1,
    ).astype(np.float64)


def all_signs(of_direction: NDArray[np.float64], of_rays: NDArray[np.float64]) -> NDArray[np.float64]:
    """All signs of one bone's candidates, (candidate, sign) as named by `SIGNS`."""
    strongest = float(of_rays[:, RADIAL_SIGNS.index("radial")].max())
    weak = 1 / (1 + np.exp((strongest - WEAK_MIDDLE) / WEAK_STEP))
    both = np.concatenate([of_direction, of_rays], axis=1)
    supporting = both[:, [SIGNS.index(name) for name in SUPPORTING]]
    return np.concatenate([both, weak * supporting], axis=1)


def _along_over_across(detail: Float, weight: Float) -> NDArray[np.float32]:
    """Log ratio of the squared change from sample to sample along rays to that from ray to ray, (candidate,).

    detail : (candidate, ray, step); weight : (candidate, ray, 1).
    """
    along = (np.diff(detail, axis=2) ** 2 * weight).sum((1, 2))
    across = ((detail - np.roll(detail, 1, axis=1)) ** 2 * weight).sum((1, 2))
    return np.asarray(np.log(along / (across + 1e-6) + 1e-3), np.float32)


def _detail(value: Float) -> Float:
    slow = cv2.blur(value.reshape(-1, STEPS), (DETAIL_STEPS, 1), borderType=cv2.BORDER_REFLECT).reshape(value.shape)
    return np.asarray(np.clip(value - slow, -CLIP, CLIP), np.float32)


def _sample(image: Float, points: Float, radius: Float) -> Float:
    """Values at radius (candidate, ray, step) about points (candidate, 2): the same shape."""
    x = points[:, 0, None, None] + radius * np.cos(ANGLES)[None, :, None]
    y = points[:, 1, None, None] + radius * np.sin(ANGLES)[None, :, None]
    return bilinear(image, x, y)


def bilinear(image: Float, x: Float, y: Float) -> Float:
    """Values of an image at places, the shape of `x`."""
    flat = (x.shape[0], -1)
    out = cv2.remap(
        image,
        x.reshape(flat).astype(np.float32),
        y.reshape(flat).astype(np.float32),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    return np.asarray(out, np.float32).reshape(x.shape)
