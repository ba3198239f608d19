"""Which way a bone was lit: reflected light on a dark backing, or a bright one behind it."""

from __future__ import annotations

import numpy as np

_GREY_BACKING = 0.47  # brightness of the backing at which dark and bright are equally probable
_GREY_BACKING_WIDTH = 0.05  # brightness by which the odds change by a factor of e (2.7)
# Logarithm of the odds added when the whole bone is brighter than the backing, taken off when it is darker.
_BONE_SIDE_WEIGHT = 1.5


def decide_lighting(backing: float, share_brighter: float, given: str) -> tuple[bool, float]:
    """Whether the backing is dark (reflected light), and the probability that this is right.

    `backing` is its brightness 0..1 about the bone, `share_brighter` the share of the bone that is brighter than it,
    `given` what the specimens table says (`reflected`, `transmitted` or blank): it overrides the pixels. The logarithm
    of the odds is the sum of those of backing and bone, which are taken to be independent.
    """
    if given:
        return given == "reflected", 1.0
    odds = (_GREY_BACKING - backing) / _GREY_BACKING_WIDTH + _BONE_SIDE_WEIGHT * (2 * share_brighter - 1)
    reflected = float(1 / (1 + np.exp(-np.clip(odds, -12, 12))))
    return reflected >= 0.5, max(reflected, 1 - reflected)
