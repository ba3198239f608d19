"""How each candidate mark runs across the fan: smooth or jumping, about the focus or bending away from it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.records import Float, Numbers

MIDDLE_DEGREES = 6.0
"""Rays within this of the axis are the middle of the fan ..."""
SIDE_DEGREES = (18.0, 36.0)
"""... and those between these its sides."""
ROUGH_ORDER = 3
"""Differences from ray to ray that even curves and corners do not show in, but jumps do."""
ROUGH_GAIN = float(np.sqrt(20.0) / 1.4826)
"""Median size of such a difference for jumps of one pixel's standard deviation (1, 3, 3, 1: root of 20)."""


@dataclass(frozen=True, slots=True)
class Arcs:
    """The marks traced across the fan; arrays are (ridge,)."""

    roughness_px: Numbers
    """How far the traced mark jumps from ray to ray: an annulus is a smooth line, texture drawn into one is not."""
    bend: Numbers
    """Logarithm of its distance from the focus at the sides of the fan over that on the axis, against the margin's: a
    ring about the focus follows the margin, the near side of a ring that lies elsewhere bends away."""
    lean: Numbers
    """How much farther out it lies on one side of the fan than on the other, against the margin: logarithm."""


def traced(radius_px: Numbers, trusted: NDArray[np.bool_], margin_px: Numbers, degrees: Float) -> Arcs:
    """What the run of each mark across the fan shows.

    radius_px : (ray, ridge) distance of the traced mark from the focus. trusted : (ray, ridge) where there is bone.
    margin_px : (ray,) distance of the margin. degrees : (ray,) from the growth axis.
    """
    jump = np.abs(np.diff(radius_px, n=ROUGH_ORDER, axis=0))
    whole = np.lib.stride_tricks.sliding_window_view(trusted, ROUGH_ORDER + 1, axis=0).all(axis=-1)
    shape = np.where(trusted, np.log(np.maximum(radius_px, 1.0) / np.maximum(margin_px, 1.0)[:, None]), np.nan)
    off = np.abs(degrees)
    middle = _typical(shape[off <= MIDDLE_DEGREES])
    left, right = (
        _typical(shape[(off >= SIDE_DEGREES[0]) & (off <= SIDE_DEGREES[1]) & (np.sign(degrees) == side)])
        for side in (-1, 1)
    )
    sides = _typical(np.stack([left, right]))
    return Arcs(
        roughness_px=np.nan_to_num(_typical(np.where(whole, jump, np.nan))) / ROUGH_GAIN,
        bend=np.nan_to_num(sides - middle),
        lean=np.nan_to_num(left - right),
    )


def _typical(value: Numbers) -> Numbers:
    """Median over rays of what is known, (ridge,); nan where nothing is."""
    some = np.isfinite(value).any(axis=0)
    filled = np.where(some, value, 0.0)
    return np.where(some, np.nanmedian(filled, axis=0), np.nan)
