"""Near the margin: on how many rays opaque bone is seen beyond a candidate.

A winter zone that lies at the margin itself is no annulus yet: the next summer's opaque bone must be seen outside it. A
mean over rays cannot tell, since a ragged margin mixes rays on which the rim shows with rays on which it is gone. So
each ray is asked alone, no farther out than its own margin: is there a place beyond the candidate's outer edge where
opacity has come back by half of the ridge's depth?
"""

from __future__ import annotations

import cv2
import numpy as np

from pipeline.bone.ridges import Ridges
from pipeline.records import Numbers, Strip

NEAR_PX = 14.0
"""Pixels inside the margin; beyond candidates farther in, opaque bone is always seen."""
WITHIN_DEGREES = 30.0
"""Rays within this of the axis are asked: marks are clearest there."""
RETURN = 0.5
"""Share of the ridge's depth by which opacity must come back."""
SMOOTHED_RAYS = 3
"""Neighbouring rays whose mean is taken first, so that the grain of one pixel decides nothing."""
LEAST_TRUST = 0.5
"""A sample trusted less mixes with the backing."""


def opaque_beyond(strip: Strip, ridges: Ridges, margin: float) -> Numbers:
    """Share of the rays on which opaque bone is seen beyond each ridge, (ridge,); 1 for ridges far from the margin.

    margin : radial sample. A ray that ends before opaque bone could be seen counts as not seen.
    """
    out = np.ones(len(ridges.edge))
    near = np.flatnonzero((margin - ridges.edge) / strip.samples_per_px < NEAR_PX)
    if not len(near):
        return out
    asked = np.abs(strip.angle) <= WITHIN_DEGREES
    first = max(int(ridges.edge[near].min() - ridges.width[near].max()), 0)
    value = cv2.blur(strip.value[asked, first:], (1, SMOOTHED_RAYS), borderType=cv2.BORDER_REPLICATE)
    trusted = strip.trust[asked, first:] > LEAST_TRUST
    at = first + np.arange(value.shape[1])
    for k in near:
        ridge = trusted & (at > ridges.edge[k] - 0.7 * ridges.width[k]) & (at <= ridges.edge[k])
        rim = trusted & (at > ridges.edge[k])
        peak = np.asarray(np.where(ridge, value, -np.inf), np.float64).max(axis=1)
        lowest = np.asarray(np.where(rim, value, np.inf), np.float64).min(axis=1)
        there = ridge.any(axis=1)
        back = there & (peak - lowest > RETURN * ridges.depth[k])
        out[k] = int(np.count_nonzero(back)) / max(int(np.count_nonzero(there)), 1)
    return out
