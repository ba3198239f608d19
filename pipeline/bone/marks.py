"""Ridges and strip -> candidate marks with raw evidence.

Nothing is decided here: every ridge that may be an annulus comes out, with the numbers that tell annuli from checks,
split marks and texture.
"""

from __future__ import annotations

from array import array

import numpy as np
from numpy.typing import NDArray

from pipeline.bone.median import median
from pipeline.bone.ridges import LEAST_FLANK_COVERAGE, Boxes, Ridges, find_ridges, flanks, ridge_response
from pipeline.bone.rim import hollows, levels
from pipeline.records import Float, Mark, Point, RadialProfile, Strip

_ARC_EVERY = 4  # rays between the points of a mark's traced arc (4 degrees)
MARGIN_FADE_PX = 6.0
"""Pixels over which the margin's profile loses its say about a mark farther in."""
BLOCK_SHOWS = 0.35
"""A block shows the mark when its depth is over this share of the mean depth."""

EVIDENCE = (
    "log_depth",
    "log_t",
    "block_share",
    "low_quartile",
    "high_quartile",
    "asymmetry",
    "outer_slope",
    "inner_slope",
    "width_to_gap_before",
    "width_to_gap_after",
    "log_gap_ratio",
    "depth_to_neighbours",
    "depth_to_strongest",
    "depth_to_third",
    "depth_to_median",
    "t_to_median",
    "fraction",
    "log_rim_px",
    "log_width",
    "log_width_px",
    "coverage",
    "number_of_candidates",
    "log_radius_px",
    "arc_run",
    "far_arc",
    "dip_before",
    "peak_level",
    "rim_rise",
    "rim_return",
    "rim_return_t",
    "margin_1",
    "margin_2",
    "margin_3",
    "margin_4",
    "hollow_1",
    "hollow_2",
    "hollow_3",
    "hollow_4",
)
"""Names of a mark's evidence, in order."""


def find_marks(strip: Strip, profile: RadialProfile, focus: Point) -> tuple[Mark, ...]:
    """Candidate marks of a bone, the innermost first. Points are scan pixels.

    Radii are measured from `focus`: the strip's own first sample may have been moved in flattening.
    """
    ridges = find_ridges(profile)
    if not len(ridges.edge):
        return ()
    evidence = ridge_evidence(profile, strip.rim, ridges)
    fraction = ridges.edge / profile.margin
    centre = strip.value.shape[0] // 2
    positions = np.arange(strip.value.shape[1])
    marks = []
    source = np.stack([a[::_ARC_EVERY] for a in (strip.source_x, strip.source_y)], axis=-1).astype(np.float64)
    trust = strip.trust[::_ARC_EVERY]
    for k, edge in enumerate(ridges.edge):
        x = float(np.interp(edge, positions, strip.source_x[centre]))
        y = float(np.interp(edge, positions, strip.source_y[centre]))
        left = int(min(edge, len(positions) - 2))
        part = edge - left
        on_bone = trust[:, max(left - 1, 0)] > 0.3
        arc = np.round(source[:, left] * (1 - part) + source[:, left + 1] * part, 1)
        marks.append(
            Mark(
                x=x,
                y=y,
                radius_px=float(np.hypot(x - focus[0], y - focus[1])),
                fraction=float(fraction[k]),
                evidence=array("d", np.round(evidence[k], 5).tolist()),
                arc=tuple(map(tuple, arc[on_bone].tolist())),
            )
        )
    return tuple(marks)


def ridge_evidence(profile: RadialProfile, rim: Float, ridges: Ridges) -> NDArray[np.float64]:
    """Raw evidence of each ridge, (ridge, evidence) as named by `EVIDENCE`. `rim` is the strip's."""
    spp, margin = profile.samples_per_px, profile.margin
    trust = (profile.block_trust * (np.arange(len(profile.value)) <= margin)).astype(np.float32)
    blocks = Boxes(profile.blocks, trust)
    mean_boxes = Boxes(
        profile.value[None],
        np.where(np.arange(len(profile.value)) <= margin, profile.coverage, 0).astype(np.float32)[None],
    )
    at, width, edge, depth = ridges.middle.astype(np.float64), ridges.width, ridges.edge, ridges.depth
    by_block = ridge_response(blocks, at, width, margin)
    _, seen = blocks.mean(at - 0.5 * width, at + 0.5 * width)
    weight = np.exp(-0.5 * (profile.block_angle / 26.0) ** 2)[:, None] * (seen > 0.3)
    total = np.maximum(weight.sum(0), 1e-6)
    mean, t = _mean_t(by_block, weight)
    shows = (by_block > BLOCK_SHOWS * np.maximum(mean, 1e-3)) & (weight > 0)
    share = (shows * weight).sum(0) / total
    present = np.where(weight > 0, by_block, np.nan)
    with np.errstate(all="ignore"):
        low_q = np.where((weight > 0).any(0), np.nan_to_num(_quantile(present, 0.25)), 0)
        high_q = np.where((weight > 0).any(0), np.nan_to_num(_quantile(present, 0.75)), 0)
    run = _longest_run(shows) / len(by_block)
    far = np.abs(profile.block_angle) > 20
    far_weight = weight * far[:, None]
    far_arc = (by_block * far_weight).sum(0) / np.maximum(far_weight.sum(0), 1e-6) / np.maximum(mean, 0.01)
    left, right = (f[0] for f in flanks(mean_boxes, at, width))
    slope_out = _slope(profile.value, edge, width)
    slope_in = _slope(profile.value, at - 0.6 * width, width, rising=True)

    inside = np.concatenate([[0.0], edge[:-1]])
    outside = np.concatenate([edge[1:], [margin]])
    before, after = np.maximum(edge - inside, 1.0), np.maximum(outside - edge, 1.0)
    neighbour = 0.5 * (np.concatenate([depth[:1], depth[:-1]]) + np.concatenate([depth[1:], depth[-1:]]))
    ordered = np.sort(depth)[::-1]
    third = ordered[min(2, len(ordered) - 1)]
    dip = np.array([_dip(profile.value, a, m) for a, m in zip(inside, at, strict=True)])
    peak = np.interp(at, np.arange(len(profile.value)), profile.value)
    typical = median(profile.value[int(0.3 * margin) : int(0.95 * margin) + 1])
    rise = rim_rise(profile, edge)
    end = np.minimum(edge + np.maximum(1.2 * width, 2 * spp), margin)
    core, _ = blocks.mean(at - 0.3 * width, at + 0.7 * width)
    beyond, beyond_seen = blocks.mean(edge + 0.4 * spp, np.maximum(end, edge + 0.8 * spp))
    rim_weight = weight * (beyond_seen > LEAST_FLANK_COVERAGE)
    returned, returned_t = _mean_t(core - beyond, rim_weight)
    near = np.exp(-(margin - edge) / (MARGIN_FADE_PX * spp))
    radius_px = margin / spp
    log = np.log
    columns = [
        log(np.maximum(depth, 1e-3)),
        log(np.maximum(t, 0.05)),
        share,
        log(np.maximum(low_q, 0) + 0.01),
        log(np.maximum(high_q, 0) + 0.01),
        (right - left) / (np.abs(right) + np.abs(left) + 0.02),
        slope_out / np.maximum(depth, 0.01),
        slope_in / np.maximum(depth, 0.01),
        log(width / before),
        log(width / after),
        log(before / after),
        log(depth / np.maximum(neighbour, 1e-3)),
        log(depth / ordered[0]),
        log(depth / third),
        log(depth / np.median(depth)),
        log(np.maximum(t, 0.05) / max(float(np.median(t)), 0.05)),
        edge / margin,
        log((margin - edge) / spp + 0.7),
        log(width / margin),
        log(width / spp),
        np.interp(edge, np.arange(len(profile.coverage)), profile.coverage),
        np.full(len(edge), np.log(len(edge))),
        np.full(len(edge), log(radius_px)),
        run,
        np.clip(far_arc, -1, 3),
        dip,
        np.clip(peak - typical, -2, 2),
        rise,
        np.clip(returned / np.maximum(depth, 0.01), -2, 3),
        np.clip(returned_t, -5, 15),
        *(level * near for level in levels(rim, radius_px)),
        *hollows(rim, radius_px, (margin - edge) / spp).T,
    ]
    return np.asarray(np.nan_to_num(np.stack(columns, axis=1)))


def _mean_t(value: NDArray[np.float64], weight: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Weighted mean over blocks and how many of its standard errors it is from nothing, both (ridge,)."""
    total = np.maximum(weight.sum(0), 1e-6)
    mean = (value * weight).sum(0) / total
    spread = ((value - mean) ** 2 * weight).sum(0) / total
    effective = np.maximum(total**2 / np.maximum((weight**2).sum(0), 1e-9), 1.5)
    return mean, mean / np.sqrt(spread / (effective - 1) + 1e-6)


def _quantile(value: NDArray[np.float64], q: float) -> NDArray[np.float64]:
    ordered = np.sort(value, axis=0)  # nan last
    count = np.isfinite(value).sum(0)
    where = np.clip(np.round(q * (count - 1)).astype(int), 0, len(value) - 1)
    return np.asarray(np.take_along_axis(ordered, where[None], axis=0)[0])


def _longest_run(shows: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Longest run of neighbouring blocks that show the mark, (ridge,)."""
    best = np.zeros(shows.shape[1])
    run = np.zeros(shows.shape[1])
    for row in shows:
        run = np.where(row, run + 1, 0)
        best = np.maximum(best, run)
    return best


def _slope(
    value: Float, where: NDArray[np.float64], width: NDArray[np.float64], rising: bool = False
) -> NDArray[np.float64]:
    """Change of the profile over a quarter of a width about a place, per width."""
    at = np.arange(len(value))
    half = np.maximum(0.125 * width, 0.75)
    change = np.interp(where - half, at, value) - np.interp(where + half, at, value)
    return np.asarray((-change if rising else change) * width / (2 * half))


def _dip(value: Float, start: float, middle: float) -> float:
    """How far the profile falls between the mark before and this one's peak: 0 when two marks run into one another."""
    low, high = int(start), int(middle) + 1
    if high <= low + 1:
        return 0.0
    return float(np.clip(value[high - 1] - value[low:high].min(), 0, 2))


def rim_rise(profile: RadialProfile, edge: NDArray[np.float64]) -> NDArray[np.float64]:
    """How much more translucent the outer half of what lies beyond each place is than the inner half: a winter zone
    under way at the margin."""
    value, margin = profile.value.astype(np.float64), profile.margin
    cumulative = np.concatenate([[0.0], np.cumsum(value)])
    end = np.minimum(margin - profile.samples_per_px, len(value) - 1.0)
    at = np.arange(len(cumulative))

    def mean(a: NDArray[np.float64], b: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.asarray((np.interp(b, at, cumulative) - np.interp(a, at, cumulative)) / np.maximum(b - a, 0.5))

    half = np.maximum(edge, 0.5 * (edge + end))
    last = np.maximum(half, end - 0.25 * (end - edge))
    return np.where(
        end > edge + 2, np.clip(mean(last, np.full_like(last, end)) - mean(edge + 0.2 * (half - edge), half), -2, 2), 0
    )
