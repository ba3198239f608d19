"""Brightness -> opacity loss, one scale for every lighting.

A translucent winter zone lets the backing through: dark over a black backing, bright over a white one or a light table.
Written as optical thickness relative to the bone's own median, both lightings (and scanners of any exposure) give the
same number, and one set of thresholds serves all.
"""

from __future__ import annotations

import numpy as np

from pipeline.records import Bone, Float

DISPLAY_GAMMA = 2.2
"""Scanners store brightness raised to about 1 / 2.2 (sRGB); undone so that light adds up linearly."""
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
    light = np.power(np.clip(bone.grey, 0, 1), np.float32(DISPLAY_GAMMA))
    backing = np.power(np.clip(bone.backing, 1e-3, 1), np.float32(DISPLAY_GAMMA))
    if bone.dark_backing:
        reflectance = np.clip(light - backing, 0, WHITEST)
        thickness = reflectance / (1 - reflectance)
    else:
        thickness = -np.log(np.clip(light / backing, 1e-4, 1))
    inside = thickness[bone.mask]
    median = float(np.median(inside[:: max(1, inside.size // 20000)])) if inside.size else 1.0
    return np.asarray(-np.log(thickness / np.float32(max(median, 1e-4)) + np.float32(FLOOR)), np.float32)
