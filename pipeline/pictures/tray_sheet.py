"""The picture of a whole tray, on which a swapped specimen id is seen at a glance."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.pictures import ink
from pipeline.pictures.lettering import Colour, Words, extent, legible, wrapped, write_words
from pipeline.pictures.plates import DETAILS, GAP, NO_ROW, BoneLabel, TrayBone, are_plain, place_plates
from pipeline.records import Age
from pipeline.settings.whole import PictureSettings

# A narrower sheet would leave no room for ids beside the bones.
_LEAST_WIDTH = 1000
_HEADER_HEIGHT = 46
_MARGIN = 18
_FRAME = 10
_STRIPE = 44

MISFITS = frozenset({"size-mismatch", "no-bone"})
"""Reasons that tell of a bone at the wrong row."""
_LEAST_PEERS = 3
"""Bones with a length on a tray from which on their sizes can be compared."""
_MOST_OFF = 0.35
"""Difference of the logarithm of size for length from the tray's median: over twice the spread between fish (0.15)."""
_NUMBER_SHARE = 1.25
"""Size of a bone's number as a share of its disc's radius."""


@dataclass(frozen=True, slots=True)
class TrayLayout:
    """All places on a tray sheet, picture pixels."""

    width: int
    height: int
    top: int
    """Where the scan begins, below the header or banner."""
    zoom: float
    """Picture pixels a pixel of the reduced scan."""
    plates: tuple[BoneLabel, ...]
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
    *,
    counts: bool = True,
) -> NDArray[np.uint8]:
    """The tray sheet (row, column, red-green-blue) of a scan.

    `picture` (row, column) is the whole scan unmarked, `scale` its pixels a scan pixel. The table promises `promised`
    bones on it (None: there is no table); `missing` are the specimens that it promises and no bone was found for.
    Without `counts` the sheet shows nothing that the machine has made of the bones but where they lie.
    """
    layout = lay_out_tray(
        picture.shape[1], picture.shape[0], scale, scan, bones, missing, promised, settings, counts=counts
    )
    sheet = ink.sheet(layout.height, layout.width, ink.DOUBT if layout.mismatch else ink.PAPER)
    ground = sheet[layout.top :]
    method = cv2.INTER_AREA if layout.zoom < 1 else cv2.INTER_CUBIC
    whole = cv2.resize(picture, (layout.width, layout.height - layout.top), interpolation=method)
    cv2.cvtColor(whole, cv2.COLOR_GRAY2RGB, dst=ground)
    _draw_order(sheet, layout.plates)
    for plate in layout.plates:
        ink.stroke(sheet, [plate.outline], _colour(plate), closed=True)
        ink.stroke(sheet, [_leader(plate)], _colour(plate))
    # Plates after all outlines and leaders, so that none crosses an id.
    for plate in layout.plates:
        _draw_plate(sheet, plate)
        ink.disc(sheet, plate.middle, plate.disc, ink.HALO)
        ink.disc(sheet, plate.middle, plate.disc - 2, ink.COUNTED)
    if layout.mismatch:
        _draw_alarm(sheet, layout.top)
    numbers = [
        _centred(str(p.bone.reading.number), p.middle, round(_NUMBER_SHARE * p.disc), ink.HALO) for p in layout.plates
    ]
    write_words(sheet, [*layout.words, *(w for p in layout.plates for w in p.words), *numbers])
    return sheet


def lay_out_tray(
    width: int,
    height: int,
    scale: float,
    scan: str,
    bones: Sequence[TrayBone],
    missing: Sequence[str],
    promised: int | None,
    settings: PictureSettings,
    *,
    counts: bool = True,
) -> TrayLayout:
    """Places on the sheet of a scan whose reduced picture is `width` by `height` pixels."""
    misfit = _first_misfit(bones)
    bones = bones if counts else [_without_verdict(bone) for bone in bones]
    natural = int(np.clip(width, _LEAST_WIDTH, settings.tray_sheet_most_px))
    details = [replace(detail, count=detail.count and counts) for detail in DETAILS]
    tries = [(natural, details[0]), *((settings.tray_sheet_most_px, detail) for detail in details)]
    mismatch = promised is not None and promised != len(bones)
    ordered = sorted(bones, key=lambda b: b.reading.number)
    inner = GAP + (_FRAME if mismatch else 0)
    for sheet_width, detail in tries:
        zoom = sheet_width / width
        words, top = _header(scan, bones, missing, promised if mismatch else None, misfit, sheet_width, counts)
        sheet_height = top + round(height * zoom)
        outlines = [(np.asarray(b.reading.outline, dtype=np.float64) + 0.5) * scale * zoom + (0, top) for b in ordered]
        room = (float(inner), float(top + inner), float(sheet_width - inner), float(sheet_height - inner))
        plates = place_plates(ordered, outlines, room, detail)
        if are_plain(plates):
            break
    return TrayLayout(sheet_width, sheet_height, top, zoom, plates, tuple(words), mismatch)


def _header(
    scan: str,
    bones: Sequence[TrayBone],
    missing: Sequence[str],
    promised: int | None,
    misfit: TrayBone | None,
    width: int,
    counts: bool,
) -> tuple[list[Words], int]:
    """The lines above the scan, and the height that they take. `promised` is given when it is not what was found."""
    if promised is None:
        looks = f" · {sum(b.age.review for b in bones)} to look at" if counts else " · ids alone, to check the list"
        heading = f"{legible(scan)} · {_bones(len(bones))}{looks} · dotted line: reading order"
        lines = wrapped(heading, width - 2 * _MARGIN, 18)
        words = [Words(text, _MARGIN, 12 + 24 * n, 18, ink.INK) for n, text in enumerate(lines)]
        return words, _HEADER_HEIGHT + 24 * (len(lines) - 1)
    too, odd = ("many", "extra") if len(bones) > promised else ("few", "missing")
    shifted = (
        f"Too {too} bones: the scan does not show which one is {odd}. From some bone on, every id may belong to "
        "another fish: compare bone by bone with the table."
    )
    texts = [(f"TRAY MISMATCH: {_bones(len(bones))} found, {promised} in the table", 34, True), (shifted, 20, False)]
    if misfit is not None:
        where = f"bone {misfit.reading.number} ({legible(misfit.specimen.specimen)})"
        texts.append((f"The first bone whose size or shape does not fit is {where}: begin there.", 20, True))
    else:
        texts.append(("No bone's size or shape shows where.", 20, False))
    if missing:
        left = ", ".join(legible(m, bold=True) for m in missing)
        texts.append((f"Left without a bone as the ids now stand: {left}", 20, True))
    extra = [legible(b.specimen.specimen, bold=True) for b in bones if NO_ROW in b.age.notices]
    if extra:
        texts.append((f"Left without a row in the table as the ids now stand: {', '.join(extra)}", 20, True))
    texts.append((legible(scan), 15, False))
    words, top = [], float(_FRAME + 10)
    for text, size, bold in texts:
        for line in wrapped(text, width - 2 * _MARGIN - _FRAME - _STRIPE, size, bold):
            words.append(Words(line, _MARGIN + _FRAME + _STRIPE, top, size, (255, 255, 255), bold))
            top += extent(line, size, bold)[1] + 3
    return words, round(top + 8)


def _first_misfit(bones: Sequence[TrayBone]) -> TrayBone | None:
    """The first bone in reading order whose size or shape does not fit its row of the table: by the whole run, or
    because its size for the fish's length is not that of the tray's other bones."""
    ordered = sorted(bones, key=lambda b: b.reading.number)
    size = {b.reading.number: _log_size_for_length(b) for b in ordered}
    known = [s for s in size.values() if not np.isnan(s)]
    usual = float(np.median(known)) if len(known) >= _LEAST_PEERS else np.nan
    for bone in ordered:
        if MISFITS.intersection(bone.age.reasons) or abs(size[bone.reading.number] - usual) > _MOST_OFF:
            return bone
    return None


def _log_size_for_length(bone: TrayBone) -> float:
    """Logarithm of the bone's axis, pixels, over its fish's length; nan when one of them is not known."""
    axis, length_mm = bone.reading.axis, bone.specimen.length_mm
    return float(np.log(axis.radius_px / length_mm)) if axis and length_mm and axis.radius_px > 0 else float("nan")


def _without_verdict(bone: TrayBone) -> TrayBone:
    notices = tuple(n for n in bone.age.notices if n == NO_ROW)
    return replace(bone, age=Age(specimen=bone.age.specimen, status=bone.age.status, notices=notices))


def _bones(many: int) -> str:
    return "1 bone" if many == 1 else f"{many} bones"


def _draw_order(sheet: NDArray[np.uint8], plates: Sequence[BoneLabel]) -> None:
    """A dotted line from each bone to the next one in its row."""
    for plate, following in pairwise(plates):
        if following.middle[0] > plate.middle[0]:
            ink.stroke(sheet, ink.pieces(np.asarray([plate.middle, following.middle]), 2, 7), ink.AXIS, width=1)


def _colour(plate: BoneLabel) -> Colour:
    return ink.DOUBT if plate.bone.age.review else ink.OUTLINE


def _draw_plate(sheet: NDArray[np.uint8], plate: BoneLabel) -> None:
    left, top, right, bottom = plate.box
    border = 4 if plate.bone.age.review else 2
    ink.block(sheet, (left - border, top - border, right + border, bottom + border), _colour(plate))
    ink.block(sheet, plate.box, ink.PAPER)


def _leader(plate: BoneLabel) -> NDArray[np.float64]:
    """From the bone's number to the nearest point of its plate."""
    left, top, right, bottom = plate.box
    x, y = plate.middle
    return np.asarray([(x, y), (np.clip(x, left, right), np.clip(y, top, bottom))])


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
