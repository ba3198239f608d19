"""Bone -> strip (ray x radius) about the focus, flattened so that marks run straight across the rays.

Growth is roughly the outline shrunk towards the focus, so a strip scaled to a smooth envelope of the margin is nearly
flat. What is left (young bones have another shape; each mark wavers) is taken out in three ways: lines are followed
from ray to ray, however steeply they turn; then the local slope of the marks is followed from the axis outward; then
every ray is shifted, sample by sample, to match the mean of all rays.
"""

from __future__ import annotations

from copy import copy

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.bone.follow_lines import steps_from_axis, towards_axis
from pipeline.bone.median import median
from pipeline.bone.rim import STEPS_PX, WITHIN_DEGREES
from pipeline.bone.smoothing import smooth, smooth_trusted
from pipeline.records import Axis, Bone, Float, Strip, frozen
from pipeline.settings.first_pass import UnwrapSettings

SUB_RAYS = (-1 / 3, 0.0, 1 / 3)
"""Each ray is the mean of three, this share of the ray spacing apart: speckle and striae average out."""
COARSE = 2
"""Rays are shifted by what every second one shows: marks bend slowly from ray to ray."""
OVERSHOOT = 1.03
"""The strip reaches this share of the envelope, so that the margin itself is in it."""
ENVELOPE_PERCENTILE = 75
"""Of the margin over neighbouring rays: nicks and notches do not bend the envelope."""
STEEPEST_WITHIN = 0.012
"""Share of the radius about the outline within which the margin's steepest brightness step is sought."""
REGISTER_EVERY = 4
"""Samples; the usual gradient energy is taken from every so many, it changes slowly."""
MOST_SLOPE = 0.008
"""Share of the radius; a mark that seems to move by more from one ray looked at to the next is no mark."""
LEAST_MARGIN_PX = 2.0
"""Pixels; a ray that hardly meets the bone, from a focus outside it, is taken for this long."""
BASE_DEGREES = 20.0
"""Degrees about the axis within which the base is compared with the blade."""
COHERENCE_FLOOR = 1e-3
"""Squared opacity loss: gradient energy below this is noise and gives no slope."""


def unwrap(bone: Bone, loss: Float, axis: Axis, settings: UnwrapSettings) -> Strip:
    """The flattened strip of a bone.

    loss : (row, column) opacity loss of the crop. Rays run from -`half_angle` to +`half_angle` degrees about the axis,
    the radius from the focus to a little beyond the envelope of the margin.
    """
    angle = _ray_angles(settings)
    margin = margin_radius(bone, axis, angle, settings)
    envelope = smooth_envelope(margin, settings)
    radius_px = float(np.interp(0, angle, envelope))
    samples = int(
        np.clip(settings.samples_per_px * radius_px * OVERSHOOT, settings.least_samples, settings.most_samples)
    )
    share = (np.arange(samples, dtype=np.float32) / np.float32(samples - 1)) * np.float32(OVERSHOOT)
    scale = (samples - 1) / (OVERSHOOT * radius_px)

    grid = _Grid(bone, loss, axis, angle, envelope.astype(np.float32), margin.astype(np.float32), share, settings)
    coarse = grid.every(COARSE)
    shift = np.zeros((len(angle[::COARSE]), samples), np.float32)
    value, trust = coarse.sample(shift)
    shift = outward(shift, steps_from_axis(value, trust))
    for sigma in settings.slope_sigmas:
        value, trust = coarse.sample(shift)
        shift = follow_slopes(value, trust, shift, settings.slope_sigma_rays / COARSE, sigma * samples)
    for rays, sigma in zip(settings.register_rays, settings.register_sigmas, strict=True):
        value, trust = coarse.sample(shift)
        step = register(
            value, trust, rays / COARSE, sigma * samples, settings.register_ridge, settings.most_shift * samples
        )
        shift = _compose(shift, step)
    shift = _between_rays(shift, len(angle))
    value, trust = grid.sample(shift, sub_rays=SUB_RAYS)
    x, y = grid.positions(shift)
    rim = _rim(bone, loss, axis, angle, margin)
    middle = value[np.abs(angle) <= BASE_DEGREES]
    near = middle[:, int(0.12 * samples) : int(0.25 * samples)]
    blade = middle[:, int(0.45 * samples) : int(0.85 * samples)]
    for a in (value, trust, x, y, angle, rim):
        frozen(a)
    return Strip(
        value=value,
        trust=trust,
        source_x=x,
        source_y=y,
        angle=angle,
        samples_per_px=scale,
        margin=radius_px * scale,
        base=median(near) - median(blade),
        rim=rim,
    )


def _ray_angles(settings: UnwrapSettings) -> Float:
    half = round(settings.half_angle / settings.ray_spacing)
    return (np.arange(-half, half + 1) * settings.ray_spacing).astype(np.float32)


def directions(axis: Axis, angle: Float) -> tuple[Float, Float]:
    """Unit vectors (x, y) of rays at angles from the axis."""
    turn = np.deg2rad(angle) + np.float32(np.arctan2(axis.tip[1] - axis.focus[1], axis.tip[0] - axis.focus[0]))
    return np.cos(turn).astype(np.float32), np.sin(turn).astype(np.float32)


def margin_radius(bone: Bone, axis: Axis, angle: Float, settings: UnwrapSettings) -> NDArray[np.float64]:
    """Distance from the focus to the margin along each ray, pixels, (ray,).

    The outline gives it to about a pixel; the steepest brightness step beside it, smoothed over neighbouring rays,
    better.
    """
    dx, dy = directions(axis, angle)
    fx, fy = axis.focus[0] - bone.origin[0], axis.focus[1] - bone.origin[1]
    rows, columns = bone.mask.shape
    reach = float(np.hypot(*(bone.outline - axis.focus).T).max()) + 2
    steps = np.arange(0, reach, 1.0, dtype=np.float32)
    x = np.round(fx + dx[:, None] * steps).astype(np.int32)
    y = np.round(fy + dy[:, None] * steps).astype(np.int32)
    inside = (x >= 0) & (y >= 0) & (x < columns) & (y < rows)
    inside &= bone.mask[np.clip(y, 0, rows - 1), np.clip(x, 0, columns - 1)]
    last = inside.shape[1] - 1 - np.argmax(inside[:, ::-1], axis=1)
    edge = np.where(inside.any(1), steps[last] + 0.5, np.float32(1.0))

    window = max(1.5, STEEPEST_WITHIN * median(edge))
    offset = np.arange(-window, window + 0.25, 0.25, dtype=np.float32)
    at = edge[:, None] + offset
    contrast = np.abs(bone.grey - bone.backing)
    profile = cv2.remap(
        contrast,
        (fx + dx[:, None] * at).astype(np.float32),
        (fy + dy[:, None] * at).astype(np.float32),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    profile = smooth(np.asarray(profile, np.float32), 0.0, 2.0)
    fall = -np.diff(profile, axis=1)
    shift = offset[np.argmax(fall, axis=1)] + 0.125
    steady = cv2.medianBlur(shift.astype(np.float32).reshape(1, -1), 3).ravel()
    return np.asarray(np.maximum((edge + steady).astype(np.float64), LEAST_MARGIN_PX))


def _rim(bone: Bone, loss: Float, axis: Axis, angle: Float, margin: NDArray[np.float64]) -> Float:
    """Opacity loss at steps inside the margin, each ray from its own, the median over the rays, (step,)."""
    near = np.abs(angle) <= WITHIN_DEGREES
    dx, dy = directions(axis, angle[near])
    radius = np.maximum(margin[near, None] - STEPS_PX, 0).astype(np.float32)
    x = np.float32(axis.focus[0] - bone.origin[0]) + dx[:, None] * radius
    y = np.float32(axis.focus[1] - bone.origin[1]) + dy[:, None] * radius
    seen = cv2.remap(loss, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(np.median(seen, axis=0), np.float32)


def smooth_envelope(margin: NDArray[np.float64], settings: UnwrapSettings) -> NDArray[np.float64]:
    """The margin without nicks and raggedness, (ray,)."""
    window = max(3, round(settings.envelope_degrees / settings.ray_spacing) | 1)
    around = np.lib.stride_tricks.sliding_window_view(np.pad(margin, window // 2, mode="edge"), window)
    high = np.percentile(around, ENVELOPE_PERCENTILE, axis=1).astype(np.float32)
    return np.asarray(smooth(high[None], 0.0, settings.envelope_sigma_degrees / settings.ray_spacing)[0], np.float64)


class _Grid:
    """Samples the bone at (ray, radius + shift), with what can be trusted."""

    def __init__(
        self,
        bone: Bone,
        loss: Float,
        axis: Axis,
        angle: Float,
        envelope: Float,
        margin: Float,
        share: Float,
        settings: UnwrapSettings,
    ) -> None:
        self._loss = loss
        self._focus = (axis.focus[0] - bone.origin[0], axis.focus[1] - bone.origin[1])
        self._origin = bone.origin
        self._axis = axis
        self._angle = angle
        self._envelope = envelope
        self._margin = margin
        self._share = share
        self._per_sample = np.float32(share[1] - share[0])
        self._rim = np.float32(settings.rim_px)
        self._spacing = settings.ray_spacing

    def _polar(self, shift: Float, sub_ray: float) -> tuple[Float, Float, Float]:
        angle = self._angle + np.float32(sub_ray * self._spacing)
        dx, dy = directions(self._axis, angle)
        envelope = np.interp(angle, self._angle, self._envelope).astype(np.float32)
        return self._radius(shift, envelope), dx, dy

    def _radius(self, shift: Float, envelope: Float) -> Float:
        return (self._share[None, :] + shift * self._per_sample) * envelope[:, None]

    def positions(self, shift: Float) -> tuple[Float, Float]:
        """Scan pixel x, y of every sample."""
        radius, dx, dy = self._polar(shift, 0.0)
        return (
            np.float32(self._focus[0] + self._origin[0]) + dx[:, None] * radius,
            np.float32(self._focus[1] + self._origin[1]) + dy[:, None] * radius,
        )

    def every(self, step: int) -> _Grid:
        """The same bone on every so many rays."""
        thin = copy(self)
        thin._angle, thin._envelope, thin._margin = self._angle[::step], self._envelope[::step], self._margin[::step]
        return thin

    def sample(self, shift: Float, sub_rays: tuple[float, ...] = (0.0,)) -> tuple[Float, Float]:
        """Opacity loss and trust, both (ray, radius)."""
        value = np.zeros(shift.shape, np.float32)
        for sub_ray in sub_rays:
            radius, dx, dy = self._polar(shift, sub_ray)
            value += cv2.remap(
                self._loss,
                np.float32(self._focus[0]) + dx[:, None] * radius,
                np.float32(self._focus[1]) + dy[:, None] * radius,
                cv2.INTER_LINEAR,
                borderMode=cv2.BORDER_REPLICATE,
            )
        value /= np.float32(len(sub_rays))
        radius = self._radius(shift, self._envelope)
        inside = np.clip(self._margin[:, None] - self._rim - radius + np.float32(0.5), 0, 1)
        return value, (inside * (radius > 1)).astype(np.float32)


def follow_slopes(value: Float, trust: Float, shift: Float, sigma_rays: float, sigma_samples: float) -> Float:
    """Shift (ray, radius), in samples, that follows the marks' local slope from the axis ray outward.

    The slope is that of least squares over a neighbourhood (structure tensor), weighted by squared coherence, so that
    where nothing is seen the strip stays as it is.
    """
    blurred = smooth_trusted(value, trust, 1.0, max(1.0, 0.25 * sigma_samples))
    along = np.asarray(cv2.Sobel(blurred, cv2.CV_32F, 1, 0, ksize=3, scale=1 / 8), np.float32)
    across = np.asarray(cv2.Sobel(blurred, cv2.CV_32F, 0, 1, ksize=3, scale=1 / 8), np.float32)
    sure = cv2.erode(trust, np.ones((3, 3), np.uint8))

    def pool(a: Float) -> Float:
        return smooth(a * sure, sigma_rays, sigma_samples)

    xx, yy, xy = pool(along * along), pool(across * across), pool(along * across)
    total = xx + yy + np.float32(COHERENCE_FLOOR * float(xx.mean() + 1e-9))
    weight = ((xx - yy) ** 2 + 4 * xy**2) / total**2  # squared coherence
    floor = 0.05 * float(xx.mean()) + 1e-9
    slope = -pool(weight * xy) / (pool(weight * xx) + floor)
    most = MOST_SLOPE * value.shape[1]
    slope = np.clip(slope, -most, most)

    ray = np.arange(len(slope))
    return outward(shift, np.sign(ray - len(ray) // 2)[:, None] * slope[towards_axis(len(ray))])


def outward(shift: Float, step: Float) -> Float:
    """The shift with the steps of `follow_lines.steps_from_axis` added up from the axis ray outward, (ray, radius)."""
    rays, samples = step.shape
    out = np.zeros((rays, samples), np.float32)
    base = np.arange(samples, dtype=np.float64)
    for side in (range(rays // 2 + 1, rays), range(rays // 2 - 1, -1, -1)):
        offset = np.zeros(samples)
        for ray in side:
            offset = offset + np.interp(base + offset, base, step[ray])
            out[ray] = offset
    return _compose(shift, out)


def register(value: Float, trust: Float, sigma_rays: float, sigma_samples: float, ridge: float, most: float) -> Float:
    """Small shift (ray, radius), in samples, that brings every ray onto the weighted mean of all rays.

    One Gauss-Newton step of Lucas and Kanade (1981) along the radius, pooled over neighbouring rays and samples.
    """
    weight = trust * _ray_weights(value.shape[0])
    total = weight.sum(0)
    mean = (value * weight).sum(0) / np.maximum(total, 1e-3)
    slow = max(8.0, 4 * sigma_samples)
    template = mean - smooth(mean[None], 0.0, slow)[0]
    own = value - smooth_trusted(value, trust, 0.0, slow)
    template = smooth(template[None], 0.0, 0.8)[0]
    gradient = np.gradient(template)[None, :].astype(np.float32)
    difference = np.clip(own - template[None, :].astype(np.float32), -0.5, 0.5)

    def pool(a: Float) -> Float:
        return smooth(a * trust, sigma_rays, sigma_samples)

    energy = pool(np.broadcast_to(gradient**2, value.shape))
    usual = median(energy[:, ::REGISTER_EVERY])
    step = -pool(gradient * difference) / (energy + ridge * usual + 1e-9)
    return np.clip(step, -most, most)


def _between_rays(shift: Float, rays: int) -> Float:
    """The shift on every ray from that on every `COARSE`-th, (ray, radius)."""
    row = np.arange(rays, dtype=np.float32) / np.float32(COARSE)
    row = np.broadcast_to(np.minimum(row, len(shift) - 1)[:, None], (rays, shift.shape[1]))
    column = np.broadcast_to(np.arange(shift.shape[1], dtype=np.float32), row.shape)
    return np.asarray(
        cv2.remap(shift, np.ascontiguousarray(column), np.ascontiguousarray(row), cv2.INTER_LINEAR), np.float32
    )


def _ray_weights(rays: int) -> Float:
    """Rays near the axis count more, (ray, 1)."""
    offset = (np.arange(rays) - rays // 2) / (0.31 * rays)
    return np.exp(-0.5 * offset**2).astype(np.float32)[:, None]


def _compose(first: Float, then: Float) -> Float:
    """The shift of sampling `first` at samples moved by `then`, kept in order along the radius."""
    rays, samples = first.shape
    base = np.arange(samples, dtype=np.float32)
    where = np.clip(base[None, :] + then, 0, samples - 1)
    row = np.broadcast_to(np.arange(rays, dtype=np.float32)[:, None], where.shape)
    moved = cv2.remap(
        first, where.astype(np.float32), np.ascontiguousarray(row), cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )
    total = then + moved
    return np.maximum.accumulate(base[None, :] + total, axis=1) - base[None, :]
