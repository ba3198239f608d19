"""Marks on the bone: the arc of each on one side of the growth axis, its tick, and its tag."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.pictures import fan
from pipeline.pictures.ink import Polyline
from pipeline.pictures.tags import AxisLine, Tag, tags_beside
from pipeline.pictures.view import View
from pipeline.records import Age, AgedMark, Axis, BoneReading

# Share of the axis within which an inferred mark and a hidden first annulus are the same.
_SAME_SHARE = 0.02
# Where ticks begin and end, pixels from the axis towards the traced side.
_COUNTED_TICK = (2.0, 11.0)
_REJECTED_TICK = (-4.0, -26.0)
# Between the last row of tags and the place where arcs begin.
_ARC_CLEARANCE = 8
# Counted marks closer together than this, in picture pixels, are traced with the thinnest line: thicker ones would hide
# the bone.
_CROWDED = 13.0


@dataclass(frozen=True, slots=True)
class Trace:
    """A mark as it is drawn on the bone."""

    mark: AgedMark
    arc: Polyline
    """The traced part on one side of the axis, picture pixels."""
    tick: Polyline
    """The short stroke at the axis, picture pixels."""
    width: int
    """Of the stroke, pixels: thin where marks are crowded."""


def trace_marks(
    reading: BoneReading, age: Age, axis: Axis, view: View
) -> tuple[tuple[Trace, ...], Polyline | None, list[Tag]]:
    """Arcs and ticks of all marks, the ring of a hidden one, and tags of the counted ones and of what is in doubt.

    All but the rejected marks' short ticks lies on one side of the axis: the other shows the bone bare.
    """
    arcs = [fan.arc_of(m, age.marks, axis, reading.outline) for m in age.marks]
    counted = [m for m in age.marks if m.counted]
    side = fan.wider_side([a for a, m in zip(arcs, age.marks, strict=True) if m.counted], axis)
    start, end = (np.asarray(view.point(p)) for p in (axis.focus, axis.tip))
    along = (end - start) / max(float(np.hypot(*(end - start))), 1.0)
    # Positive angles turn from x towards y, so does this normal.
    line = AxisLine(start, along, side * np.asarray([-along[1], along[0]]), axis.radius_px * view.zoom)

    tags, tagged = tags_beside(age, counted, line, view.zoom)
    clear = (tagged + _ARC_CLEARANCE) / view.zoom
    traces = []
    for mark, arc in zip(age.marks, arcs, strict=True):
        along_px = mark.radius_px * view.zoom
        reach = _COUNTED_TICK if mark.counted else _REJECTED_TICK
        tick = np.asarray([line.at(along_px, r) for r in reach])
        near = min((abs(m.radius_px - mark.radius_px) for m in counted if m is not mark), default=np.inf) * view.zoom
        # An inferred mark where a first annulus may be hidden is shown by that one's ring alone.
        in_doubt = mark.inferred and _same_place(mark.radius_px, age.hidden_first_px, axis)
        part = view(fan.flank(arc, axis, side, clear)) if mark.counted and not in_doubt else tick[:0]
        traces.append(Trace(mark, part, tick, 2 if near >= _CROWDED else 1))
    hidden = None
    if age.hidden_first_px is not None:
        arc = fan.arc_through(age.hidden_first_px, age.marks, axis, reading.outline)
        hidden = view(fan.flank(arc, axis, side, clear))
    return tuple(traces), hidden, tags


def _same_place(radius_px: float, hidden_px: float | None, axis: Axis) -> bool:
    return hidden_px is not None and abs(radius_px - hidden_px) < _SAME_SHARE * axis.radius_px
