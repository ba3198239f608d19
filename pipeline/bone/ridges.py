"""Profile -> ridges: every place that may be a winter zone.

A winter zone is a ridge of opacity loss, soft on its inner side and sharp on its outer one. Ridges of every width are
sought with a centre box against two flank boxes; those that share one outer edge are one.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.bone.smoothing import smooth
from pipeline.records import Float, RadialProfile

_NARROWEST_PX = 2.2  # pixels; a narrower winter zone cannot be told from noise
_WIDEST = 0.09  # share of the radius; no winter zone is wider
_WIDTH_STEP = 1.3  # each width tried is this much wider than the one before
_LEAST_DEPTH = 0.004  # opacity loss against both flanks; fainter ridges are texture
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
INNERMOST = 0.02
"""Share of the radius about the focus where the socket hides everything."""


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


class Boxes:
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


def find_ridges(profile: RadialProfile) -> Ridges:
    """Ridges of every width, one for each outer edge."""
    samples = len(profile.value)
    margin = profile.margin
    spp = profile.samples_per_px
    narrowest = max(2.0, _NARROWEST_PX * spp)
    scales = int(np.ceil(np.log(max(_WIDEST * margin / narrowest, 1.01)) / np.log(_WIDTH_STEP))) + 1
    widths = (narrowest * _WIDTH_STEP ** np.arange(scales)).astype(np.float64)
    trust = np.where(np.arange(samples) <= margin, profile.coverage, 0).astype(np.float32)[None]
    boxes = Boxes(profile.value[None], trust)
    at = np.arange(samples, dtype=np.float64)
    grid_at, grid_width = np.broadcast_arrays(at[None, :], widths[:, None])
    response = ridge_response(boxes, grid_at.ravel(), grid_width.ravel(), margin)[0].reshape(scales, samples)
    ranked = response * (grid_width / spp) ** WIDTH_POWER
    peak = (ranked >= cv2.dilate(ranked, np.ones((3, 5), np.uint8))) & (response > _LEAST_DEPTH)
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


def ridge_response(
    boxes: Boxes, at: NDArray[np.float64], width: NDArray[np.float64], margin: float
) -> NDArray[np.float64]:
    """Contrast of ridges against their flanks, (row, ridge); `at` their middles, `width` and `margin`: samples."""
    left, right = flanks(boxes, at, width)
    near = at > (1 - MARGIN_ZONE) * margin
    low, mean = np.minimum(left, right), 0.5 * (left + right)
    share = np.where(near, 0.1, SMALLER_SIDE)
    return share * low + (1 - share) * mean


def flanks(
    boxes: Boxes, at: NDArray[np.float64], width: NDArray[np.float64]
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
