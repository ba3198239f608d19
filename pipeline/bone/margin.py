"""Where the bone ends on the growth axis, and what lies beyond: no mark.

The outline gives the tip of the axis, the flattened strip its own margin: an average over rays, which on a ragged
margin reaches beyond the tip by a pixel or two. A mark that close is put inside the tip; one farther out is dropped.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from pipeline.records import Axis, Mark

INSIDE_PX = 0.5
"""Pixels inside the tip at which the outermost mark may lie."""
RAGGED_PX = 2.5
RAGGED_SHARE = 0.012
"""Pixels, or share of the radius if that is more, by which a ragged margin may reach beyond the tip."""


def within_margin(marks: Sequence[Mark], axis: Axis) -> tuple[Mark, ...]:
    """The marks that lie on the bone, each between focus and tip of the growth axis; of several put on the tip the
    first."""
    focus, tip = np.array(axis.focus), np.array(axis.tip)
    most = axis.radius_px - INSIDE_PX
    out: list[Mark] = []
    for mark in marks:
        along = float((np.array([mark.x, mark.y]) - focus) @ (tip - focus)) / max(axis.radius_px, 1e-6)
        if along <= most:
            out.append(replace(mark, fraction=min(mark.fraction, most / axis.radius_px)))
            continue
        if along > axis.radius_px + max(RAGGED_PX, RAGGED_SHARE * axis.radius_px):
            continue
        if out and out[-1].radius_px >= most:
            continue
        x, y = focus + (tip - focus) * most / axis.radius_px
        out.append(
            replace(mark, x=float(x), y=float(y), radius_px=most, fraction=min(mark.fraction, most / axis.radius_px))
        )
    return tuple(out)
