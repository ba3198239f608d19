"""Colours and strokes of the pictures.

The classes of mark lie on the axis from yellow to blue and on that from light to dark, which every common kind of
colour vision keeps; each class also has a line style and a tag shape of its own, so that no class rests on colour
alone. Every stroke lies on a dark halo, so that it shows on dark and on bright backing alike.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.pictures.lettering import Colour

Polyline = NDArray[np.float64]
"""(n, 2) points x, y in picture pixels."""

# Counted marks: the lightest colour of the set, so that they are what one sees first.
COUNTED: Colour = (255, 205, 56)
# Counted although nothing shows it: blue, the opposite of yellow for every kind of colour vision.
INFERRED: Colour = (84, 182, 255)
# Seen and not counted: pale and without hue, thin and dotted.
REJECTED: Colour = (214, 214, 220)
# What a person must settle: a dark orange-red, far below the yellow in lightness.
DOUBT: Colour = (224, 62, 16)
# Axis and focus: white, since no class of mark is.
AXIS: Colour = (255, 255, 255)
# The outline: a mid violet that stands out from black and from white backing.
OUTLINE: Colour = (128, 112, 240)
HALO: Colour = (16, 18, 24)

PAPER: Colour = (247, 245, 239)
INK: Colour = (24, 26, 32)
QUIET: Colour = (96, 98, 106)
RULE: Colour = (206, 202, 192)
DOUBT_PAPER: Colour = (255, 228, 214)
DOUBT_INK: Colour = (150, 34, 4)

_SUBPIXEL_BITS = 4
_SUBPIXELS = 1 << _SUBPIXEL_BITS


def sheet(height: int, width: int, colour: Colour = PAPER) -> NDArray[np.uint8]:
    """An empty picture (row, column, 3) of one colour."""
    # A whole row at a time: three bytes at a time would take longer than all the drawing.
    picture = np.empty((height, width, 3), np.uint8)
    picture[:] = np.full((width, 3), colour, np.uint8)
    return picture


def stroke(
    picture: NDArray[np.uint8],
    lines: Sequence[Polyline],
    colour: Colour,
    *,
    width: int = 2,
    halo: int = 2,
    closed: bool = False,
) -> None:
    """Draw polylines on a picture (row, column, 3) in place, `width` pixels wide, on a halo `halo` pixels wider."""
    points = [np.round(line * _SUBPIXELS).astype(np.int32).reshape(-1, 1, 2) for line in lines if len(line) > 1]
    if not points:
        return
    if halo:
        cv2.polylines(picture, points, closed, HALO, width + halo, cv2.LINE_AA, _SUBPIXEL_BITS)
    cv2.polylines(picture, points, closed, colour, width, cv2.LINE_AA, _SUBPIXEL_BITS)


def disc(picture: NDArray[np.uint8], centre: tuple[float, float], radius: float, colour: Colour) -> None:
    """Draw a filled disc in place."""
    at = (round(centre[0] * _SUBPIXELS), round(centre[1] * _SUBPIXELS))
    cv2.circle(picture, at, round(radius * _SUBPIXELS), colour, -1, cv2.LINE_AA, _SUBPIXEL_BITS)


def ring(picture: NDArray[np.uint8], centre: tuple[float, float], radius: float, colour: Colour) -> None:
    """Draw a thin circle on its halo in place."""
    at = (round(centre[0] * _SUBPIXELS), round(centre[1] * _SUBPIXELS))
    for ink, width in ((HALO, 3), (colour, 1)):
        cv2.circle(picture, at, round(radius * _SUBPIXELS), ink, width, cv2.LINE_AA, _SUBPIXEL_BITS)


def block(picture: NDArray[np.uint8], box: tuple[float, float, float, float], colour: Colour) -> None:
    """Fill a rectangle (left, top, right, bottom) in place."""
    left, top, right, bottom = (round(v) for v in box)
    picture[max(top, 0) : max(bottom, 0), max(left, 0) : max(right, 0)] = colour


def pieces(line: Polyline, on: float, off: float) -> list[Polyline]:
    """A polyline cut into dashes `on` pixels long with gaps of `off` pixels between them."""
    along = lengths(line)
    if len(line) < 2 or along[-1] <= 0:
        return []
    starts = np.arange(0.0, along[-1], on + off)
    cuts = []
    for start in starts:
        end = min(start + on, along[-1])
        inside = along[(along > start) & (along < end)]
        at = np.concatenate(([start], inside, [end]))
        cuts.append(np.column_stack([np.interp(at, along, line[:, 0]), np.interp(at, along, line[:, 1])]))
    return cuts


def lengths(line: Polyline) -> NDArray[np.float64]:
    """(n,) distance along the polyline to each of its points, pixels."""
    steps = np.hypot(*np.diff(line, axis=0).T) if len(line) > 1 else np.zeros(0)
    return np.concatenate(([0.0], np.cumsum(steps)))


def spread(wanted: Iterable[float], apart: float, low: float, high: float) -> NDArray[np.float64]:
    """Places as near as possible (least squares) to the wanted ones, in their order, at least `apart` from each other.

    `wanted` ascends. The places keep within `low` to `high`, closer together where there is no room for all.
    Isotonic regression of the places less their rank.
    """
    # Here, because it takes half a second to import, and only processes that draw need it.
    from scipy.optimize import isotonic_regression

    values = np.asarray(list(wanted), dtype=np.float64)
    if not len(values):
        return values
    rank = min(apart, (high - low) / max(len(values) - 1, 1)) * np.arange(len(values))
    placed: NDArray[np.float64] = np.clip(isotonic_regression(values - rank).x, low, high - rank[-1]) + rank
    return placed
