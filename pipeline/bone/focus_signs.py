"""What speaks for each candidate of the focus: the marks first, the outline and the thickness in support.

Growth is roughly the outline shrunk towards the focus. Seen from the true focus, with every ray scaled to the margin,
marks therefore lie at one radius on all rays, whether they close around the focus or end at the edges: brightness
changes along the rays and hardly across them. Fine streaks run along the rays, marks across them, and marks bend around
it. What the outline and the thickness of the bone say differs from one kind of bone to another, so it has a say of its
own only where the marks are weak.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

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
TENSOR_BLUR, TENSOR_WIDTH = 0.7, 1.5
"""Pixels: standard deviations of the blur before gradients are taken, and of the neighbourhood that has one direction:
so narrow that fine streaks keep their own."""
STEEPEST = 70
"""Percentile of the gradient beyond which it counts no more: stains and cracks are steep."""
ORIENTED_EVERY = 4
"""Pixels between the places whose direction is asked."""
LEAST_DEPTH = 6.0
"""Pixels from the outline from which on directions are asked: the bevel follows the outline."""
LEAST_DISTANCE = 15.0
"""Pixels from the candidate; nearer, a small error of the candidate turns every direction."""
STREAK_SPREAD = 0.06
"""In the cosine of twice the angle: streaks lie within some ten degrees of the ray."""
TOGETHER = 64
"""Candidates held against all places at once: so many stay in the processor's cache."""
CURVATURE_BLUR, CURVATURE_WIDTH = 1.2, 2.5
"""Pixels: as `TENSOR_BLUR` and `TENSOR_WIDTH`, for the bend of marks, which is slower."""

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
    facing, streaks, curling = _place_by_place(small, points)
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


def _gradients(small: SmallBone, blur: float) -> tuple[Float, Float]:
    """Change of opacity loss along x and y, cut where it is steepest, none near the outline."""
    blurred = cv2.GaussianBlur(small.loss, (0, 0), blur)
    gx, gy = (
        np.asarray(cv2.Sobel(blurred, cv2.CV_32F, *d, ksize=3, scale=1 / 8), np.float32) for d in ((1, 0), (0, 1))
    )
    steep = cv2.magnitude(gx, gy)
    deep = small.depth > LEAST_DEPTH
    most = np.float32(np.percentile(steep[deep][::3], STEEPEST)) if deep.any() else np.float32(1)
    cut = np.minimum(1, most / np.maximum(steep, 1e-6)) * (small.depth > LEAST_DEPTH - 1)
    return np.asarray(gx * cut, np.float32), np.asarray(gy * cut, np.float32)


def _tensor(small: SmallBone, blur: float, width: float) -> tuple[Float, Float, Float]:
    """Structure tensor (Foerstner and Guelch 1987): its trace, and coherence times cosine and sine of twice the
    direction of steepest change, each (row, column)."""
    gx, gy = _gradients(small, blur)
    xx, yy, xy = (cv2.GaussianBlur(a, (0, 0), width) for a in (gx * gx, gy * gy, gx * gy))
    trace = xx + yy + np.float32(1e-9)
    return trace, np.asarray((xx - yy) / trace, np.float32), np.asarray(2 * xy / trace, np.float32)


def _place_by_place(small: SmallBone, points: Float) -> NDArray[np.float32]:
    """How nearly everything runs either along the rays or across them, the share of streaks along them, and how much
    marks bend around each candidate, (3, candidate)."""
    rows, columns = _places(small)
    out = np.zeros((3, len(points)), np.float32)
    if not len(rows):
        return out
    directions, bends = _directions(small, rows, columns), _bends(small, rows, columns)
    for first in range(0, len(points), TOGETHER):
        towards = _towards(points[first : first + TOGETHER], rows, columns)
        here = out[:, first : first + TOGETHER]
        here[0], here[1] = _facing(directions, towards)
        here[2] = _curling(bends, towards)
    return out


@dataclass(frozen=True, slots=True)
class _Directions:
    """Of each place, (place,): how much it has a direction, and cosine and sine of twice that direction."""

    coherence: Float
    cosine: Float
    sine: Float


@dataclass(frozen=True, slots=True)
class _Bends:
    """Of each place, (place,): how plain a mark is, the direction across it and its curvature."""

    strength: Float
    across: tuple[Float, Float]
    curvature: Float


def _directions(small: SmallBone, rows: NDArray[np.intp], columns: NDArray[np.intp]) -> _Directions:
    _, cosine, sine = _tensor(small, TENSOR_BLUR, TENSOR_WIDTH)
    cosine, sine = cosine[rows, columns], sine[rows, columns]
    coherence = np.sqrt(cosine**2 + sine**2) + np.float32(1e-6)
    return _Directions(coherence, cosine / coherence, sine / coherence)


def _facing(of: _Directions, towards: _Towards) -> tuple[Float, Float]:
    """How nearly everything runs either along the rays or across them, and the share of streaks, each (candidate,)."""
    # The cosine of twice the angle between the steepest change and the ray: 1 for marks, -1 for streaks.
    double = towards.x * towards.x
    double -= towards.y * towards.y
    double *= of.cosine
    skew = 2 * towards.x
    skew *= towards.y
    skew *= of.sine
    double += skew
    double /= towards.square
    weight = of.coherence**2 * (towards.square > LEAST_DISTANCE**2)
    total = weight.sum(1) + np.float32(1e-9)
    share = np.square(double)
    share *= weight
    either = share.sum(1) / total
    double += 1
    np.negative(double, out=double)
    double /= np.float32(STREAK_SPREAD)
    np.exp(double, out=double)
    double *= weight
    return np.asarray(-np.log(1.02 - either), np.float32), np.asarray(double.sum(1) / total, np.float32)


def _bends(small: SmallBone, rows: NDArray[np.intp], columns: NDArray[np.intp]) -> _Bends:
    """The divergence of the projection onto the direction of steepest change is that direction times its curvature,
    whichever way it points."""
    trace, cosine, sine = _tensor(small, CURVATURE_BLUR, CURVATURE_WIDTH)
    coherence = np.sqrt(cosine**2 + sine**2)
    turn = 0.5 * np.arctan2(sine, cosine)
    nx, ny = np.cos(turn), np.sin(turn)
    strength = np.asarray(coherence * np.sqrt(trace), np.float32)
    total = cv2.GaussianBlur(strength, (0, 0), CURVATURE_WIDTH) + np.float32(1e-9)
    xx, xy, yy = (cv2.GaussianBlur(a * strength, (0, 0), CURVATURE_WIDTH) / total for a in (nx * nx, nx * ny, ny * ny))

    def slope(field: cv2.typing.MatLike, x: int, y: int) -> Float:
        return np.asarray(cv2.Sobel(field, cv2.CV_32F, x, y, ksize=3, scale=1 / 8), np.float32)

    curvature = (slope(xx, 1, 0) + slope(xy, 0, 1)) * nx + (slope(xy, 1, 0) + slope(yy, 0, 1)) * ny
    at = rows, columns
    return _Bends(strength[at], (nx[at], ny[at]), curvature[at])


def _curling(of: _Bends, towards: _Towards) -> Float:
    """How much marks bend around each candidate, (candidate,): 1 for circles about it, below 0 when they bend away."""
    bend = towards.x * of.across[0]
    bend += towards.y * of.across[1]
    bend *= of.curvature
    np.clip(bend, -2, 2, out=bend)
    plain = np.minimum(of.strength, np.percentile(of.strength, 80))
    weight = plain**2 * (towards.square > LEAST_DISTANCE**2)
    bend *= weight
    return np.asarray(bend.sum(1) / (weight.sum(1) + 1e-9), np.float32)


def _places(small: SmallBone) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Rows and columns of the places whose direction is asked."""
    rows, columns = np.nonzero(small.depth[::ORIENTED_EVERY, ::ORIENTED_EVERY] > LEAST_DEPTH)
    return rows * ORIENTED_EVERY, columns * ORIENTED_EVERY


@dataclass(frozen=True, slots=True)
class _Towards:
    """From each candidate to each place: x, y and squared distance, each (candidate, place)."""

    x: Float
    y: Float
    square: Float


def _towards(points: Float, rows: NDArray[np.intp], columns: NDArray[np.intp]) -> _Towards:
    dx = np.asarray(columns.astype(np.float32)[None] - points[:, :1], np.float32)
    dy = np.asarray(rows.astype(np.float32)[None] - points[:, 1:], np.float32)
    return _Towards(dx, dy, np.asarray(dx * dx + dy * dy + np.float32(1e-6), np.float32))


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
