"""Gaussian smoothing that costs the same at every width."""

from __future__ import annotations

import math

import cv2
import numpy as np

from pipeline.records import Float

WIDE = 3.0
"""Standard deviation in samples from which three running means stand in for a Gaussian: they differ from it by less
than a tenth of its peak, and cost the same however wide."""


def smooth(value: Float, sigma_rows: float, sigma_columns: float) -> Float:
    """Gaussian mean over (row, column) with standard deviations in samples; 0 leaves that direction as it is.

    Beyond the border the outermost value goes on.
    """
    out: cv2.typing.MatLike = np.ascontiguousarray(value, np.float32)
    narrow_rows, narrow_columns = (s if s < WIDE else 0.0 for s in (sigma_rows, sigma_columns))
    if narrow_rows > 0 or narrow_columns > 0:
        out = cv2.GaussianBlur(
            out,
            _kernel(narrow_rows, narrow_columns),
            sigmaX=max(narrow_columns, 1e-3),
            sigmaY=max(narrow_rows, 1e-3),
            borderType=cv2.BORDER_REPLICATE,
        )
    tall, wide = (_box_widths(s) if s >= WIDE else (1, 1, 1) for s in (sigma_rows, sigma_columns))
    for height, width in zip(tall, wide, strict=True):
        if height > 1 or width > 1:  # a mean over both directions costs no more than one over either
            out = cv2.blur(out, (width, height), borderType=cv2.BORDER_REPLICATE)
    return np.asarray(out, np.float32)


def smooth_trusted(value: Float, trust: Float, sigma_rows: float, sigma_columns: float) -> Float:
    """Gaussian mean of the trusted samples alone (normalised convolution), the shape of `value`."""
    top = smooth(value * trust, sigma_rows, sigma_columns)
    below = smooth(trust, sigma_rows, sigma_columns)
    return np.asarray(top / np.maximum(below, 1e-3), np.float32)


def _kernel(sigma_rows: float, sigma_columns: float) -> tuple[int, int]:
    return tuple(2 * math.ceil(3 * s) + 1 for s in (sigma_columns, sigma_rows))  # type: ignore[return-value]


def _box_widths(sigma: float) -> tuple[int, int, int]:
    """Three odd widths whose running means together have the standard deviation wanted, as nearly as odd widths can."""
    ideal = math.sqrt(4 * sigma**2 + 1)
    low = int(ideal) if int(ideal) % 2 else int(ideal) - 1
    lows = round((12 * sigma**2 - 3 * low**2 - 12 * low - 9) / (-4 * low - 4))
    lows = min(max(lows, 0), 3)
    widths = [low] * lows + [low + 2] * (3 - lows)
    return widths[0], widths[1], widths[2]
