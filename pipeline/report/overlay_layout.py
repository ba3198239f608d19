"""Where everything on an overlay stands, before anything is drawn.

From top to bottom: the bone with its marks on the left and the caption on its right, a footer with the scale, and the
band: the bone along its growth axis once more, enlarged and turned level, with ticks above and below it and nothing
upon it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.records import Age, AgedMark, Axis, BoneReading, Point, Specimen
from pipeline.report import fan, ink
from pipeline.report.caption import Caption, caption
from pipeline.report.ink import Polyline
from pipeline.report.lettering import Box, Words, extent
from pipeline.settings import PictureSettings

CAPTION_WIDTH = 360
_MARGIN = 18
_LEAST_VIEW_HEIGHT = 540
# Room around the outline for tags beyond the tip and behind the focus.
_PADDING = 48
# A bone of a small fish fills no picture by honest means: beyond this, pixels of the scan turn into blobs.
_MOST_ZOOM = 5.0
_FOOTER_HEIGHT = 28
_LEGEND_HEIGHT = 30

TAG_SIZE = 18
"""Side of a tag in pixels."""
_TAG_TEXT = 12
_TAG_APART = TAG_SIZE + 3
# From the axis to the middle of the first row of tags, and on to the next row.
_TAG_ASIDE = 26
_ROW_APART = TAG_SIZE + 3
# Between the last row of tags and the place where arcs begin.
_ARC_CLEARANCE = 8
# Counted marks closer together than this, in picture pixels, are traced with the thinnest line: thicker ones would hide
# the bone.
_CROWDED = 13.0

BAND_HEIGHT = 118
_BAND_TITLE = 24
_BAND_TAGS = 34
BAND_BARS = 34
"""Height of the bars of probability below the band, at probability 1."""
# Share of the axis shown behind the focus and beyond the tip.
_BEHIND, _BEYOND = 0.05, 0.08
_MOST_BAND_ZOOM = 6.0

_SCALE_BARS_MM = (20.0, 10.0, 5.0, 2.0, 1.0, 0.5, 0.2, 0.1)
_MOST_SCALE_BAR = 170.0
_MM_PER_INCH = 25.4


@dataclass(frozen=True, slots=True)
class Tag:
    """A number or question mark on a plate, tied by a leader to what it names."""

    text: str
    kind: str
    """`counted`, `inferred` or `doubt`."""
    x: float
    y: float
    """Middle of the plate."""
    leader: tuple[Point, ...]

    @property
    def box(self) -> Box:
        """The plate."""
        half = TAG_SIZE / 2
        return self.x - half, self.y - half, self.x + half, self.y + half

    @property
    def words(self) -> Words:
        """The text, centred on the plate."""
        width, height = extent(self.text, _TAG_TEXT, True)
        colour = ink.PAPER if self.kind == "doubt" else ink.HALO
        return Words(self.text, self.x - width / 2, self.y - height / 2, _TAG_TEXT, colour, bold=True)


@dataclass(frozen=True, slots=True)
class View:
    """A similarity from scan pixels to picture pixels, and the rectangle of the picture that it fills."""

    matrix: NDArray[np.float64]
    """(2, 3)."""
    box: Box

    @property
    def zoom(self) -> float:
        """Picture pixels a scan pixel."""
        return float(np.hypot(self.matrix[0, 0], self.matrix[1, 0]))

    def __call__(self, points: Polyline) -> Polyline:
        """(n, 2) scan points in picture pixels."""
        moved: Polyline = points @ self.matrix[:, :2].T + self.matrix[:, 2]
        return moved

    def point(self, point: Point) -> Point:
        """One scan point in picture pixels."""
        x, y = self(np.asarray([point], dtype=np.float64))[0]
        return float(x), float(y)


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


@dataclass(frozen=True, slots=True)
class Layout:
    """All places on one overlay, picture pixels."""

    width: int
    height: int
    view: View
    band: View | None
    outline: Polyline
    axis: Polyline | None
    traces: tuple[Trace, ...]
    hidden: Polyline | None
    """The ring of a hidden first annulus."""
    tags: tuple[Tag, ...]
    band_ticks: tuple[tuple[AgedMark, float], ...]
    """Each candidate mark and its x on the band."""
    band_hidden: float | None
    band_margin: float | None
    scale_bar: tuple[float, float, float] | None
    """Left, right and y of the scale bar."""
    legend: tuple[tuple[str, float, float], ...]
    """Each class on the picture with the left end and the middle height of its sample."""
    words: tuple[Words, ...]
    caption: Caption


def lay_out(reading: BoneReading, age: Age, specimen: Specimen, settings: PictureSettings) -> Layout:
    """Places for the bone, its marks, their tags and all text of one overlay, `settings.overlay_width_px` wide."""
    width = settings.overlay_width_px
    view_width = width - CAPTION_WIDTH
    text = caption(reading, age, specimen, view_width + _MARGIN, _MARGIN - 6, CAPTION_WIDTH - 2 * _MARGIN)
    outline = np.asarray(reading.outline, dtype=np.float64).reshape(-1, 2)
    least = max(_LEAST_VIEW_HEIGHT, text.height - _FOOTER_HEIGHT)
    view = _view(outline, view_width, least, max(least, settings.overlay_most_height_px))
    foot = view.box[3]
    words, scale_bar = _footer(reading, view, foot)

    axis, band = reading.axis, None
    traces: tuple[Trace, ...] = ()
    tags: list[Tag] = []
    ticks: tuple[tuple[AgedMark, float], ...] = ()
    hidden = band_hidden = band_margin = axis_line = None
    bottom = foot + _FOOTER_HEIGHT
    if axis is not None:
        axis_line = view(np.asarray([axis.focus, axis.tip], dtype=np.float64))
        traces, tags = _marks(reading, age, axis, view)
        band = _band(axis, width, bottom + _BAND_TITLE + _BAND_TAGS)
        ticks = tuple((m, _on_band(band, axis, m.radius_px)) for m in age.marks)
        band_margin = _on_band(band, axis, axis.radius_px)
        if age.hidden_first_px is not None:
            hidden = view(fan.arc_through(age.hidden_first_px, age.marks, axis, reading.outline))
            band_hidden = _on_band(band, axis, age.hidden_first_px)
        tags += _band_tags(band, ticks, band_hidden)
        title = (
            f"Along the growth axis from the focus, enlarged {band.zoom:.1f} times: above as scanned, below with "
            "brightness evened out. Bars: probability of each mark"
        )
        words.append(Words(title, _MARGIN, bottom + 5, 13, ink.QUIET))
        bottom = band.box[3] + BAND_BARS + 12
    legend, legend_words = _legend(age, bottom, width) if axis is not None else ((), [])
    return Layout(
        width=width,
        height=round(bottom + (_LEGEND_HEIGHT if legend else 0)),
        view=view,
        band=band,
        outline=view(outline),
        axis=axis_line,
        traces=traces,
        hidden=hidden,
        tags=tuple(tags),
        band_ticks=ticks,
        band_hidden=band_hidden,
        band_margin=band_margin,
        scale_bar=scale_bar,
        legend=legend,
        words=(*words, *legend_words, *text.words),
        caption=text,
    )


def _view(outline: Polyline, width: float, least_height: float, most_height: float) -> View:
    low, high = outline.min(axis=0), outline.max(axis=0)
    size = np.maximum(high - low, 1.0)
    room = np.asarray([width - 2 * _PADDING, most_height - 2 * _PADDING])
    zoom = min(float((room / size).min()), _MOST_ZOOM)
    height = float(np.clip(round(size[1] * zoom + 2 * _PADDING), least_height, most_height))
    shift = np.asarray([width, height]) / 2 - zoom * (low + high) / 2
    return View(np.asarray([[zoom, 0.0, shift[0]], [0.0, zoom, shift[1]]]), (0.0, 0.0, width, height))


def _footer(reading: BoneReading, view: View, top: float) -> tuple[list[Words], tuple[float, float, float] | None]:
    """The scale bar with its length, and how much the bone is enlarged."""
    shown = f"enlarged {view.zoom:.2f} times" if view.zoom >= 1 else f"shown at {view.zoom:.2f} of its pixels"
    if reading.dpi is None:
        return [Words(f"no resolution: millimetres unknown · {shown}", _MARGIN, top + 6, 13, ink.INK)], None
    pixels_per_mm = reading.dpi / _MM_PER_INCH * view.zoom
    length = next((mm for mm in _SCALE_BARS_MM if mm * pixels_per_mm <= _MOST_SCALE_BAR), _SCALE_BARS_MM[-1])
    right = _MARGIN + length * pixels_per_mm
    words = Words(f"{length:g} mm · {reading.dpi:g} dpi · {shown}", right + 10, top + 6, 13, ink.INK)
    return [words], (_MARGIN, right, top + _FOOTER_HEIGHT / 2)


def _marks(reading: BoneReading, age: Age, axis: Axis, view: View) -> tuple[tuple[Trace, ...], list[Tag]]:
    """Arcs and ticks of all marks, and tags of the counted ones and of what is in doubt."""
    start, end = (np.asarray(view.point(p)) for p in (axis.focus, axis.tip))
    length = max(float(np.hypot(*(end - start))), 1.0)
    along = (end - start) / length
    # Positive angles turn from x towards y, so does this normal.
    normal = np.asarray([-along[1], along[0]])
    arcs = [fan.arc_of(m, age.marks, axis, reading.outline) for m in age.marks]
    counted = [m for m in age.marks if m.counted]
    side = fan.wider_side([a for a, m in zip(arcs, age.marks, strict=True) if m.counted], axis)

    low, high = -TAG_SIZE, length + TAG_SIZE
    # Along a slanting axis, plates with level edges need more room.
    apart = _TAG_APART / float(np.abs(along).max())
    rows = max(1, int(np.ceil((len(counted) - 1) * apart / (high - low))))
    tags = []
    for row in range(rows):
        members = counted[row::rows]
        places = ink.spread([m.radius_px * view.zoom for m in members], apart, low, high)
        for mark, place in zip(members, places, strict=True):
            middle = start + along * place + side * normal * (_TAG_ASIDE + row * _ROW_APART)
            root = start + along * mark.radius_px * view.zoom + side * normal * 9
            tags.append(_tag(mark, middle, root))
    clear = (_TAG_ASIDE + (rows - 1) * _ROW_APART + TAG_SIZE / 2 + _ARC_CLEARANCE) / view.zoom
    traces = []
    for mark, arc in zip(age.marks, arcs, strict=True):
        crossing = start + along * mark.radius_px * view.zoom
        # Counted marks on the traced side; rejected ones on the other, where nothing else is drawn.
        reach = (2.0, 11.0) if mark.counted else (-4.0, -26.0)
        tick = np.asarray([crossing + side * normal * r for r in reach])
        near = min((abs(m.radius_px - mark.radius_px) for m in counted if m is not mark), default=np.inf) * view.zoom
        part = view(fan.flank(arc, axis, side, clear)) if mark.counted else tick[:0]
        traces.append(Trace(mark, part, tick, 2 if near >= _CROWDED else 1))
    doubts: list[tuple[float, float]] = []
    if age.hidden_first_px is not None:
        doubts.append((age.hidden_first_px * view.zoom, float(-side * _TAG_ASIDE)))
    if "focus-unsure" in age.reasons:
        doubts.append((-TAG_SIZE - 8.0, 0.0))
    if "edge-undecided" in age.reasons or "crowded-margin" in age.reasons:
        doubts.append((length + TAG_SIZE + 6.0, 0.0))
    for place, aside in doubts:
        x, y = start + along * place + normal * aside
        tags.append(Tag("?", "doubt", float(x), float(y), ()))
    return tuple(traces), tags


def _tag(mark: AgedMark, middle: NDArray[np.float64], root: NDArray[np.float64]) -> Tag:
    kind = "inferred" if mark.inferred else "counted"
    leader = ((float(root[0]), float(root[1])), (float(middle[0]), float(middle[1])))
    return Tag(str(mark.number), kind, float(middle[0]), float(middle[1]), leader)


def _band(axis: Axis, width: int, top: float) -> View:
    """The growth axis level from left to right, turned and not mirrored."""
    zoom = min((width - 2 * _MARGIN) / ((1 + _BEHIND + _BEYOND) * axis.radius_px), _MOST_BAND_ZOOM)
    along = (np.asarray(axis.tip) - np.asarray(axis.focus)) / axis.radius_px
    turn = zoom * np.asarray([along, [-along[1], along[0]]])
    begin = np.asarray([_MARGIN + _BEHIND * axis.radius_px * zoom, top + BAND_HEIGHT / 2])
    shift = begin - turn @ np.asarray(axis.focus)
    right = _MARGIN + (1 + _BEHIND + _BEYOND) * axis.radius_px * zoom
    return View(np.column_stack([turn, shift]), (_MARGIN, top, right, top + BAND_HEIGHT))


def _on_band(band: View, axis: Axis, radius_px: float) -> float:
    return band.point(axis.focus)[0] + radius_px * band.zoom


def _band_tags(band: View, ticks: Sequence[tuple[AgedMark, float]], hidden: float | None) -> list[Tag]:
    named = [(x, m) for m, x in ticks if m.counted]
    entries: list[tuple[float, AgedMark | None]] = [*named]
    if hidden is not None:
        entries.append((hidden, None))
    entries.sort(key=lambda pair: pair[0])
    left, top, right, _ = band.box
    places = ink.spread([x for x, _ in entries], _TAG_APART, left + TAG_SIZE / 2, right - TAG_SIZE / 2)
    y = top - _BAND_TAGS + TAG_SIZE / 2 + 2
    tags = []
    for (x, mark), place in zip(entries, places, strict=True):
        if mark is None:
            tags.append(Tag("?", "doubt", float(place), y, ((x, top - 2), (float(place), y))))
        else:
            tags.append(_tag(mark, np.asarray([place, y]), np.asarray([x, top - 2])))
    return tags


def _legend(age: Age, top: float, width: float) -> tuple[tuple[tuple[str, float, float], ...], list[Words]]:
    """Samples of the classes on this picture and what they mean."""
    classes = [
        ("counted", "counted annulus", any(m.counted and not m.inferred for m in age.marks)),
        ("inferred", "counted, but inferred: nothing shows it", any(m.inferred for m in age.marks)),
        ("rejected", "seen, not counted", any(not m.counted for m in age.marks)),
        ("hidden", "a first annulus may be hidden here", age.hidden_first_px is not None),
        ("axis", "focus and growth axis", True),
        ("outline", "margin, drawn just outside it", True),
    ]
    samples, words = [], []
    left = float(_MARGIN)
    for kind, meaning, present in classes:
        if present:
            samples.append((kind, left, top + _LEGEND_HEIGHT / 2))
            words.append(Words(meaning, left + 44, top + 7, 13, ink.INK))
            left = words[-1].box[2] + 26
    return tuple(samples), words
