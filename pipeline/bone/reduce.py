"""Large bones are read at a reduced size; what was read is put back into scan pixels."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np

from pipeline.records import Axis, Bone, BoneReading, Point, frozen


def reduce(bone: Bone, longest_px: float) -> tuple[Bone, float]:
    """The bone with its longer side at most `longest_px`, and the reduced pixels a scan pixel.

    The result is the bone as a scan of lower resolution would show it: its coordinates are reduced pixels.
    """
    scale = min(1.0, longest_px / max(bone.grey.shape))
    if scale == 1.0:
        return bone, 1.0
    rows, columns = bone.grey.shape
    size = (max(1, round(columns * scale)), max(1, round(rows * scale)))
    # The size is a whole number of pixels; the scale is what it really is, along the longer side.
    scale = max(size) / max(rows, columns)
    grey = np.asarray(cv2.resize(bone.grey, size, interpolation=cv2.INTER_AREA), np.float32)
    backing = np.asarray(cv2.resize(bone.backing, size, interpolation=cv2.INTER_AREA), np.float32)
    mask = cv2.resize(bone.mask.astype(np.float32), size, interpolation=cv2.INTER_AREA) > 0.5
    outline = ((bone.outline + 0.5) * np.float32(scale) - 0.5).astype(np.float32)
    for a in (grey, backing, mask, outline):
        frozen(a)
    # Pixel 0 of the crop covers scan pixels origin - 0.5 .. ; its reduced centre lies half a reduced pixel further in.
    first = (bone.origin[0] * scale, bone.origin[1] * scale)
    return replace(bone, grey=grey, backing=backing, mask=mask, outline=outline, origin=first), scale


def enlarge(reading: BoneReading, scale: float) -> BoneReading:
    """The reading with every length and position in scan pixels instead of reduced ones."""
    if scale == 1.0:
        return reading

    def point(p: Point) -> Point:
        return ((p[0] + 0.5) / scale - 0.5, (p[1] + 0.5) / scale - 0.5)

    axis = reading.axis
    return replace(
        reading,
        outline=tuple(point(p) for p in reading.outline),
        damage=reading.damage and point(reading.damage),
        axis=axis
        and Axis(focus=point(axis.focus), tip=point(axis.tip), certainty=axis.certainty, by_hand=axis.by_hand),
        marks=tuple(
            replace(
                m,
                x=point((m.x, m.y))[0],
                y=point((m.x, m.y))[1],
                radius_px=m.radius_px / scale,
                arc=tuple(point(p) for p in m.arc),
            )
            for m in reading.marks
        ),
    )
