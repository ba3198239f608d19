"""Which way things run at places all over a bone, and what that says of each candidate of the focus: seen from it,
streaks run along the rays, marks across them, and marks bend around it.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.bone.small_bone import SmallBone
from pipeline.records import Float

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
PLAINEST = 80
"""Percentile of the plainness of marks beyond which it counts no more: one glaring line must not decide."""
TOGETHER = 64
"""Candidates held against all places at once: so many stay in the processor's cache."""
CURVATURE_BLUR, CURVATURE_WIDTH = 1.2, 2.5
"""Pixels: as `TENSOR_BLUR` and `TENSOR_WIDTH`, for the bend of marks, which is slower."""


def orientation_signs(small: SmallBone, points: Float) -> NDArray[np.float32]:
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


def _places(small: SmallBone) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Rows and columns of the places whose direction is asked."""
    rows, columns = np.nonzero(small.depth[::ORIENTED_EVERY, ::ORIENTED_EVERY] > LEAST_DEPTH)
    return rows * ORIENTED_EVERY, columns * ORIENTED_EVERY


@dataclass(frozen=True, slots=True)
class _Towards:
    """From each candidate to each place, (candidate, place) each: x, y, their squared length; is that enough?"""

    x: Float
    y: Float
    square: Float
    far: NDArray[np.bool_]


def _towards(points: Float, rows: NDArray[np.intp], columns: NDArray[np.intp]) -> _Towards:
    dx = np.asarray(columns.astype(np.float32)[None] - points[:, :1], np.float32)
    dy = np.asarray(rows.astype(np.float32)[None] - points[:, 1:], np.float32)
    square = np.asarray(dx * dx + dy * dy + np.float32(1e-6), np.float32)
    return _Towards(dx, dy, square, square > LEAST_DISTANCE**2)


@dataclass(frozen=True, slots=True)
class _Directions:
    """Of each place, (place,): its weight, the more the plainer it has a direction, and cosine and sine of twice that
    direction."""

    weight: Float
    cosine: Float
    sine: Float


@dataclass(frozen=True, slots=True)
class _Bends:
    """Of each place, (place,): its weight, the more the plainer a mark is, the direction across it, its curvature."""

    weight: Float
    across: tuple[Float, Float]
    curvature: Float


def _directions(small: SmallBone, rows: NDArray[np.intp], columns: NDArray[np.intp]) -> _Directions:
    _, cosine, sine = _tensor(small, TENSOR_BLUR, TENSOR_WIDTH)
    cosine, sine = cosine[rows, columns], sine[rows, columns]
    coherence = np.sqrt(cosine**2 + sine**2) + np.float32(1e-6)
    return _Directions(coherence**2, cosine / coherence, sine / coherence)


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
    weight = of.weight * towards.far
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
    plain = np.minimum(strength[at], np.percentile(strength[at], PLAINEST))
    return _Bends(plain**2, (nx[at], ny[at]), curvature[at])


def _curling(of: _Bends, towards: _Towards) -> Float:
    """How much marks bend around each candidate, (candidate,): 1 for circles about it, below 0 when they bend away."""
    bend = towards.x * of.across[0]
    bend += towards.y * of.across[1]
    bend *= of.curvature
    np.clip(bend, -2, 2, out=bend)
    weight = of.weight * towards.far
    bend *= weight
    return np.asarray(bend.sum(1) / (weight.sum(1) + 1e-9), np.float32)


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
