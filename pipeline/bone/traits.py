"""Numbers about a bone as a whole, and the reasons for a person to look that they give."""

from __future__ import annotations

import cv2
import numpy as np

from pipeline.bone.median import median
from pipeline.bone.rim import INNERMOST_PX, hollows, levels
from pipeline.records import Axis, Bone, Point, RadialProfile, Strip
from pipeline.settings.whole import Settings

OUTLINE_POINTS = 240
"""Points that an outline is kept with: enough to draw it."""
STEEPEST_WITHIN_PX = 3
"""Pixels from the outline within which its steepest place is sought: the outline is right to a pixel or two."""
STEP_WITHIN_PX = 15
"""Pixels from the outline within which brightness has risen to that of the bone, however blurred: a nearer reach would
take a part of a wide step for the whole of a narrow one."""

TRAITS = (
    "sharpness_px",
    "damaged_share",
    "base",
    "rim_level",
    "noise",
    "coverage",
    "focus_certainty",
    "likeness",
    "margin_1",
    "margin_2",
    "margin_3",
    "margin_4",
    "hollow_1",
    "hollow_2",
    "hollow_3",
    "hollow_4",
)
"""Names of a bone's own numbers."""


def bone_traits(bone: Bone, strip: Strip, profile: RadialProfile, axis: Axis, damaged_share: float) -> dict[str, float]:
    """Numbers about the bone, as named by `TRAITS`; `damaged_share` as `find_damage` gives it."""
    margin = int(min(profile.margin, len(profile.value) - 1))
    blade = profile.value[int(0.3 * margin) : max(int(0.95 * margin), int(0.3 * margin) + 1)]
    outer = profile.value[max(margin - int(0.03 * margin) - 1, 0) : max(margin - 1, 1)]
    radius_px = profile.margin / profile.samples_per_px
    (hollow,) = hollows(strip.rim, radius_px, np.array([INNERMOST_PX]))
    return {
        "sharpness_px": _sharpness(bone),
        "damaged_share": damaged_share,
        "base": strip.base,
        "rim_level": float(np.clip(np.mean(outer) - median(blade), -3, 3)) if len(outer) and len(blade) else 0.0,
        "noise": median(profile.standard_error[int(0.2 * margin) : margin + 1]),
        "coverage": float(profile.coverage[int(0.3 * margin) : margin + 1].mean()),
        "focus_certainty": axis.certainty,
        "likeness": bone.likeness,
        **{f"margin_{k}": level for k, level in enumerate(levels(strip.rim, radius_px), start=1)},
        **{f"hollow_{k}": deep for k, deep in enumerate(hollow.tolist(), start=1)},
    }


def bone_reasons(bone: Bone, traits: dict[str, float], settings: Settings) -> tuple[str, ...]:
    """Codes for what the pixels alone show to be doubtful."""
    limits = settings.reading
    found = {
        "damaged": traits["damaged_share"] > limits.damaged_above,
        "cut-off": bone.cut_off,
        "blurred": traits["sharpness_px"] > limits.blurred_above_px,
        "lighting-unsure": bone.lighting_probability < limits.lighting_unsure_below,
        "focus-unsure": traits["focus_certainty"] < settings.focus.unsure_below,
        "no-bone": bone.likeness < limits.no_bone_below,
    }
    return tuple(code for code, true in found.items() if true)


def simple_outline(bone: Bone) -> tuple[Point, ...]:
    """The outline with few enough points to keep."""
    every = max(1, len(bone.outline) // OUTLINE_POINTS)
    return tuple((round(float(x), 1), round(float(y), 1)) for x, y in bone.outline[::every])


def _sharpness(bone: Bone) -> float:
    """Width in pixels of the sharpest steps on the bone: brightness step over steepest slope, in scan pixels of the
    crop.

    The outline against the backing is the strongest edge there is; a sharp scan shows it within two or three pixels on
    some stretch at least, however bevelled the margin is elsewhere.
    """
    contrast = np.abs(bone.grey - bone.backing)
    smooth = cv2.GaussianBlur(contrast, (0, 0), 0.7)
    slope = (
        cv2.magnitude(cv2.Sobel(smooth, cv2.CV_32F, 1, 0, ksize=3), cv2.Sobel(smooth, cv2.CV_32F, 0, 1, ksize=3)) / 8
    )
    x = np.clip(np.round(bone.outline[::3, 0] - bone.origin[0]).astype(int), 0, contrast.shape[1] - 1)
    y = np.clip(np.round(bone.outline[::3, 1] - bone.origin[1]).astype(int), 0, contrast.shape[0] - 1)
    steepest = cv2.dilate(slope, np.ones((2 * STEEPEST_WITHIN_PX + 1,) * 2, np.uint8))[y, x]
    # Brightness changes slowly off the edge: every third pixel is enough.
    sparse = np.ascontiguousarray(smooth[::3, ::3])
    step = cv2.dilate(sparse, np.ones((2 * (STEP_WITHIN_PX // 3) + 1,) * 2, np.uint8))[y // 3, x // 3]
    return float(np.percentile(step / np.maximum(steepest, 1e-4), 25))
