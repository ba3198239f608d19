"""A bone at the size that its focus is sought in."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.bone.area_mean import area_mean
from pipeline.bone.median import median
from pipeline.records import Bone, Float, Point

WORK_SIDE = 160.0
"""Pixels: square root of the bone's area in the small picture. Marks at this size are 3 px or more."""
MEDIAN_OF = 16
"""The bone's median is that of every so many pixels: thousands are enough."""


@dataclass(frozen=True, slots=True)
class SmallBone:
    """A bone at working size."""

    loss: Float
    """(row, column) opacity loss, the median outside the bone."""
    inside: NDArray[np.uint8]
    """(row, column) 1 on the bone."""
    depth: Float
    """(row, column) distance to the nearest outline, pixels; 0 outside."""
    outline: Float
    """(n, 2) x, y."""
    scale: float
    """Working pixels a scan pixel."""
    origin: Point
    """Scan pixel (x, y) of the working pixel (0, 0)."""
    level: float
    """Median of `loss` on the bone."""
    scatter: float
    """Robust standard deviation of `loss` on the bone."""

    def to_scan(self, points: NDArray[np.floating]) -> NDArray[np.float64]:
        """Working pixels x, y -> scan pixels."""
        return np.asarray(points, np.float64) / self.scale + self.origin


def shrink(loss: Float, bone: Bone) -> SmallBone:
    """The bone at the size that its focus is sought in. loss : (row, column) opacity loss of the bone's crop."""
    scale = WORK_SIDE / float(np.sqrt(np.count_nonzero(bone.mask)))
    filled = np.where(bone.mask, loss, np.float32(median(loss[bone.mask][::MEDIAN_OF])))
    mask = bone.mask.view(np.uint8) * np.uint8(255)
    if scale < 1:
        small, on_bone = area_mean(filled, scale), area_mean(mask, scale)
    else:
        small = np.asarray(cv2.resize(filled, None, fx=scale, fy=scale), np.float32)
        on_bone = np.asarray(cv2.resize(mask, None, fx=scale, fy=scale))
    pad = 2
    inside = np.pad((on_bone > 127).astype(np.uint8), pad)
    contours, _ = cv2.findContours(inside, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    shift = (0.5 - pad) / scale - 0.5
    edged = np.asarray(np.pad(small, pad, mode="edge"), np.float32)
    blade = edged[inside > 0]
    level = median(blade)
    return SmallBone(
        loss=edged,
        inside=inside,
        depth=np.asarray(cv2.distanceTransform(inside, cv2.DIST_L2, 3), np.float32),
        outline=max(contours, key=cv2.contourArea).reshape(-1, 2).astype(np.float32),
        scale=scale,
        origin=(bone.origin[0] + shift, bone.origin[1] + shift),
        level=level,
        scatter=1.48 * median(np.abs(blade - level)) + 1e-3,
    )
