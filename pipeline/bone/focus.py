"""Bone -> focus and growth axis.

The focus is sought among points inside the outline. Each candidate is described by the outline seen from it (a fan has
its focus in a corner), by how thick the bone is there, and by how well the marks line up when every ray is scaled to
the margin: growth is roughly the outline shrunk towards the focus. Two conditional logits, fitted by
`tests/accuracy/fit.py`, weigh them: the first chooses by outline alone which candidates are worth looking at.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.bone.area_mean import area_mean
from pipeline.bone.median import median
from pipeline.bone.quadratic_logit import log_odds
from pipeline.bone.smoothing import smooth
from pipeline.records import Axis, Bone, Float, Point, Specimen
from pipeline.settings_first_pass import FocusSettings

WORK_SIDE = 160.0
"""Pixels: square root of the bone's area in the picture that the focus is sought in. Marks at this size are 3 px or
more."""
SPACING = 7.0
"""Pixels between candidates: a twentieth of a typical radius, as near as the marks themselves can tell."""
LEAST_DEPTH = 3.0
"""Pixels from the outline; the focus lies inside the socket, not on the bone's edge."""
RAYS = 72
"""Rays a full turn: every 5 degrees."""
STEPS = 56
"""Samples along a ray."""
NEAREST, FARTHEST = 0.12, 0.96
"""Share of the ray that is compared between rays: without the socket's own structure and the bevelled margin."""
FAN = 0.5
"""A ray belongs to the fan when it is longer than this share of the longest."""
DETAIL_STEPS = 15
"""Samples over which the slow trend along a ray is removed: wider than a winter zone."""
CLIP = 0.5
"""Opacity loss beyond which a sample counts no more: glare, cracks and dust must not decide."""
OUTLINE_FEATURES = (
    "depth",
    "longest",
    "fan_share",
    "short_side",
    "mean_ray",
    "pointing",
    "evenness",
    "roundness",
    "thick_here",
    "thick_spot",
    "normals",
)
PIXEL_FEATURES = ("thins_outward", "alignment", "local_alignment", "arc_alignment")
NORMALS = 160
"""Pixels with the steepest brightness whose gradients are asked which candidate they point to: enough for every
mark."""
SHORTLIST = 36
"""Candidates along whose rays the pixels are looked at: on drawn bones of many outlines the true focus ranks far
better by the cheap features alone."""
MEDIAN_OF = 16
"""The bone's median is that of every so many pixels: thousands are enough."""
NEIGHBOURHOOD = 14.0
"""Pixels about the best candidate within which the weighted mean is taken."""
AXIS_RAYS = 0.6
"""The axis is the weighted middle of the rays longer than this share of the longest: not the longest ray, which a
spine may be."""

_ANGLES = np.arange(RAYS, dtype=np.float32) * np.float32(2 * np.pi / RAYS)


@dataclass(frozen=True, slots=True)
class SmallBone:
    """A bone at working size."""

    loss: Float
    """(row, column) opacity loss, the median outside the bone."""
    inside: NDArray[np.uint8]
    """(row, column) 1 on the bone."""
    outline: Float
    """(n, 2) x, y."""
    scale: float
    """Working pixels a scan pixel."""
    origin: Point
    """Scan pixel (x, y) of the working pixel (0, 0)."""
    level: float
    """Median of `loss` on the bone."""
    scatter: float
    """Robust standard deviation of `loss` on the bone."""

    def to_scan(self, points: NDArray[np.floating]) -> NDArray[np.float64]:
        """Working pixels x, y -> scan pixels."""
        return np.asarray(points, np.float64) / self.scale + self.origin


def shrink(loss: Float, bone: Bone) -> SmallBone:
    """The bone at the size that its focus is sought in."""
    scale = WORK_SIDE / float(np.sqrt(np.count_nonzero(bone.mask)))
    filled = np.where(bone.mask, loss, np.float32(median(loss[bone.mask][::MEDIAN_OF])))
    if scale < 1:
        small = area_mean(filled, scale)
        on_bone = area_mean(bone.mask.view(np.uint8) * np.uint8(255), scale)
    else:
        small = np.asarray(cv2.resize(filled, None, fx=scale, fy=scale), np.float32)
        on_bone = np.asarray(cv2.resize(bone.mask.view(np.uint8) * np.uint8(255), None, fx=scale, fy=scale))
    pad = 2
    inside = np.pad((on_bone > 127).astype(np.uint8), pad)
    contours, _ = cv2.findContours(inside, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    outline = max(contours, key=cv2.contourArea).reshape(-1, 2).astype(np.float32)
    shift = (0.5 - pad) / scale - 0.5
    edged = np.asarray(np.pad(small, pad, mode="edge"), np.float32)
    blade = edged[inside > 0]
    level = median(blade)
    scatter = 1.48 * median(np.abs(blade - level)) + 1e-3
    return SmallBone(edged, inside, outline, scale, (bone.origin[0] + shift, bone.origin[1] + shift), level, scatter)


def candidates(small: SmallBone, depth: Float) -> Float:
    """(candidate, 2) points x, y on a grid inside the outline."""
    rows, columns = np.mgrid[
        SPACING / 2 : small.inside.shape[0] : SPACING, SPACING / 2 : small.inside.shape[1] : SPACING
    ]
    points = np.stack([columns.ravel(), rows.ravel()], axis=1).astype(np.float32)
    return np.asarray(points[depth[points[:, 1].astype(int), points[:, 0].astype(int)] >= LEAST_DEPTH], np.float32)


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


def outline_features(small: SmallBone, points: Float, reach: Float, depth: Float) -> NDArray[np.float64]:
    """What is cheaply known of each candidate, (candidate, feature) as named by `OUTLINE_FEATURES`.

    points : (candidate, 2) x, y; reach : (candidate, ray) distances to the outline; depth : (row, column) distance to
    the nearest outline; working pixels.
    """
    narrow = smooth(small.loss, 2.9, 2.9)
    here = _bilinear(narrow, points[:, 0], points[:, 1])
    spot = _bilinear(smooth(small.loss, 9.0, 9.0) - narrow, points[:, 0], points[:, 1])
    depth_here = depth[points[:, 1].astype(int), points[:, 0].astype(int)]
    longest = longest_ray(reach)
    share = reach / longest[:, None]
    ordered = np.sort(share, axis=1)
    fan = share > FAN
    mean = (share * fan).sum(1) / fan.sum(1)
    spread = np.sqrt(((share - mean[:, None]) ** 2 * fan).sum(1) / fan.sum(1))
    pointing = np.hypot(reach @ np.cos(_ANGLES), reach @ np.sin(_ANGLES)) / reach.sum(1)
    return np.stack(
        [
            depth_here / WORK_SIDE,
            longest / WORK_SIDE,
            (share > AXIS_RAYS).mean(1),
            ordered[:, : RAYS // 3].mean(1),
            share.mean(1),
            pointing,
            spread,
            -np.log(ordered[:, : RAYS // 4].mean(1) + 0.01),
            np.clip((small.level - here) / small.scatter, -4, 4),
            np.clip(spot / small.scatter, -3, 3),
            _normals(small, depth, points),
        ],
        axis=1,
    ).astype(np.float64)


def _normals(small: SmallBone, depth: Float, points: Float) -> NDArray[np.float64]:
    """How well the steepest brightness steps on the blade face each candidate: mean squared cosine, (candidate,).

    Marks are no circles, so this alone would be biased; beside the other features it finds the middle of marks that
    close around the focus.
    """
    blurred = cv2.GaussianBlur(small.loss, (0, 0), 1.5)
    gx, gy = cv2.Sobel(blurred, cv2.CV_32F, 1, 0, ksize=3), cv2.Sobel(blurred, cv2.CV_32F, 0, 1, ksize=3)
    steep = np.where(depth > 6, cv2.magnitude(gx, gy), 0)
    sparse = steep[::2, ::2].ravel()
    steepest = np.argpartition(-sparse, min(4 * NORMALS, len(sparse) - 1))[: 4 * NORMALS]
    flat = steepest[np.lexsort((steepest, -sparse[steepest]))][::4]
    rows, columns = (2 * i for i in np.unravel_index(flat, steep[::2, ::2].shape))
    strength = np.minimum(steep[rows, columns], median(steep[rows, columns])) + 1e-6
    dx, dy = columns[None, :] - points[:, 0, None], rows[None, :] - points[:, 1, None]
    square = dx * dx + dy * dy + np.float32(1e-3)
    steepness = steep[rows, columns] + np.float32(1e-6)
    cosine = dx * (gx[rows, columns] / steepness) + dy * (gy[rows, columns] / steepness)
    weight = strength * (square > 12**2)
    return np.asarray((cosine * cosine / square * weight).sum(1) / (weight.sum(1) + 1e-6), np.float64)


def pixel_features(small: SmallBone, points: Float, reach: Float) -> NDArray[np.float64]:
    """What the pixels say of each candidate, (candidate, feature) as named by `PIXEL_FEATURES`."""
    longest = longest_ray(reach)
    fan = reach > FAN * longest[:, None]
    weight = fan[:, :, None].astype(np.float32)
    steps = np.linspace(NEAREST, FARTHEST, STEPS, dtype=np.float32)
    scaled = _sample(small.loss, points, reach[:, :, None] * steps)
    detail = _detail(scaled)
    mean = (detail * weight).sum(1) / weight.sum(1)
    power = (detail**2 * weight).sum((1, 2)) / (weight.sum((1, 2)) * STEPS) + 1e-5
    alignment = mean.var(1) / power
    # The same within sectors of six rays, so that marks that are no exact copies of the margin still count.
    sector = detail.reshape(len(points), RAYS // 6, 6, STEPS).mean(2)
    whole = fan.reshape(len(points), RAYS // 6, 6).all(2)
    local = (sector.var(2) * whole).sum(1) / np.maximum(whole.sum(1), 1) / power
    # And between circles: marks that keep their distance from the focus whatever the margin does.
    radius = steps * longest[:, None]
    on_bone = ((radius[:, None, :] < 0.97 * reach[:, :, None]) & fan[:, :, None]).astype(np.float32)
    circle = _detail(_sample(small.loss, points, np.broadcast_to(radius[:, None, :], on_bone.shape)))
    rays = on_bone.sum(1)
    ring = (circle * on_bone).sum(1) / np.maximum(rays, 1)
    enough = rays > RAYS / 18
    ring_power = (circle**2 * on_bone).sum((1, 2)) / np.maximum(on_bone.sum((1, 2)), 1) + 1e-5
    arc_alignment = (ring**2 * enough).sum(1) / np.maximum(enough.sum(1), 1) / ring_power

    radial = (scaled * weight).sum(1) / weight.sum(1)
    level = np.linspace(-1, 1, STEPS, dtype=np.float32)
    slope = radial @ level / float(level @ level)
    return np.stack(
        [
            np.clip(slope / small.scatter, -4, 4),
            np.log(alignment + 0.01),
            np.log(local + 0.01),
            np.log(arc_alignment + 0.01),
        ],
        axis=1,
    ).astype(np.float64)


def find_axis(bone: Bone, loss: Float, settings: FocusSettings) -> Axis:
    """Focus and growth axis of a bone, in scan pixels.

    loss : (row, column) opacity loss of the bone's crop. `Axis.certainty` is the share of the candidates' probability
    that lies about the one chosen.
    """
    small = shrink(loss, bone)
    depth = np.asarray(cv2.distanceTransform(small.inside, cv2.DIST_L2, 3), np.float32)
    points = candidates(small, depth)
    if not len(points):  # a speck: its middle is as good as any
        points = small.outline.mean(0, keepdims=True)
    sparse = small.outline[:: max(1, len(small.outline) // 240)]
    reach = ray_lengths(sparse, points)
    by_outline = outline_features(small, points, reach, depth)
    score = log_odds(by_outline, settings.outline)
    chosen = np.argsort(-score, kind="stable")[:SHORTLIST]
    points, reach = points[chosen], reach[chosen]
    features = np.concatenate([by_outline[chosen], pixel_features(small, points, reach)], axis=1)
    middle, certainty = most_likely(points, log_odds(features, settings.full))
    focus = small.to_scan(middle)
    direction = axis_direction(bone.outline, focus)
    return Axis(
        focus=_point(focus),
        tip=_point(far_margin(bone.outline, focus, direction)),
        certainty=certainty,
    )


def most_likely(points: Float, score: NDArray[np.float64]) -> tuple[NDArray[np.float64], float]:
    """Where the focus most likely lies, (x, y) in working pixels, and the probability of its neighbourhood.

    points : (candidate, 2); score : (candidate,) log odds among them. The weighted mean about the best candidate.
    """
    probability = np.exp(_softmax_log(score))
    best = points[np.argmax(probability)]
    near = np.hypot(*(points - best).T) < NEIGHBOURHOOD
    share = float(probability[near].sum())
    return np.asarray((points[near] * probability[near, None]).sum(0) / share), share


def by_hand(row: Specimen, scale: float) -> Axis:
    """The axis that a person gave in the specimens table, in pixels of the size that the bone is read at."""
    if row.focus is None or row.tip is None:
        raise ValueError("the row gives no focus and axis")
    (fx, fy), (tx, ty) = row.focus, row.tip
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
    return float(np.arctan2((weight * np.sin(_ANGLES)).sum(), (weight * np.cos(_ANGLES)).sum()))


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


def _softmax_log(score: NDArray[np.float64]) -> NDArray[np.float64]:
    shifted = score - score.max()
    return np.asarray(shifted - np.log(np.exp(shifted).sum()))


def _detail(value: Float) -> Float:
    slow = cv2.blur(value.reshape(-1, STEPS), (DETAIL_STEPS, 1), borderType=cv2.BORDER_REFLECT).reshape(value.shape)
    return np.asarray(np.clip(value - slow, -CLIP, CLIP), np.float32)


def _sample(image: Float, points: Float, radius: Float) -> Float:
    """Values at radius (candidate, ray, step) about points (candidate, 2): the same shape."""
    x = points[:, 0, None, None] + radius * np.cos(_ANGLES)[None, :, None]
    y = points[:, 1, None, None] + radius * np.sin(_ANGLES)[None, :, None]
    return _bilinear(image, x, y)


def _bilinear(image: Float, x: Float, y: Float) -> Float:
    flat = (x.shape[0], -1)
    out = cv2.remap(
        image,
        x.reshape(flat).astype(np.float32),
        y.reshape(flat).astype(np.float32),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    return np.asarray(out, np.float32).reshape(x.shape)


def _point(xy: NDArray[np.floating]) -> Point:
    return (float(xy[0]), float(xy[1]))
