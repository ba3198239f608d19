"""Damage on what was read: pieces broken out of the margin, and slits through which the backing shows.

Lobes and wavers of a sound margin are wide; a break has steep sides. So each ray's reach is held against what its
neighbours to both sides reach, and inside the bone places as bare as the backing are asked whether they run along the
rays, as slits and cracks do, or across them, as winters do.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.records import Point, Strip

NEAR_AXIS_DEGREES = 25.0
"""Rays within this of the axis: where marks are counted."""
BREAK_DEGREES = 10.0
"""A break is narrower than this; what is wider is the shape of the margin."""
BREAK_DEPTH = 0.04
"""Share of the radius by which a ray falls short of its neighbours in a break."""
BARE_LOSS = 1.5
"""Opacity loss from which on a place is as good as bare backing: under an eighth of the bone's usual thickness."""
WINTER_DEGREES = 12.0
"""Bare places that run so far across the rays are winters."""
SLIT_LENGTH = 0.04
"""Share of the radius that a slit runs along the rays."""
SLIT_SHAPE = 1.5
"""A slit runs at least so many times as far along the rays as across them."""
INNER, OUTER = 0.1, 0.95
"""Share of the radius between which slits are sought."""


def find_damage(strip: Strip) -> tuple[float, Point | None]:
    """Share of the rays near the axis that damage lies on, and the place of the worst of it in pixels of the bone."""
    near = np.flatnonzero(np.abs(strip.angle) <= NEAR_AXIS_DEGREES)
    reach, short = _breaks(strip, near)
    slit = _slits(strip, near)
    broken, slit_through = short > BREAK_DEPTH * strip.margin, slit.any(axis=1)
    hit = broken | slit_through
    if not hit.any():
        return 0.0, None
    if slit_through.sum() > broken.sum():
        rays, samples = np.nonzero(slit)
        middle = len(rays) // 2
        ray, sample = int(near[rays[middle]]), int(samples[middle])
    else:
        worst = int(np.argmax(short))
        ray, sample = int(near[worst]), int(reach[worst])
    return float(hit.mean()), (float(strip.source_x[ray, sample]), float(strip.source_y[ray, sample]))


def _breaks(strip: Strip, near: NDArray[np.intp]) -> tuple[NDArray[np.intp], NDArray[np.float32]]:
    """Last radial sample of each ray that is bone, and by how many samples it falls short of both sides."""
    seen = strip.trust > 0.3
    last = strip.trust.shape[1] - 1 - np.argmax(seen[:, ::-1], axis=1)
    width = 2 * round(0.5 * BREAK_DEGREES / float(strip.angle[1] - strip.angle[0])) + 1
    closed = cv2.morphologyEx(last.astype(np.float32)[None], cv2.MORPH_CLOSE, np.ones((1, width), np.uint8))[0]
    return last[near], np.asarray((closed - last)[near], np.float32)


def _slits(strip: Strip, near: NDArray[np.intp]) -> NDArray[np.bool_]:
    """(ray, radius) bare places that run along the rays."""
    radius = np.arange(strip.value.shape[1]) / strip.margin
    bare = (strip.value[near] > BARE_LOSS) & (strip.trust[near] > 0.5) & (radius > INNER) & (radius < OUTER)
    across = max(3, round(WINTER_DEGREES / float(strip.angle[1] - strip.angle[0])))
    found = bare.astype(np.uint8)
    winters = cv2.morphologyEx(found, cv2.MORPH_OPEN, np.ones((across, 1), np.uint8))
    winters = cv2.dilate(winters, np.ones((max(3, across // 2), 5), np.uint8))
    alone = np.where(winters > 0, 0, found).astype(np.uint8)
    ray = np.deg2rad(float(strip.angle[1] - strip.angle[0]))
    _, label, stats, _ = cv2.connectedComponentsWithStats(alone, connectivity=8)
    start, length, rays = (
        stats[:, k].astype(np.float64) for k in (cv2.CC_STAT_LEFT, cv2.CC_STAT_WIDTH, cv2.CC_STAT_HEIGHT)
    )
    wide = rays * ray * (start + 0.5 * length)
    slit = (length > SLIT_LENGTH * strip.margin) & (length > SLIT_SHAPE * wide)
    slit[0] = False
    return np.asarray(slit[label])
