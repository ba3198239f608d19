"""Plain measures and operations on masks, used wherever an outline is handled."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.records import Mask


def disc(radius: int) -> NDArray[np.uint8]:
    """A structuring element: all pixels within `radius` of the centre, (row, column)."""
    return np.asarray(cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * radius + 1, 2 * radius + 1)), np.uint8)


def disc_opened(binary: NDArray[np.uint8], radius: float) -> NDArray[np.uint8]:
    """Opening with a disc by distances: its cost does not grow with the radius."""
    inner = cv2.distanceTransform(binary, cv2.DIST_L2, 3) > radius
    if not inner.any():
        return np.zeros_like(binary)
    outer = cv2.distanceTransform((~inner).astype(np.uint8), cv2.DIST_L2, 3)
    return np.asarray(outer <= radius, np.uint8) & binary


def largest(binary: NDArray[np.uint8]) -> Mask:
    """The largest connected part; empty when the mask is."""
    count, labels, stats, _ = cv2.connectedComponentsWithStats(binary, connectivity=4)
    if count < 2:
        return np.zeros(binary.shape, bool)
    return np.asarray(labels == 1 + int(np.argmax(stats[1:, cv2.CC_STAT_AREA])))


def largest_filled(binary: NDArray[np.uint8]) -> Mask:
    """The largest connected part with its holes filled, found by its outline alone; empty when the mask is."""
    contours, _ = cv2.findContours(binary, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    out = np.zeros(binary.shape, np.uint8)
    if contours:
        cv2.drawContours(out, [max(contours, key=cv2.contourArea)], -1, 1, -1)
    return np.asarray(out > 0)


def outer_contour(mask: Mask) -> NDArray[np.int32]:
    """(n, 2) pixels x, y of the outermost ring of the largest part, closed, in order."""
    contours, _ = cv2.findContours(mask.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    return np.asarray(max(contours, key=len), np.int32).reshape(-1, 2)


def filled(mask: Mask) -> Mask:
    """The mask with every hole filled."""
    contours, _ = cv2.findContours(mask.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    return np.asarray(cv2.drawContours(np.zeros(mask.shape, np.uint8), contours, -1, 1, -1) > 0)


def solidity(mask: Mask) -> float:
    """Area as a share of the convex hull's; 1 for a convex shape, 0 for an empty one."""
    area = float(np.count_nonzero(mask))
    if not area:
        return 0.0
    contours, _ = cv2.findContours(mask.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
    hull = cv2.convexHull(np.concatenate(contours))
    # The hull runs through pixel centres; half a pixel all round is missing from its area.
    return min(1.0, area / (cv2.contourArea(hull) + 0.5 * cv2.arcLength(hull, True) + 1))
