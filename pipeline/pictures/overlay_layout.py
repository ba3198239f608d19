"""Where everything on an overlay stands, before anything is drawn.

From top to bottom: the bone with its marks on the left and the caption on its right, a footer with the scale, and the
band: the bone along its growth axis once more, enlarged and turned level, with ticks above and below it and nothing
upon it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pipeline.pictures import fan, ink
from pipeline.pictures.caption import Caption, caption
from pipeline.pictures.ink import Polyline
from pipeline.pictures.lettering import Box, Words, extent
from pipeline.records import Age, AgedMark, Axis, BoneReading, Point, Specimen
from pipeline.settings import PictureSettings

CAPTION_WIDTH = 360
_MARGIN = 18
_LEAST_VIEW_HEIGHT = 540
# Room around the outline for tags beyond the tip and behind the focus: the first that holds them all, picture pixels.
_PADDINGS = (48, 80, 120)
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
# Another row of tags is opened when a tag of crowded marks would stand farther than this from its mark, pixels.
_LONGEST_LEADER = 34.0
_MOST_ROWS = 3
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

    def first_pixel(self, origin: Point) -> NDArray[np.float64]:
        """(x, y) of the picture pixel with which a crop from the scan pixel `origin` on begins, in a view without a
        turn.
        """
        return np.asarray(self.zoom * (np.asarray(origin) - 0.5) + self.matrix[:, 2] + 0.5)


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
    axis, band = reading.axis, None
    # A focus or a tip given by hand may lie off the outline.
    ends = np.asarray([axis.focus, axis.tip]) if axis else outline[:0]
    traces: tuple[Trace, ...] = ()
    tags: list[Tag] = []
    hidden = None
    least_shown = settings.least_probability_shown
    shown = replace(age, marks=tuple(m for m in age.marks if m.counted or m.probability >= least_shown))
    for padding in _PADDINGS:
        heights = least, max(least, settings.overlay_most_height_px)
        view = _view(np.vstack([outline, ends]), padding, view_width, heights, reading.crop)
        if axis is not None:
            traces, hidden, tags = _marks(reading, shown, axis, view)
        if all(_within(tag.box, view.box) for tag in tags):
            break
    foot = view.box[3]
    words, scale_bar = _footer(reading, view, foot)
    ticks: tuple[tuple[AgedMark, float], ...] = ()
    band_hidden = band_margin = axis_line = None
    bottom = foot + _FOOTER_HEIGHT
    if axis is not None:
        axis_line = view(np.asarray([axis.focus, axis.tip], dtype=np.float64))
        band = _band(axis, width, bottom + _BAND_TITLE + _BAND_TAGS)
        ticks = tuple((m, _on_band(band, axis, m.radius_px)) for m in age.marks)
        band_margin = _on_band(band, axis, axis.radius_px)
        if age.hidden_first_px is not None:
            band_hidden = _on_band(band, axis, age.hidden_first_px)
        tags += _band_tags(band, ticks, band_hidden)
        title = (
            f"Along the growth axis from the focus, ×{band.zoom:.1f}: above as scanned, below with "  # noqa: RUF001
            "brightness evened out. Bars: probability of each mark"
        )
        words.append(Words(title, _MARGIN, bottom + 5, 13, ink.QUIET))
        bottom = band.box[3] + BAND_BARS + 12
    legend, legend_words = _legend(shown, bottom) if axis is not None else ((), [])
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


def _within(box: Box, room: Box) -> bool:
    return box[0] >= room[0] and box[1] >= room[1] and box[2] <= room[2] and box[3] <= room[3]


def _view(
    shown: Polyline, padding: float, width: float, heights: tuple[float, float], crop: tuple[float, ...] | None
) -> View:
    """The similarity without a turn that shows all of the (n, 2) scan points, with room for tags."""
    low, high = shown.min(axis=0), shown.max(axis=0)
    size = np.maximum(high - low, 1.0)
    room = np.asarray([width - 2 * padding, heights[1] - 2 * padding])
    zoom = min(float((room / size).min()), _MOST_ZOOM)
    height = float(np.clip(round(size[1] * zoom + 2 * padding), *heights))
    shift = np.asarray([width, height]) / 2 - zoom * (low + high) / 2
    view = View(np.asarray([[zoom, 0.0, shift[0]], [0.0, zoom, shift[1]]]), (0.0, 0.0, width, height))
    if crop is not None:  # on whole pixels, so that the enlarged crop can be laid down as it is
        first = view.first_pixel((crop[0], crop[1]))
        view.matrix[:, 2] += np.round(first) - first
    return view


def _footer(reading: BoneReading, view: View, top: float) -> tuple[list[Words], tuple[float, float, float] | None]:
    """The scale bar with its length, and how much the bone is enlarged."""
    shown = f"shown at ×{view.zoom:.2f}"  # noqa: RUF001
    if reading.dpi is None:
        return [Words(f"no resolution: millimetres unknown · {shown}", _MARGIN, top + 6, 13, ink.INK)], None
    pixels_per_mm = reading.dpi / _MM_PER_INCH * view.zoom
    length = next((mm for mm in _SCALE_BARS_MM if mm * pixels_per_mm <= _MOST_SCALE_BAR), _SCALE_BARS_MM[-1])
    right = _MARGIN + length * pixels_per_mm
    words = Words(f"{length:g} mm · {reading.dpi:.0f} dpi · {shown}", right + 10, top + 6, 13, ink.INK)
    return [words], (_MARGIN, right, top + _FOOTER_HEIGHT / 2)


@dataclass(frozen=True, slots=True)
class _Line:
    """The growth axis on the picture, with the side of it on which marks are traced and named."""

    start: NDArray[np.float64]
    along: NDArray[np.float64]
    """Unit vector from focus to tip."""
    aside: NDArray[np.float64]
    """Unit vector across the axis, towards the traced side."""
    length: float

    def at(self, along: float, aside: float = 0.0) -> Point:
        """The point so many pixels along the axis and aside from it."""
        x, y = self.start + self.along * along + self.aside * aside
        return float(x), float(y)


def _marks(
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
    line = _Line(start, along, side * np.asarray([-along[1], along[0]]), axis.radius_px * view.zoom)

    tags, tagged = _tags(age, counted, line, view.zoom)
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


def _tags(age: Age, counted: Sequence[AgedMark], line: _Line, zoom: float) -> tuple[list[Tag], float]:
    """Tags beside the axis, and how far from it they reach."""
    named: list[tuple[float, AgedMark | None]] = [(m.radius_px * zoom, m) for m in counted]
    if age.hidden_first_px is not None:
        named.append((age.hidden_first_px * zoom, None))
    named.sort(key=lambda pair: pair[0])
    # Along a slanting axis, plates with level edges need more room.
    slant = float(np.abs(line.along).max())
    low, high = -TAG_SIZE, line.length + TAG_SIZE
    wanted = np.asarray([along for along, _ in named])
    crowded = np.zeros(len(named), dtype=bool)
    close = np.diff(wanted) < _TAG_APART / slant
    crowded[1:] |= close
    crowded[:-1] |= close
    for rows in range(1, _MOST_ROWS + 1):
        # Only crowded marks take turns; the others keep their short leaders in the first row.
        row_of = np.where(crowded, np.cumsum(crowded) % rows, 0)
        places = wanted.copy()
        for row in range(rows):
            places[row_of == row] = ink.spread(wanted[row_of == row], _TAG_APART / slant, low, high)
        if np.all(np.abs(places - wanted) <= _LONGEST_LEADER):
            break
    tags = []
    for place, row, (along, mark) in zip(places, row_of, named, strict=True):
        middle = line.at(float(place), _TAG_ASIDE + int(row) * _ROW_APART / slant)
        tags.append(_tag(mark, middle, line.at(along, 9.0)))
    doubts = []
    if "focus-unsure" in age.reasons:
        doubts.append(line.at(-TAG_SIZE - 8.0))
    if "edge-undecided" in age.reasons or "crowded-margin" in age.reasons:
        doubts.append(line.at(line.length + TAG_SIZE + 6.0))
    tags += [Tag("?", "doubt", x, y, ()) for x, y in doubts]
    return tags, _TAG_ASIDE + (rows - 1) * _ROW_APART / slant + TAG_SIZE / 2


def _tag(mark: AgedMark | None, middle: Point, root: Point) -> Tag:
    """The tag of a counted mark, or of a hidden one (None)."""
    text, kind = "?", "doubt"
    if mark is not None:
        text, kind = str(mark.number), "inferred" if mark.inferred else "counted"
    return Tag(text, kind, middle[0], middle[1], (root, middle))


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
    named: list[tuple[float, AgedMark | None]] = [(x, m) for m, x in ticks if m.counted]
    if hidden is not None:
        named.append((hidden, None))
    named.sort(key=lambda pair: pair[0])
    left, top, right, _ = band.box
    places = ink.spread([x for x, _ in named], _TAG_APART, left + TAG_SIZE / 2, right - TAG_SIZE / 2)
    y = top - _BAND_TAGS + TAG_SIZE / 2 + 2
    return [_tag(mark, (float(place), y), (x, top - 2)) for place, (x, mark) in zip(places, named, strict=True)]


def _legend(age: Age, top: float) -> tuple[tuple[tuple[str, float, float], ...], list[Words]]:
    """Samples of the classes on this picture and what they mean."""
    classes = [
        ("counted", "counted annulus", any(m.counted and not m.inferred for m in age.marks)),
        ("inferred", "inferred: counted, not seen", any(m.inferred for m in age.marks)),
        ("rejected", "seen, not counted", any(not m.counted for m in age.marks)),
        ("hidden", "hidden first annulus?", age.hidden_first_px is not None),
        ("axis", "focus and growth axis", True),
        ("outline", "margin", True),
    ]
    samples, words = [], []
    left = float(_MARGIN)
    for kind, meaning, present in classes:
        if present:
            samples.append((kind, left, top + _LEGEND_HEIGHT / 2))
            words.append(Words(meaning, left + 42, top + 7, 13, ink.INK))
            left = words[-1].box[2] + 18
    return tuple(samples), words
