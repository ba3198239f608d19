"""Profile and strip -> candidate marks with raw evidence.

A winter zone is a ridge of opacity loss, soft on its inner side and sharp on its outer one. Ridges of every width are
sought with a centre box against two flank boxes; those that share one outer edge are one mark. Nothing is decided here:
every ridge that may be an annulus comes out, with the numbers that tell annuli from checks, split marks and texture.
"""

from __future__ import annotations

from array import array
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.bone.median import median
from pipeline.bone.rim import hollows, levels
from pipeline.bone.smoothing import smooth
from pipeline.records import Float, Mark, Point, RadialProfile, Strip
from pipeline.settings import MarksSettings

CENTRE = 0.8
"""Width of the centre box, in ridge widths."""
FLANK = 0.85
"""Width of each flank box, in ridge widths."""
FLANK_FROM = 0.65
"""Inner end of a flank box from the ridge's middle, in ridge widths."""
LEAST_FLANK_COVERAGE = 0.06
"""A flank with less of its samples on the bone says nothing; near the margin even a thin rim does."""
SMALLER_SIDE = 0.65
"""Share of the smaller of the two flank contrasts in the response: a ridge falls on both sides, a step on one."""
MARGIN_ZONE = 0.05
"""Share of the radius below the margin in which the outer flank may be missing."""
WIDTH_POWER = 0.22
"""Response grows by width to this power: of two equal contrasts the wider is less likely noise."""
INNERMOST = 0.07
"""Share of the radius about the focus where the socket hides everything."""
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


@dataclass(frozen=True, slots=True)
class Ridges:
    """Ridges of a profile, by radius."""

    middle: NDArray[np.int64]
    """Radial sample of the ridge's middle."""
    width: NDArray[np.float64]
    """Samples."""
    edge: NDArray[np.float64]
    """Radial sample of the outer edge: where opacity returns most steeply."""
    depth: NDArray[np.float64]
    """Response: contrast against both flanks, opacity loss."""


class _Boxes:
    """Means over boxes of samples, by cumulative sums: value (row, radius) with trust of the same shape."""

    def __init__(self, value: Float, trust: Float) -> None:
        self._sum = np.concatenate(
            [np.zeros((len(value), 1)), np.cumsum(value * trust, axis=1, dtype=np.float64)], axis=1
        )
        self._trust = np.concatenate([np.zeros((len(value), 1)), np.cumsum(trust, axis=1, dtype=np.float64)], axis=1)
        self._last = value.shape[1]

    def mean(
        self, start: NDArray[np.float64], end: NDArray[np.float64]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Mean and covered share over [start, end) for every row, (row, box)."""
        a, b = np.clip(start, 0, self._last), np.clip(end, 0, self._last)
        trust = self._at(self._trust, b) - self._at(self._trust, a)
        total = self._at(self._sum, b) - self._at(self._sum, a)
        return total / np.maximum(trust, 1e-9), trust / np.maximum(end - start, 1e-9)

    def _at(self, table: NDArray[np.float64], where: NDArray[np.float64]) -> NDArray[np.float64]:
        low = np.minimum(where.astype(np.int64), self._last - 1)
        part = where - low
        return np.asarray(table[:, low] * (1 - part) + table[:, low + 1] * part)


def find_marks(strip: Strip, profile: RadialProfile, focus: Point, settings: MarksSettings) -> tuple[Mark, ...]:
    """Candidate marks of a bone, the innermost first. Points are scan pixels.

    Radii are measured from `focus`: the strip's own first sample may have been moved in flattening.
    """
    ridges = find_ridges(profile, settings)
    if not len(ridges.edge):
        return ()
    evidence = ridge_evidence(profile, strip.rim, ridges)
    fraction = ridges.edge / profile.margin
    centre = strip.value.shape[0] // 2
    positions = np.arange(strip.value.shape[1])
    marks = []
    source = np.stack([a[:: settings.arc_every] for a in (strip.source_x, strip.source_y)], axis=-1).astype(np.float64)
    trust = strip.trust[:: settings.arc_every]
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


def find_ridges(profile: RadialProfile, settings: MarksSettings) -> Ridges:
    """Ridges of every width, one for each outer edge."""
    samples = len(profile.value)
    margin = profile.margin
    spp = profile.samples_per_px
    narrowest = max(2.0, settings.narrowest_px * spp)
    scales = int(np.ceil(np.log(max(settings.widest * margin / narrowest, 1.01)) / np.log(settings.width_step))) + 1
    widths = (narrowest * settings.width_step ** np.arange(scales)).astype(np.float64)
    trust = np.where(np.arange(samples) <= margin, profile.coverage, 0).astype(np.float32)[None]
    boxes = _Boxes(profile.value[None], trust)
    at = np.arange(samples, dtype=np.float64)
    grid_at, grid_width = np.broadcast_arrays(at[None, :], widths[:, None])
    response = _response(boxes, grid_at.ravel(), grid_width.ravel(), margin)[0].reshape(scales, samples)
    ranked = response * (grid_width / spp) ** WIDTH_POWER
    peak = (ranked >= cv2.dilate(ranked, np.ones((3, 5), np.uint8))) & (response > settings.least_depth)
    peak &= (grid_at > INNERMOST * margin) & (grid_at < margin)
    scale, middle = np.nonzero(peak)
    if not len(scale):
        empty = np.zeros(0)
        return Ridges(empty.astype(np.int64), empty, empty, empty)
    width, depth = widths[scale], response[scale, middle]
    smoothed = {k: smooth(profile.value[None], 0.0, max(0.6, 0.1 * float(widths[k])))[0] for k in set(scale.tolist())}
    edge = np.array(
        [
            _outer_edge(smoothed[k], c, float(widths[k]), margin)
            for k, c in zip(scale.tolist(), middle.tolist(), strict=True)
        ]
    )
    kept = _merge(edge, width, depth, spp)
    return Ridges(middle[kept], width[kept], edge[kept], depth[kept])


def _response(boxes: _Boxes, at: NDArray[np.float64], width: NDArray[np.float64], margin: float) -> NDArray[np.float64]:
    """Contrast of ridges against their flanks, (row, ridge)."""
    left, right = _flanks(boxes, at, width)
    near = at > (1 - MARGIN_ZONE) * margin
    low, mean = np.minimum(left, right), 0.5 * (left + right)
    share = np.where(near, 0.1, SMALLER_SIDE)
    return share * low + (1 - share) * mean


def _flanks(
    boxes: _Boxes, at: NDArray[np.float64], width: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Contrast of the centre against the inner and the outer flank, both (row, ridge)."""
    middle = at + 0.5
    centre, _ = boxes.mean(middle - 0.5 * CENTRE * width, middle + 0.5 * CENTRE * width)
    inner, inner_share = boxes.mean(middle - (FLANK_FROM + FLANK) * width, middle - FLANK_FROM * width)
    outer, outer_share = boxes.mean(middle + FLANK_FROM * width, middle + (FLANK_FROM + FLANK) * width)
    left = np.where(inner_share > LEAST_FLANK_COVERAGE, centre - inner, 0)
    right = np.where(outer_share > LEAST_FLANK_COVERAGE, centre - outer, 0)
    return left, right


def _outer_edge(smoothed: Float, middle: int, width: float, margin: float) -> float:
    """Where the smoothed profile falls most steeply beyond a ridge's middle, to a part of a sample."""
    end = int(min(middle + max(3.0, 1.0 * width), margin, len(smoothed) - 2))
    if end <= middle + 1:
        return float(min(middle + 0.5 * width, margin))
    first = max(middle - 1, 0)
    fall = smoothed[first : end + 1] - smoothed[first + 1 : end + 2]
    here = middle - first + int(np.argmax(fall[middle - first : end - first]))
    shift = 0.0
    if 0 < here < len(fall) - 1:
        a, b, c = fall[here - 1 : here + 2].tolist()
        bend = a - 2 * b + c
        shift = min(max(0.5 * (a - c) / bend, -0.5), 0.5) if bend < 0 else 0.0
    return float(min(here + first + 0.5 + shift, margin))


def _merge(
    edge: NDArray[np.float64], width: NDArray[np.float64], depth: NDArray[np.float64], spp: float
) -> NDArray[np.int64]:
    """Of ridges that share an outer edge the deepest, ordered by edge."""
    kept: list[int] = []
    for k in np.argsort(-depth, kind="stable"):
        for j in kept:
            near = max(1.6 * spp, 0.38 * min(width[k], width[j]), 0.12 * max(width[k], width[j]))
            if abs(edge[k] - edge[j]) < near:
                break
        else:
            kept.append(int(k))
    return np.array(sorted(kept, key=lambda i: edge[i]), dtype=np.int64)


def ridge_evidence(profile: RadialProfile, rim: Float, ridges: Ridges) -> NDArray[np.float64]:
    """Raw evidence of each ridge, (ridge, evidence) as named by `EVIDENCE`. `rim` is the strip's."""
    spp, margin = profile.samples_per_px, profile.margin
    trust = (profile.block_trust * (np.arange(len(profile.value)) <= margin)).astype(np.float32)
    blocks = _Boxes(profile.blocks, trust)
    mean_boxes = _Boxes(
        profile.value[None],
        np.where(np.arange(len(profile.value)) <= margin, profile.coverage, 0).astype(np.float32)[None],
    )
    at, width, edge, depth = ridges.middle.astype(np.float64), ridges.width, ridges.edge, ridges.depth
    by_block = _response(blocks, at, width, margin)
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
    left, right = (f[0] for f in _flanks(mean_boxes, at, width))
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
