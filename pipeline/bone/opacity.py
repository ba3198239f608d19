"""Brightness -> opacity loss, one scale for every lighting.

A translucent winter zone lets the backing through: dark over a black backing, bright over a white one or a light table.
Written as optical thickness relative to the bone's own median, both lightings (and scanners of any exposure) give the
same number, and one set of thresholds serves all.
"""

from __future__ import annotations

import cv2
import numpy as np

from pipeline.bone.median import median
from pipeline.records import Bone, Float

DISPLAY_GAMMA = 2.2
"""Scanners store brightness raised to about 1 / 2.2 (sRGB); undone so that light adds up linearly."""
DARKEST = 1e-3
"""Brightness; below any step of an 8-bit scan, and its logarithm is finite."""
FLOOR = 0.1
"""Share of the median thickness below which nothing can be told apart: keeps the logarithm finite where bone is
thinnest."""
WHITEST = 0.97
"""Reflectance is cut here: glare would give an infinite thickness."""


def opacity_loss(bone: Bone) -> Float:
    """Opacity loss of every pixel, (row, column): larger where more translucent; about 0 at the bone's median.

    Reflected light: thickness goes as b / (1 - b) of the reflectance b over that of the backing (two-flux theory for a
    diffusing layer; its unit cancels against the median). Otherwise: Beer-Lambert, minus the logarithm of the
    brightness relative to the backing's.
    """
    light, backing = _linear(bone.grey), _linear(bone.backing)
    if bone.dark_backing:
        reflectance = np.clip(light - backing, 0, WHITEST)
        thickness = reflectance / (1 - reflectance)
    else:
        thickness = -np.asarray(cv2.log(np.clip(light / backing, 1e-4, 1)))
    inside = thickness[bone.mask]
    usual = median(inside[:: max(1, inside.size // 20000)]) if inside.size else 1.0
    relative = np.asarray(thickness / np.float32(max(usual, 1e-4)) + np.float32(FLOOR), np.float32)
    return -np.asarray(cv2.log(relative), np.float32)


def _linear(brightness: Float) -> Float:
    """Light, 0..1, from stored brightness."""
    # A power by logarithm and exponential, each vectorised: a third of the time of `np.power`.
    return np.asarray(cv2.exp(cv2.log(np.clip(brightness, DARKEST, 1)) * DISPLAY_GAMMA), np.float32)
