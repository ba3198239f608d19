"""Ridges and strip -> candidate marks with their evidence.

Nothing is decided here: every ridge that may be an annulus comes out.
"""

from __future__ import annotations

from array import array

import numpy as np
from numpy.typing import NDArray

from pipeline.bone.beyond import opaque_beyond
from pipeline.bone.evidence import ridge_evidence
from pipeline.bone.ridges import find_ridges
from pipeline.bone.traced_arcs import traced
from pipeline.records import Float, Mark, Point, RadialProfile, Strip

_ARC_EVERY = 4  # rays between the points of a mark's traced arc (4 degrees)
_LEAST_TRUST = 0.3  # of a sample that an arc is traced through


def find_marks(strip: Strip, profile: RadialProfile, focus: Point) -> tuple[Mark, ...]:
    """Candidate marks of a bone, the innermost first. Points are scan pixels.

    Radii are measured from `focus`: the strip's own first sample may have been moved in flattening.
    """
    ridges = find_ridges(profile)
    if not len(ridges.edge):
        return ()
    fraction = ridges.edge / profile.margin
    x, y = (_at(source, ridges.edge) for source in (strip.source_x, strip.source_y))
    on_bone = strip.trust[:, np.clip(ridges.edge.astype(int) - 1, 0, strip.trust.shape[1] - 1)] > _LEAST_TRUST
    radius = np.hypot(x - focus[0], y - focus[1])
    margin = _at(np.hypot(strip.source_x - focus[0], strip.source_y - focus[1]), np.array([strip.margin]))[:, 0]
    thin = slice(None, None, _ARC_EVERY)
    arcs_seen = traced(radius[thin], on_bone[thin], margin[thin], strip.angle[thin])
    beyond = opaque_beyond(strip, ridges, profile.margin)
    evidence = ridge_evidence(profile, strip.rim, ridges, arcs_seen, beyond)
    axis = len(strip.angle) // 2
    arcs = np.round(np.stack([x, y], axis=-1)[::_ARC_EVERY], 1)
    return tuple(
        Mark(
            x=float(x[axis, k]),
            y=float(y[axis, k]),
            radius_px=float(radius[axis, k]),
            fraction=float(fraction[k]),
            evidence=array("d", np.round(evidence[k], 5).tolist()),
            arc=tuple(map(tuple, arcs[on_bone[::_ARC_EVERY, k], k].tolist())),
        )
        for k in range(len(ridges.edge))
    )


def _at(source: Float, edge: NDArray[np.float64]) -> NDArray[np.float64]:
    """Scan coordinates of every ray at radial samples between two, (ray, ridge). source : (ray, radius)."""
    left = np.minimum(edge.astype(int), source.shape[1] - 2)
    part = edge - left
    return np.asarray(source[:, left] * (1 - part) + source[:, left + 1] * part, np.float64)
