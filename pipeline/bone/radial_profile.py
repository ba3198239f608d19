"""Strip -> radial profile with its standard error, and the blocks of rays that it is made of."""

from __future__ import annotations

import numpy as np

from pipeline.bone.smoothing import smooth_trusted
from pipeline.records import Float, RadialProfile, Strip, frozen
from pipeline.settings.first_pass import ProfileSettings

# Degrees of one block of rays: wide enough to average striae, narrow enough that fourteen fit the fan.
_BLOCK_DEGREES = 6.0
# Degrees; blocks count by a bell of this standard deviation about the axis, where marks are clearest.
_WEIGHT_DEGREES = 26.0
_TREND_SHARE = 0.03  # share of the radius; standard deviation of the slow trend taken out of each ray
_LEAST_COVERAGE = 0.30  # share of the rays that must still lie on the bone; the margin is where fewer do
MARGIN_BEYOND_PX = 1.5
"""Pixels from the last sample with that coverage to the margin."""


def radial_profile(strip: Strip, settings: ProfileSettings) -> RadialProfile:
    """The robust mean of the rays at each radius.

    Each ray is freed of its own slow trend before averaging and the block's trend is added back: otherwise rays that
    end at a ragged margin would leave steps in the mean. Within a block, samples far from the block's median (dust,
    glare, cracks) are cut to it. The standard error comes from the spread between blocks, which are nearly independent.
    """
    rays, samples = strip.value.shape
    per_block = max(2, round(_BLOCK_DEGREES / float(strip.angle[1] - strip.angle[0])))
    blocks = rays // per_block
    first = (rays - blocks * per_block) // 2
    used = slice(first, first + blocks * per_block)
    value, trust = strip.value[used], strip.trust[used]
    slow = smooth_trusted(value, trust, 0.0, _TREND_SHARE * samples)
    shape = (blocks, per_block, samples)
    detail = (value - slow).reshape(shape)
    trust = trust.reshape(shape)
    count = trust.sum(1)
    median = _median(detail, trust)
    distance = np.abs(detail - median[:, None])
    limit = settings.outlier_mads * 1.4826 * _median(distance, trust) + 1e-4
    detail = np.clip(detail, (median - limit)[:, None], (median + limit)[:, None])
    some = np.maximum(count, 1e-3)
    block = (detail * trust).sum(1) / some
    trend = (slow.reshape(shape) * trust).sum(1) / some
    block = np.where(
        count > 0.5, block + smooth_trusted(trend, np.minimum(count, 1), 0.0, 0.5 * _TREND_SHARE * samples), 0
    )
    block_trust = np.clip(count / per_block, 0, 1).astype(np.float32)
    angle = strip.angle[used].reshape(blocks, per_block).mean(1)

    weight = np.exp(-0.5 * (angle / _WEIGHT_DEGREES) ** 2).astype(np.float32)[:, None] * block_trust
    total = weight.sum(0)
    full = float(np.exp(-0.5 * (angle / _WEIGHT_DEGREES) ** 2).sum())
    # Blocks differ in level (ribs, shading): the mean is taken of their departures from a common slow level.
    level = smooth_trusted(block, block_trust, 0.0, 2 * _TREND_SHARE * samples)
    weighted = ((level * weight).sum(0) / np.maximum(total, 1e-3))[None]
    common = smooth_trusted(weighted, np.minimum(total, 1)[None], 0.0, _TREND_SHARE * samples)[0]
    departure = block - level
    mean = (departure * weight).sum(0) / np.maximum(total, 1e-3)
    spread = ((departure - mean) ** 2 * weight).sum(0) / np.maximum(total, 1e-3)
    effective = np.maximum(total**2 / np.maximum((weight**2).sum(0), 1e-6), 1)
    error = np.sqrt(spread / np.maximum(effective - 1, 0.5)).astype(np.float32)
    coverage = (total / full).astype(np.float32)
    enough = np.flatnonzero(coverage >= _LEAST_COVERAGE)
    margin = float(enough[-1]) + MARGIN_BEYOND_PX * strip.samples_per_px if len(enough) else strip.margin
    value_out = np.asarray(mean + common, np.float32)
    departure = np.asarray(departure, np.float32)
    for a in (value_out, error, coverage, departure, block_trust, angle):
        frozen(a)
    return RadialProfile(
        value=value_out,
        standard_error=error,
        coverage=coverage,
        blocks=departure,
        block_trust=block_trust,
        block_angle=angle,
        margin=margin,
        samples_per_px=strip.samples_per_px,
    )


def _median(value: Float, trust: Float) -> Float:
    """Median over axis 1 of the trusted samples; 0 where there are none."""
    ordered = np.sort(np.where(trust > 0.5, value, np.float32(np.inf)), axis=1)
    count = (trust > 0.5).sum(1)
    middle = np.take_along_axis(ordered, np.maximum(count - 1, 0)[:, None] // 2, axis=1)[:, 0]
    return np.where(count > 0, middle, 0).astype(np.float32)
