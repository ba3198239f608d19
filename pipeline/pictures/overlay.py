"""The picture of one bone that shows why it was counted as it was, drawn so that a reader can disagree."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.pictures import ink
from pipeline.pictures.lettering import Box, write_words
from pipeline.pictures.overlay_layout import BAND_BARS, LEGEND_SAMPLE, OverlayLayout, lay_out, sample_of_doubt
from pipeline.pictures.tags import Tag
from pipeline.pictures.view import View
from pipeline.records import Age, AgedMark, BoneReading, Point, Specimen
from pipeline.settings.whole import PictureSettings

# Contrast: these shares of the bone's pixels become black and white. The strongest stretch leaves grain invisible.
_DARKEST, _BRIGHTEST = 0.5, 99.5
_MOST_STRETCH = 3.0
_ROOM_FOR_STRETCH = 235.0
# Picture pixels by which the outline is drawn outside the bone: the margin itself must stay visible.
_OUTLINE_OFF = 4
_FOCUS_RING = 8.0
_DAMAGE_RING = 16.0
# The evened half of the band: length of the moving window as a share of the band; grey levels a standard deviation; the
# share of the band's usual deviation below which contrast is not raised further, so that bare noise stays quiet; blur
# against grain, picture pixels.
_EVENING_SHARE = 0.14
_EVENED_CONTRAST = 52.0
_EVENING_FLOOR = 0.35
_EVENING_BLUR = 1.2


def draw_with_place(
    crop: NDArray[np.uint8],
    crop_origin: Point,
    crop_scale: float,
    reading: BoneReading,
    age: Age,
    specimen: Specimen,
    settings: PictureSettings,
) -> tuple[NDArray[np.uint8], Box]:
    """The overlay (row, column, red-green-blue) of a bone, and the box in it that the bone alone fills.

    `crop` (row, column) is the bone unmarked; `crop_origin` the scan pixel (x, y) of its top-left corner's pixel and
    `crop_scale` its pixels a scan pixel. All of `reading` and `age` is in scan pixels.
    """
    layout = lay_out(reading, age, specimen, settings)
    picture = ink.sheet(layout.height, layout.width)
    tones = _tones(crop, crop_origin, crop_scale, reading)
    backing = float(np.median(np.concatenate([crop[0], crop[-1], crop[:, 0], crop[:, -1]])))
    level = _level(crop, crop_origin, crop_scale, layout.view, backing)
    _paste(picture, layout.view, np.asarray(cv2.LUT(level, tones), dtype=np.uint8))
    _draw_bone(picture, layout)
    if layout.damage is not None:
        ink.ring(picture, layout.damage, _DAMAGE_RING, ink.DOUBT)
    if layout.band is not None:
        seen = _turned(crop, crop_origin, crop_scale, layout.band, backing)
        _paste(picture, layout.band, _half_evened(seen, tones, layout.band, reading))
        _draw_band(picture, layout, layout.band)
    for tag in layout.tags:
        on_bone = tag.y < layout.view.box[3]
        colour, halo = (_tag_colour(tag), 2) if on_bone else (ink.QUIET, 0)
        ink.stroke(picture, [np.asarray(tag.leader)], colour, width=1, halo=halo)
    for tag in layout.tags:
        _draw_tag(picture, tag)
    if layout.scale_bar is not None:
        left, right, y = layout.scale_bar
        ink.block(picture, (left, y - 2, right, y + 2), ink.INK)
        for end in (left, right):
            ink.block(picture, (end - 1, y - 6, end + 1, y + 6), ink.INK)
    for kind, x, y in layout.legend:
        _draw_sample(picture, kind, x, y)
    for box, colour in layout.caption.blocks:
        ink.block(picture, box, colour)
    write_words(picture, [*layout.words, *(tag.words for tag in layout.tags)])
    return picture, layout.view.box


def _tones(crop: NDArray[np.uint8], origin: Point, scale: float, reading: BoneReading) -> NDArray[np.uint8]:
    """(256,) the grey at which each grey of the crop is shown: the bone's own range stretched, the order kept."""
    inside = np.zeros(crop.shape, np.uint8)
    corners = (np.asarray(reading.outline) - origin) * scale
    cv2.fillPoly(inside, [np.round(corners).astype(np.int32)], 1)
    seen = cv2.calcHist([crop], [0], inside, [256], [0, 256]).ravel().cumsum()
    if seen[-1] == 0:
        return np.arange(256, dtype=np.uint8)
    dark, bright = np.searchsorted(seen, seen[-1] * np.asarray([_DARKEST, _BRIGHTEST]) / 100)
    stretch = float(np.clip(_ROOM_FOR_STRETCH / max(bright - dark, 1), 1.0, _MOST_STRETCH))
    middle = (dark + bright) / 2
    # Keep the shown middle where the stretched range still fits.
    half = stretch * (bright - dark) / 2
    shown = float(np.clip(middle, min(half, 127.5), max(255 - half, 127.5)))
    tones: NDArray[np.uint8] = np.clip(shown + stretch * (np.arange(256) - middle), 0, 255).astype(np.uint8)
    return tones


def _level(crop: NDArray[np.uint8], origin: Point, scale: float, view: View, backing: float) -> NDArray[np.uint8]:
    """What a view without a turn shows of the crop, grey (row, column), as large as the view's rectangle.

    Pixels stand where the view says to the nearest whole pixel; `lay_out` chooses the view so that this is exact.
    """
    shrink = view.zoom / scale
    method = cv2.INTER_AREA if shrink < 1 else cv2.INTER_CUBIC
    whole = cv2.resize(crop, None, fx=shrink, fy=shrink, interpolation=method)
    left, top, right, bottom = (round(v) for v in view.box)
    across, down = (round(v) for v in view.first_pixel(origin) - (left, top))
    shown = np.full((bottom - top, right - left), backing, np.uint8)
    room = shown[max(down, 0) :, max(across, 0) :]
    part = whole[max(-down, 0) :, max(-across, 0) :][: room.shape[0], : room.shape[1]]
    room[: part.shape[0], : part.shape[1]] = part
    return shown


def _turned(crop: NDArray[np.uint8], origin: Point, scale: float, view: View, backing: float) -> NDArray[np.uint8]:
    """What a view with a turn shows of the crop, grey (row, column), as large as the view's rectangle."""
    left, top, right, bottom = (round(v) for v in view.box)
    shrink = view.zoom / scale
    step = scale
    if shrink < 1:
        # Averaging first: a plain shrinking transform would skip pixels and invent bands.
        small = cv2.resize(crop, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA)
        step *= small.shape[1] / crop.shape[1]
        crop = np.asarray(small, dtype=np.uint8)
    # From picture pixels to scan pixels to pixels of the crop, whose pixel centres lie half a pixel inside its corner.
    back = np.asarray(cv2.invertAffineTransform(view.matrix), dtype=np.float64)
    back[:, :2] = back[:, :2] * step
    back[:, 2] = (back[:, 2] - origin + 0.5) * step - 0.5 + back[:, :2] @ (left, top)
    shown = cv2.warpAffine(
        crop,
        back,
        (right - left, bottom - top),
        # What is enlarged is drawn smoothly; what was averaged down already needs no more.
        flags=(cv2.INTER_CUBIC if shrink > 1 else cv2.INTER_LINEAR) | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_CONSTANT,
        borderValue=backing,
    )
    return np.asarray(shown, dtype=np.uint8)


def _paste(picture: NDArray[np.uint8], view: View, grey: NDArray[np.uint8]) -> None:
    left, top, right, bottom = (round(v) for v in view.box)
    cv2.cvtColor(grey, cv2.COLOR_GRAY2RGB, dst=picture[top:bottom, left:right])


def _half_evened(
    level: NDArray[np.uint8], tones: NDArray[np.uint8], band: View, reading: BoneReading
) -> NDArray[np.uint8]:
    """The band with its upper half as scanned and its lower half evened: freed of the slow change of brightness along
    the axis and of most of the change of contrast, so that marks in the thick base show as those of the blade do.
    """
    upper = level.shape[0] // 2
    corner = np.round(np.asarray(band.box[:2]))
    inside = np.zeros(level.shape, np.uint8)
    cv2.fillPoly(inside, [np.round(band(np.asarray(reading.outline, dtype=np.float64)) - corner).astype(np.int32)], 1)
    quiet = cv2.GaussianBlur(level, (0, 0), _EVENING_BLUR).astype(np.float32)
    held = _window_sum(inside.sum(axis=0)) + 1e-6
    away = (quiet - _window_sum((level * inside).sum(axis=0)) / held) * inside
    spread = np.sqrt(np.maximum(_window_sum(np.einsum("ij,ij->j", away, away)) / held, 0))
    on_bone = inside.any(axis=0)
    usual = float(np.median(spread[on_bone])) if on_bone.any() else 1.0
    evened = 128 + away[upper:] * (_EVENED_CONTRAST / (spread + _EVENING_FLOOR * usual + 1.0)).astype(np.float32)
    shown = np.asarray(cv2.LUT(level, tones), dtype=np.uint8)
    np.copyto(shown[upper:], np.clip(evened, 0, 255).astype(np.uint8), where=inside[upper:] > 0)
    # A line of paper parts the halves.
    shown[upper - 1 : upper + 1] = ink.PAPER[0]
    return shown


def _window_sum(columns: NDArray[np.generic]) -> NDArray[np.float64]:
    """(column,) sums over the moving window of the evening, mirrored at the ends."""
    reach = round(_EVENING_SHARE * len(columns) / 2)
    total = np.concatenate([[0.0], np.cumsum(np.pad(columns.astype(np.float64), reach, mode="reflect"))])
    sums: NDArray[np.float64] = total[2 * reach + 1 :] - total[: -2 * reach - 1]
    return sums


def _draw_bone(picture: NDArray[np.uint8], layout: OverlayLayout) -> None:
    right, bottom = (round(v) for v in layout.view.box[2:])
    ground = picture[:bottom, :right]
    ink.stroke(ground, [_grown(layout.outline, bottom, right)], ink.OUTLINE, width=1, halo=0, closed=True)
    if layout.axis is None:
        return
    ink.stroke(ground, [layout.axis], ink.AXIS, width=1, halo=1)
    for trace in layout.traces:
        if not trace.mark.counted:
            _dot(ground, trace.tick)
        elif trace.mark.inferred:
            ink.stroke(ground, ink.pieces(trace.arc, 9, 8), ink.INFERRED, width=trace.width)
            ink.stroke(ground, [trace.tick], ink.INFERRED, width=1)
        else:
            ink.stroke(ground, [trace.arc], ink.COUNTED, width=trace.width)
            ink.stroke(ground, [trace.tick], ink.COUNTED, width=1)
    if layout.hidden is not None:
        ink.stroke(ground, ink.pieces(layout.hidden, 3, 6), ink.DOUBT)
    focus, tip = layout.axis
    ink.ring(ground, (float(focus[0]), float(focus[1])), _FOCUS_RING, ink.AXIS)
    along = (tip - focus) / max(float(np.hypot(*(tip - focus))), 1.0)
    across = np.asarray([-along[1], along[0]])
    cross = [np.asarray([focus + across * a, focus + across * b]) for a, b in ((-15, -4), (4, 15))]
    end = np.asarray([tip - across * 9, tip + across * 9]) + along * (_OUTLINE_OFF + 1)
    ink.stroke(ground, [*cross, end], ink.AXIS, width=1)


def _dot(picture: NDArray[np.uint8], line: NDArray[np.float64]) -> None:
    """The faint dots of a candidate that was not counted."""
    for piece in ink.pieces(line, 1, 4):
        for radius, colour in ((1.9, ink.HALO), (1.2, ink.REJECTED)):
            ink.disc(picture, (float(piece[0, 0]), float(piece[0, 1])), radius, colour)


def _grown(outline: NDArray[np.float64], height: int, width: int) -> NDArray[np.float64]:
    """The outline a few pixels outside itself."""
    filled = np.zeros((height, width), np.uint8)
    corners = [np.round(outline).astype(np.int32)]
    cv2.fillPoly(filled, corners, 1)
    cv2.polylines(filled, corners, True, 1, 2 * _OUTLINE_OFF)
    found, _ = cv2.findContours(filled, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
    return max(found, key=cv2.contourArea).reshape(-1, 2).astype(np.float64)


def _draw_band(picture: NDArray[np.uint8], layout: OverlayLayout, band: View) -> None:
    """Ticks above and below the band, and bars for the probability of each mark."""
    left, top, right, bottom = band.box
    ink.block(picture, (left, bottom + 6 + BAND_BARS, right, bottom + 7 + BAND_BARS), ink.RULE)
    for mark, x in layout.band_ticks:
        colour = _paper_colour(mark)
        bar = BAND_BARS * mark.probability
        ink.block(picture, (x - 3, bottom + 6 + BAND_BARS - bar, x + 3, bottom + 6 + BAND_BARS), colour)
        if mark.counted:
            ink.block(picture, (x - 1, bottom, x + 1, bottom + 6), colour)
    if layout.band_margin is not None:
        for y in (top - 6, bottom):
            ink.block(picture, (layout.band_margin - 1, y, layout.band_margin + 1, y + 6), ink.OUTLINE)


def _paper_colour(mark: AgedMark) -> tuple[int, int, int]:
    """The class colour, deep enough for paper."""
    return (172, 174, 182) if not mark.counted else ink.INFERRED if mark.inferred else (222, 158, 0)


def _tag_colour(tag: Tag) -> tuple[int, int, int]:
    return {"counted": ink.COUNTED, "inferred": ink.INFERRED, "doubt": ink.DOUBT}[tag.kind]


def _draw_tag(picture: NDArray[np.uint8], tag: Tag) -> None:
    """A plate: a disc for a counted mark, a square for an inferred one, a diamond for a doubt."""
    left, top, right, bottom = tag.box
    half = (right - left) / 2
    colour = _tag_colour(tag)
    if tag.kind == "counted":
        ink.disc(picture, (tag.x, tag.y), half, ink.HALO)
        ink.disc(picture, (tag.x, tag.y), half - 1, colour)
    elif tag.kind == "inferred":
        ink.block(picture, tag.box, ink.HALO)
        ink.block(picture, (left + 1, top + 1, right - 1, bottom - 1), colour)
    else:
        for reach, paint in ((half + 3, ink.HALO), (half + 1.5, colour)):
            tips = [(tag.x, tag.y - reach), (tag.x + reach, tag.y), (tag.x, tag.y + reach), (tag.x - reach, tag.y)]
            cv2.fillPoly(picture, [np.round(np.asarray(tips) * 16).astype(np.int32)], paint, cv2.LINE_AA, 4)


def _draw_sample(picture: NDArray[np.uint8], kind: str, x: float, y: float) -> None:
    """A class's sample in the legend, on a ground as dark as a bone's."""
    ink.block(picture, (x, y - 9, x + LEGEND_SAMPLE, y + 9), (92, 94, 100))
    line = np.asarray([(x + 4, y), (x + LEGEND_SAMPLE - 4, y)])
    if kind == "counted":
        ink.stroke(picture, [line], ink.COUNTED)
    elif kind == "inferred":
        ink.stroke(picture, ink.pieces(line, 9, 8), ink.INFERRED)
    elif kind == "rejected":
        _dot(picture, line)
    elif kind == "hidden":
        ink.stroke(picture, ink.pieces(line, 3, 6), ink.DOUBT)
    elif kind == "doubt":
        _draw_tag(picture, sample_of_doubt(x, y))
    elif kind == "damage":
        ink.ring(picture, (x + LEGEND_SAMPLE / 2, y), 7, ink.DOUBT)
    elif kind == "outline":
        ink.stroke(picture, [line], ink.OUTLINE, width=1, halo=0)
    else:
        ink.stroke(picture, [line], ink.AXIS, width=1, halo=1)
        ink.ring(picture, (x + 10, y), 5, ink.AXIS)
