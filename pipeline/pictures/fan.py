"""Where marks run across the fan of a bone: arcs in scan pixels, and the side of the axis on which they are traced."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from pipeline.pictures.ink import Polyline
from pipeline.records import AgedMark, Axis, Point

# Degrees from the axis over which a mark without a trace of its own is drawn: the part of the fan that every bone has.
_HALF_FAN = 35.0
_RAYS = 36
# A trace of fewer points than this says nothing about how marks run.
_LEAST_POINTS = 5


def polar(points: Polyline, axis: Axis) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Degrees from the growth axis and distance from the focus of (n, 2) points."""
    out = points - np.asarray(axis.focus)
    along = np.asarray(axis.tip) - np.asarray(axis.focus)
    turned = np.arctan2(out[:, 1], out[:, 0]) - np.arctan2(along[1], along[0])
    return np.degrees((turned + np.pi) % (2 * np.pi) - np.pi), np.hypot(out[:, 0], out[:, 1])


def points_at(angle: NDArray[np.float64], radius: NDArray[np.float64], axis: Axis) -> Polyline:
    """(n, 2) scan points at degrees from the growth axis and distances from the focus."""
    along = np.asarray(axis.tip) - np.asarray(axis.focus)
    turned = np.radians(angle) + np.arctan2(along[1], along[0])
    return np.column_stack([axis.focus[0] + radius * np.cos(turned), axis.focus[1] + radius * np.sin(turned)])


def arc_of(mark: AgedMark, marks: Sequence[AgedMark], axis: Axis, outline: Sequence[Point]) -> Polyline:
    """The mark across the fan: its own trace and no more; an inferred one in the shape of its neighbours or of the
    margin."""
    if mark.inferred:
        return arc_through(mark.radius_px, marks, axis, outline)
    return _rounded(np.asarray(mark.arc, dtype=np.float64).reshape(-1, 2), axis)


def _rounded(trace: Polyline, axis: Axis) -> Polyline:
    """The trace with points every degree, on a curve that swings past none of its own (Fritsch and Carlson 1980)."""
    angle, radius = polar(trace, axis)
    if len(trace) < _LEAST_POINTS or not np.all(np.diff(angle) > 0):
        return trace
    # Here, because it takes half a second to import, and only processes that draw need it.
    from scipy.interpolate import PchipInterpolator

    fine = np.linspace(angle[0], angle[-1], max(2, round(angle[-1] - angle[0]) + 1))
    return points_at(fine, PchipInterpolator(angle, radius)(fine), axis)


def arc_through(radius_px: float, marks: Sequence[AgedMark], axis: Axis, outline: Sequence[Point]) -> Polyline:
    """(n, 2) the shape of the nearest traced mark, else of the margin, made to cross the axis at `radius_px`."""
    traced = [m for m in marks if len(m.arc) >= _LEAST_POINTS]
    if traced:
        nearest = min(traced, key=lambda m: abs(np.log(m.radius_px / radius_px)))
        shape = np.asarray(nearest.arc, dtype=np.float64)
        angle, radius = polar(shape, axis)
        order = np.argsort(angle)
        angle, radius = angle[order], radius[order]
    else:
        angle = np.linspace(-_HALF_FAN, _HALF_FAN, _RAYS + 1)
        radius = _margin(angle, axis, outline)
    on_axis = float(np.interp(0.0, angle, radius))
    return points_at(angle, radius * (radius_px / on_axis), axis)


def _margin(angle: NDArray[np.float64], axis: Axis, outline: Sequence[Point]) -> NDArray[np.float64]:
    """(n,) distance from the focus to the margin at each angle, from the outline's points beyond half the radius."""
    found, radius = polar(np.asarray(outline, dtype=np.float64).reshape(-1, 2), axis)
    far = (radius > axis.radius_px / 2) & (np.abs(found) < 2 * _HALF_FAN)
    if far.sum() < _LEAST_POINTS:
        return np.full_like(angle, axis.radius_px)
    order = np.argsort(found[far])
    return np.interp(angle, found[far][order], radius[far][order])


def wider_side(arcs: Sequence[Polyline], axis: Axis) -> int:
    """1 or -1: the side of the growth axis (1: positive angles) on which the arcs reach farther."""
    reach = 0.0
    for arc in arcs:
        if not len(arc):
            continue
        angle, _ = polar(arc, axis)
        reach += float(angle.max() + angle.min())
    return 1 if reach >= 0 else -1


def flank(arc: Polyline, axis: Axis, side: int, clear_px: float) -> Polyline:
    """The part of an arc on one side of the axis that lies at least `clear_px` scan pixels away from it."""
    angle, radius = polar(arc, axis)
    aside = side * radius * np.sin(np.radians(angle))
    return arc[(aside >= clear_px) & (np.abs(angle) < 90)]
