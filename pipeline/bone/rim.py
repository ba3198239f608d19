"""The bevel at the margin, each ray measured from its own margin: does a winter zone lie on it?

A bare bevel thins evenly towards the margin. A winter zone on it is a hollow: the bone seems thinner there than the
straight line between what lies farther out and farther in. Rays are aligned on their own margins because a mark so near
the margin follows every waver of it, which a smooth envelope would blur away.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.records import Float

STEP_PX = 0.5
"""Pixels between the steps of a rim."""
DEPTH_PX = 24.0
"""Pixels inside the margin that a rim reaches."""
WITHIN_DEGREES = 30.0
"""Rays within this of the axis make up a rim: marks are clearest there."""
LEVELS_PX = (1.5, 3.0, 5.0, 8.0)
"""Pixels inside the margin at which its level is measured."""
FLOOR_SHARE = 0.06
"""Share of the radius from the margin inward in which the level of summer growth is sought ..."""
LEAST_FLOOR_PX = 8.0
"""... pixels; at least so far, to the inside of any bevel."""
HOLLOWS_PX = (1.0, 1.5, 2.5, 4.0)
"""Pixels from the middle of a hollow to the places that it is compared with."""
OUTERMOST_PX = 0.5
"""Pixels inside the margin from which on a hollow is looked for: nearer the backing is mixed in."""
INNERMOST_PX = 12.0
"""Pixels inside the margin; a zone farther in shows as a mark."""
OWN_PX = 0.5
"""Pixels about a mark's outer edge that belong to it: a hollow beyond it is another zone's."""

STEPS_PX = np.arange(0, DEPTH_PX + STEP_PX / 2, STEP_PX, dtype=np.float32)
"""(step,) pixels inside the margin of each step of a rim."""


def levels(rim: Float, radius_px: float) -> tuple[float, ...]:
    """Opacity loss at each of `LEVELS_PX` inside the margin, over that of the growth inside the bevel.

    rim : (step,) opacity loss at `STEPS_PX`.
    """
    above = np.interp(LEVELS_PX, STEPS_PX, rim) - _floor(rim, radius_px)
    return tuple(float(v) for v in np.clip(above, -1, 3))


def hollows(rim: Float, radius_px: float, within_px: NDArray[np.float64]) -> NDArray[np.float64]:
    """The deepest hollow of each width of `HOLLOWS_PX` nearer to the margin than each of `within_px`, (place, width).

    In shares of the bone's thickness inside the bevel; below nothing where the bevel bulges everywhere.
    rim : (step,) opacity loss at `STEPS_PX`; within_px : (place,) pixels inside the margin.
    """
    thickness = np.exp(-np.clip(rim - _floor(rim, radius_px), -1, 3))
    out = np.empty((len(within_px), len(HOLLOWS_PX)))
    for k, apart in enumerate(HOLLOWS_PX):
        middle = np.arange(OUTERMOST_PX + apart, INNERMOST_PX, STEP_PX)
        outer, here, inner = (np.interp(middle + side, STEPS_PX, thickness) for side in (-apart, 0.0, apart))
        deepest = np.maximum.accumulate(0.5 * (outer + inner) - here)
        out[:, k] = deepest[np.clip(np.searchsorted(middle, within_px - OWN_PX, side="right") - 1, 0, None)]
    return out


def _floor(rim: Float, radius_px: float) -> float:
    """Level of the growth inside the bevel: the lowest nearby."""
    reach = min(max(LEAST_FLOOR_PX, FLOOR_SHARE * radius_px), DEPTH_PX)
    return float(rim[(STEPS_PX >= 1) & (reach >= STEPS_PX)].min())
