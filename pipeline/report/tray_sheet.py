"""The picture of a whole tray, on which a swapped specimen id is seen at a glance."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.records import Age, BoneReading, Specimen
from pipeline.report import ink
from pipeline.report.lettering import Box, Colour, Words, extent, legible, wrapped, write_words
from pipeline.settings import PictureSettings

# A narrower sheet would leave no room for ids beside the bones.
_LEAST_WIDTH = 1000
_HEADER_HEIGHT = 46
_MARGIN = 18
_FRAME = 10
_STRIPE = 44

_ID_SIZES = (32, 26, 22, 18, 14)
"""Sizes of a specimen id, tried from the largest until the plate is narrow enough."""
_MOST_PLATE_WIDTH = 330
_PLATE_PADDING = 7
_NUMBER_SIZE = 24
_FACT_SIZE = 15
NO_ROW = "no-row"
"""The notice of a bone that no row of the table names."""
# Picture pixels between the places that are tried for a plate, and the room kept free around it.
_GRID = 10
_PLATE_GAP = 6
# What a plate's place costs, in pixels of distance from its bone, when all of the plate lies on its bone, on others, on
# other plates.
_COVERS_OWN, _COVERS_OTHER, _COVERS_PLATE = 160.0, 900.0, 1e6
# And when another bone's middle is nearer to the plate than that of its own: the id would seem to be the other's.
_NEARER_OTHER = 2000.0
# Above its bone a plate reads as the label of the bone in the row above.
_ABOVE = 40.0


@dataclass(frozen=True, slots=True)
class TrayBone:
    """One bone of a tray with what was made of it."""

    reading: BoneReading
    age: Age
    specimen: Specimen


@dataclass(frozen=True, slots=True)
class Plate:
    """The label of one bone."""

    bone: TrayBone
    box: Box
    words: tuple[Words, ...]
    outline: NDArray[np.float64]
    """(n, 2) of its bone, picture pixels."""

    @property
    def middle(self) -> tuple[float, float]:
        """Middle of the rectangle around the bone."""
        x, y = (self.outline.min(axis=0) + self.outline.max(axis=0)) / 2
        return float(x), float(y)


@dataclass(frozen=True, slots=True)
class TrayLayout:
    """All places on a tray sheet, picture pixels."""

    width: int
    height: int
    top: int
    """Where the scan begins, below the header or banner."""
    zoom: float
    """Picture pixels a pixel of the reduced scan."""
    plates: tuple[Plate, ...]
    words: tuple[Words, ...]
    mismatch: bool


def draw_tray(
    picture: NDArray[np.uint8],
    scale: float,
    scan: str,
    bones: Sequence[TrayBone],
    missing: Sequence[str],
    promised: int | None,
    settings: PictureSettings,
) -> NDArray[np.uint8]:
    """The tray sheet (row, column, red-green-blue) of a scan.

    `picture` (row, column) is the whole scan unmarked, `scale` its pixels a scan pixel. The table promises `promised`
    bones on it (None: there is no table); `missing` are the specimens that it promises and no bone was found for.
    """
    layout = lay_out_tray(picture.shape[1], picture.shape[0], scale, scan, bones, missing, promised, settings)
    sheet = np.empty((layout.height, layout.width, 3), np.uint8)
    sheet[:] = ink.DOUBT if layout.mismatch else ink.PAPER
    ground = sheet[layout.top :]
    method = cv2.INTER_AREA if layout.zoom < 1 else cv2.INTER_CUBIC
    ground[:] = cv2.resize(picture, (layout.width, layout.height - layout.top), interpolation=method)[:, :, None]
    _draw_order(sheet, layout.plates)
    for plate in layout.plates:
        _draw_plate(sheet, plate)
    if layout.mismatch:
        _draw_alarm(sheet, layout.top)
    numbers = [_centred(str(p.bone.reading.number), p.middle, _NUMBER_SIZE, ink.HALO) for p in layout.plates]
    return write_words(sheet, [*layout.words, *(w for p in layout.plates for w in p.words), *numbers])


def lay_out_tray(
    width: int,
    height: int,
    scale: float,
    scan: str,
    bones: Sequence[TrayBone],
    missing: Sequence[str],
    promised: int | None,
    settings: PictureSettings,
) -> TrayLayout:
    """Places on the sheet of a scan whose reduced picture is `width` by `height` pixels."""
    sheet_width = int(np.clip(width, _LEAST_WIDTH, settings.tray_sheet_most_px))
    zoom = sheet_width / width
    mismatch = promised is not None and promised != len(bones)
    words, top = _header(scan, bones, missing, promised if mismatch else None, sheet_width)
    sheet_height = top + round(height * zoom)
    ordered = sorted(bones, key=lambda b: b.reading.number)
    outlines = [(np.asarray(b.reading.outline, dtype=np.float64) + 0.5) * scale * zoom + (0, top) for b in ordered]
    boxes = np.asarray([(*o.min(axis=0), *o.max(axis=0)) for o in outlines]).reshape(-1, 4)
    placed = np.zeros((0, 4))
    plates = []
    inner = _PLATE_GAP + (_FRAME if mismatch else 0)
    room = (float(inner), float(top + inner), float(sheet_width - inner), float(sheet_height - inner))
    for index, (bone, outline) in enumerate(zip(ordered, outlines, strict=True)):
        size, lines = _label(bone)
        box = _place(size, boxes, index, placed, room)
        placed = np.vstack([placed, box])
        moved = tuple(Words(w.text, w.left + box[0], w.top + box[1], w.size, w.colour, w.bold) for w in lines)
        plates.append(Plate(bone, box, moved, outline))
    return TrayLayout(sheet_width, sheet_height, top, zoom, tuple(plates), tuple(words), mismatch)


def _header(
    scan: str, bones: Sequence[TrayBone], missing: Sequence[str], promised: int | None, width: int
) -> tuple[list[Words], int]:
    """The lines above the scan, and the height that they take. `promised` is given when it is not what was found."""
    looks = sum(b.age.review for b in bones)
    if promised is None:
        told = f"{legible(scan)} · {_bones(len(bones))} · {looks} to look at · dotted line: reading order"
        lines = wrapped(told, width - 2 * _MARGIN, 18)
        words = [Words(text, _MARGIN, 12 + 24 * n, 18, ink.INK) for n, text in enumerate(lines)]
        return words, _HEADER_HEIGHT + 24 * (len(lines) - 1)
    found = f"{_bones(len(bones))} found, {promised} in the table"
    texts = [
        (f"TRAY MISMATCH: {found}", 34, True),
        ("Every specimen id on this tray may be shifted: compare with the table.", 20, False),
    ]
    if missing:
        texts.append((f"In the table but not found: {', '.join(legible(m, bold=True) for m in missing)}", 20, True))
    extra = [legible(b.specimen.specimen, bold=True) for b in bones if NO_ROW in b.age.notices]
    if extra:
        texts.append((f"Found but not in the table: {', '.join(extra)}", 20, True))
    texts.append((legible(scan), 15, False))
    words, top = [], float(_FRAME + 10)
    for text, size, bold in texts:
        for line in wrapped(text, width - 2 * _MARGIN - _FRAME - _STRIPE, size, bold):
            words.append(Words(line, _MARGIN + _FRAME + _STRIPE, top, size, (255, 255, 255), bold))
            top += extent(line, size, bold)[1] + 3
    return words, round(top + 8)


def _bones(many: int) -> str:
    return "1 bone" if many == 1 else f"{many} bones"


def _label(bone: TrayBone) -> tuple[tuple[float, float], list[Words]]:
    """Size of a bone's plate and its lines, from the plate's corner."""
    name = legible(bone.specimen.specimen, bold=True)
    widest = _MOST_PLATE_WIDTH - 2 * _PLATE_PADDING
    size = next((s for s in _ID_SIZES if extent(name, s, True)[0] <= widest), _ID_SIZES[-1])
    lines: list[tuple[str, int, Colour, bool]] = [(t, size, ink.INK, True) for t in wrapped(name, widest, size, True)]
    specimen, age = bone.specimen, bone.age
    told = [specimen.species, f"{specimen.length_mm:g} mm" if specimen.length_mm is not None else ""]
    if NO_ROW in age.notices:
        lines.append(("not in the table", _FACT_SIZE, ink.DOUBT_INK, True))
    elif any(told):
        fish = legible(" · ".join(filter(None, told)))
        lines += [(t, _FACT_SIZE, ink.INK, False) for t in wrapped(fish, widest, _FACT_SIZE)]
    if age.annuli is None or age.confidence is None:
        lines.append(("no count", _FACT_SIZE, ink.DOUBT_INK, True))
    else:
        word = "annulus" if age.annuli == 1 else "annuli"
        lines.append((f"{age.annuli} {word} · confidence {age.confidence:.2f}", _FACT_SIZE, ink.INK, False))
    if age.review:
        told_reasons = f"LOOK: {', '.join(age.reasons)}"
        lines += [(t, _FACT_SIZE, ink.DOUBT_INK, True) for t in wrapped(told_reasons, widest, _FACT_SIZE, True)]
    words, top, width = [], float(_PLATE_PADDING - 3), 0.0
    for text, points, colour, bold in lines:
        words.append(Words(text, _PLATE_PADDING, top, points, colour, bold))
        across, down = extent(text, points, bold)
        top, width = top + down, max(width, across)
    return (width + 2 * _PLATE_PADDING, top + _PLATE_PADDING - 3), words


def _place(
    size: tuple[float, float], bones: NDArray[np.float64], own: int, plates: NDArray[np.float64], room: Box
) -> Box:
    """The best corner for a plate: near its bone, off the other bones, never on another plate."""
    width, height = size
    across = np.arange(room[0], max(room[2] - width, room[0]) + 1, _GRID)
    down = np.arange(room[1], max(room[3] - height, room[1]) + 1, _GRID)
    left, top = (g.ravel() for g in np.meshgrid(across, down))
    tried = np.column_stack([left, top, left + width, top + height])
    bone = bones[own]
    aside = np.maximum(np.maximum(bone[0] - tried[:, 2], tried[:, 0] - bone[2]), 0)
    below = np.maximum(np.maximum(bone[1] - tried[:, 3], tried[:, 1] - bone[3]), 0)
    off_middle = np.abs((tried[:, 0] + tried[:, 2]) / 2 - (bone[0] + bone[2]) / 2)
    cost = np.hypot(aside, below) + 0.1 * off_middle + _ABOVE * (tried[:, 3] <= bone[1] + 1)
    reach = _reach(tried, (bones[:, :2] + bones[:, 2:]) / 2)
    cost += _NEARER_OTHER * (reach.argmin(axis=1) != own)
    area = width * height
    cost += _COVERS_OWN * _shared(tried, bone[None]) / area
    cost += _COVERS_OTHER * _shared(tried, np.delete(bones, own, axis=0)) / area
    grown = plates + np.asarray([-_PLATE_GAP, -_PLATE_GAP, _PLATE_GAP, _PLATE_GAP])
    cost += _COVERS_PLATE * _shared(tried, grown) / area
    best = tried[int(np.argmin(cost))]
    return float(best[0]), float(best[1]), float(best[2]), float(best[3])


def _reach(boxes: NDArray[np.float64], points: NDArray[np.float64]) -> NDArray[np.float64]:
    """(n, m) distance from each of (n, 4) boxes to each of (m, 2) points."""
    inside = np.clip(points[None], boxes[:, None, :2], boxes[:, None, 2:])
    distance: NDArray[np.float64] = np.hypot(*np.moveaxis(points[None] - inside, 2, 0))
    return distance


def _shared(boxes: NDArray[np.float64], others: NDArray[np.float64]) -> NDArray[np.float64]:
    """(n,) area that each of (n, 4) boxes shares with all of (m, 4) others together."""
    wide = np.minimum(boxes[:, None, 2], others[None, :, 2]) - np.maximum(boxes[:, None, 0], others[None, :, 0])
    high = np.minimum(boxes[:, None, 3], others[None, :, 3]) - np.maximum(boxes[:, None, 1], others[None, :, 1])
    shared: NDArray[np.float64] = (np.maximum(wide, 0) * np.maximum(high, 0)).sum(axis=1)
    return shared


def _draw_order(sheet: NDArray[np.uint8], plates: Sequence[Plate]) -> None:
    """A dotted line from each bone to the next one in its row."""
    for plate, following in pairwise(plates):
        if following.middle[0] > plate.middle[0]:
            ink.stroke(sheet, ink.pieces(np.asarray([plate.middle, following.middle]), 2, 7), ink.AXIS, width=1)


def _draw_plate(sheet: NDArray[np.uint8], plate: Plate) -> None:
    look = plate.bone.age.review
    colour = ink.DOUBT if look else ink.OUTLINE
    ink.stroke(sheet, [plate.outline], colour, width=2, closed=True)
    left, top, right, bottom = plate.box
    x, y = plate.middle
    nearest = (float(np.clip(x, left, right)), float(np.clip(y, top, bottom)))
    ink.stroke(sheet, [np.asarray([(x, y), nearest])], colour, width=2)
    border = 4 if look else 2
    ink.block(sheet, (left - border, top - border, right + border, bottom + border), colour)
    ink.block(sheet, plate.box, ink.PAPER)
    ink.disc(sheet, plate.middle, 19, ink.HALO)
    ink.disc(sheet, plate.middle, 17, ink.COUNTED)


def _centred(text: str, middle: tuple[float, float], size: int, colour: Colour) -> Words:
    width, height = extent(text, size, True)
    return Words(text, middle[0] - width / 2, middle[1] - height / 2, size, colour, True)


def _draw_alarm(sheet: NDArray[np.uint8], banner: int) -> None:
    """Stripes beside the banner and a frame around the whole sheet."""
    height, width = sheet.shape[:2]
    sides = (0, banner, _FRAME, height), (width - _FRAME, banner, width, height), (0, height - _FRAME, width, height)
    for side in sides:
        ink.block(sheet, side, ink.DOUBT)
    column, row = np.meshgrid(np.arange(_STRIPE), np.arange(banner))
    sheet[:banner, :_STRIPE][(column + row) % 28 < 14] = ink.HALO
