"""Which way a bone was lit: reflected light on a dark backing, or a bright one behind it."""

from __future__ import annotations

import numpy as np

from pipeline.settings_first_pass import SegmentSettings


def decide_lighting(backing: float, share_brighter: float, given: str, settings: SegmentSettings) -> tuple[bool, float]:
    """Whether the backing is dark (reflected light), and the probability that this is right.

    `backing` is its brightness 0..1 about the bone, `share_brighter` the share of the bone that is brighter than it,
    `given` what the specimens table says (`reflected`, `transmitted` or blank): it overrides the pixels. The logarithm
    of the odds is the sum of what backing and bone say, as if they were independent.
    """
    if given:
        return given == "reflected", 1.0
    odds = (settings.grey_backing - backing) / settings.grey_backing_width + settings.bone_side_weight * (
        2 * share_brighter - 1
    )
    reflected = float(1 / (1 + np.exp(-np.clip(odds, -12, 12))))
    return reflected >= 0.5, max(reflected, 1 - reflected)
