"""Where everything on an overlay stands, before anything is drawn.

From top to bottom: the bone with its marks on the left and the caption on its right, a footer with the scale, and the
band: the bone along its growth axis once more, enlarged and turned level, with ticks above and below it and nothing
upon it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from pipeline.pictures import ink
from pipeline.pictures.caption import Caption, caption
from pipeline.pictures.ink import Polyline
from pipeline.pictures.lettering import Box, Words
from pipeline.pictures.tags import BAND_TAGS, Tag, tags_above
from pipeline.pictures.traced_marks import Trace, trace_marks
from pipeline.pictures.view import View, band_view, bone_view
from pipeline.records import MM_PER_INCH, Age, AgedMark, Axis, BoneReading, Specimen
from pipeline.settings.whole import PictureSettings

CAPTION_WIDTH = 360
_MARGIN = 18
_LEAST_VIEW_HEIGHT = 540
# Room around the outline for tags beyond the tip and behind the focus: the first that holds them all, picture pixels.
_PADDINGS = (48, 80, 120)
_FOOTER_HEIGHT = 28
_LEGEND_HEIGHT = 30
LEGEND_SAMPLE = 34.0
"""Width of a sample in the legend."""

_BAND_TITLE = 24
BAND_BARS = 34
"""Height of the bars of probability below the band, at probability 1."""

_SCALE_BARS_MM = (20.0, 10.0, 5.0, 2.0, 1.0, 0.5, 0.2, 0.1)
_MOST_SCALE_BAR = 170.0


@dataclass(frozen=True, slots=True)
class OverlayLayout:
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
    damage: tuple[float, float] | None
    """Where the worst of the damage lies."""
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


def lay_out(reading: BoneReading, age: Age, specimen: Specimen, settings: PictureSettings) -> OverlayLayout:
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
        view = bone_view(np.vstack([outline, ends]), padding, view_width, heights, reading.crop)
        if axis is not None:
            traces, hidden, tags = trace_marks(reading, shown, axis, view)
        if all(_within(tag.box, view.box) for tag in tags):
            break
    foot = view.box[3]
    words, scale_bar = _footer(reading, view, foot)
    ticks: tuple[tuple[AgedMark, float], ...] = ()
    band_hidden = band_margin = axis_line = None
    bottom = foot + _FOOTER_HEIGHT
    if axis is not None:
        axis_line = view(np.asarray([axis.focus, axis.tip], dtype=np.float64))
        band = band_view(axis, _MARGIN, width - _MARGIN, bottom + _BAND_TITLE + BAND_TAGS)
        ticks = tuple((m, _on_band(band, axis, m.radius_px)) for m in age.marks)
        band_margin = _on_band(band, axis, axis.radius_px)
        if age.hidden_first_px is not None:
            band_hidden = _on_band(band, axis, age.hidden_first_px)
        tags += tags_above(band, ticks, band_hidden)
        title = (
            f"Along the growth axis from the focus, ×{band.zoom:.1f}: above as scanned, below with "  # noqa: RUF001
            "brightness evened out. Bars: probability of each mark"
        )
        words.append(Words(title, _MARGIN, bottom + 5, 13, ink.QUIET))
        bottom = band.box[3] + BAND_BARS + 12
    legend: tuple[tuple[str, float, float], ...] = ()
    if axis is not None:
        legend, legend_words, bottom = _legend(shown, reading.damage is not None, tags, bottom, width - _MARGIN)
        words += legend_words
    return OverlayLayout(
        width=width,
        height=round(bottom),
        view=view,
        band=band,
        outline=view(outline),
        axis=axis_line,
        traces=traces,
        hidden=hidden,
        damage=reading.damage and view.point(reading.damage),
        tags=tuple(tags),
        band_ticks=ticks,
        band_hidden=band_hidden,
        band_margin=band_margin,
        scale_bar=scale_bar,
        legend=legend,
        words=(*words, *text.words),
        caption=text,
    )


def _within(box: Box, room: Box) -> bool:
    return box[0] >= room[0] and box[1] >= room[1] and box[2] <= room[2] and box[3] <= room[3]


def _footer(reading: BoneReading, view: View, top: float) -> tuple[list[Words], tuple[float, float, float] | None]:
    """The scale bar with its length, and how much the bone is enlarged."""
    shown = f"shown at ×{view.zoom:.2f}"  # noqa: RUF001
    if reading.dpi is None:
        return [Words(f"no resolution: millimetres unknown · {shown}", _MARGIN, top + 6, 13, ink.INK)], None
    pixels_per_mm = reading.dpi / MM_PER_INCH * view.zoom
    length = next((mm for mm in _SCALE_BARS_MM if mm * pixels_per_mm <= _MOST_SCALE_BAR), _SCALE_BARS_MM[-1])
    right = _MARGIN + length * pixels_per_mm
    words = Words(f"{length:g} mm · {reading.dpi:.0f} dpi · {shown}", right + 10, top + 6, 13, ink.INK)
    return [words], (_MARGIN, right, top + _FOOTER_HEIGHT / 2)


def _on_band(band: View, axis: Axis, radius_px: float) -> float:
    return band.point(axis.focus)[0] + radius_px * band.zoom


def sample_of_doubt(left: float, middle: float) -> Tag:
    """The sign of a doubt in the legend."""
    return Tag("?", "doubt", left + LEGEND_SAMPLE / 2, middle, ())


def _legend(
    age: Age, damaged: bool, tags: Sequence[Tag], top: float, right: float
) -> tuple[tuple[tuple[str, float, float], ...], list[Words], float]:
    """Samples of the classes on this picture and what they mean, in as many rows as they take; and where they end."""
    classes = [
        ("counted", "counted annulus", any(m.counted and not m.inferred for m in age.marks)),
        ("inferred", "inferred: counted, not seen", any(m.inferred for m in age.marks)),
        ("rejected", "seen, not counted", any(not m.counted for m in age.marks)),
        ("hidden", "hidden first annulus?", age.hidden_first_px is not None),
        ("doubt", "look here", any(tag.kind == "doubt" for tag in tags)),
        ("damage", "damage", damaged),
        ("axis", "focus and growth axis", True),
        ("outline", "margin", True),
    ]
    samples, words = [], []
    left = float(_MARGIN)
    for kind, meaning, present in classes:
        if not present:
            continue
        word = Words(meaning, left + 42, top + 7, 13, ink.INK)
        if word.box[2] > right:
            left, top = float(_MARGIN), top + _LEGEND_HEIGHT
            word = replace(word, left=left + 42, top=top + 7)
        samples.append((kind, left, top + _LEGEND_HEIGHT / 2))
        words += [word, sample_of_doubt(*samples[-1][1:]).words] if kind == "doubt" else [word]
        left = word.box[2] + 18
    return tuple(samples), words, top + _LEGEND_HEIGHT
