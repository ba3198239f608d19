"""The bed of the scanner: where bones lie on it, and what lies there besides them."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from pipeline.records import Float
from pipeline.simulate.noise import Array, Random

SIDE_MM = (1.5, 7.0)  # empty bed around the bones
GAP_MM = (1.2, 5.0)  # between bones of a tray
SHORT_ROW = 3  # so many bones lie in one row
MOST_IN_A_ROW = 5
LABEL_MM = (30.0, 10.0)  # width and height of a paper label
RULER_MM = 8.0  # height of a ruler
AROUND_EXTRAS_MM = 1.5  # empty bed at a label or ruler
EXTRA_CHANCE = {"label": (0.25, 0.7), "ruler": (0.25, 0.5)}  # with a single bone, and on a tray
NUMBERED_CHANCE = 0.35  # that somebody pencilled numbers beside the bones of a tray
NUMBER_MM = 2.2  # height of such a number
DUST_MM = 0.03  # half length of a middling speck
FIBRE_SHARE = 0.05  # fibres for each speck

Corner = tuple[int, int]


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout:
    """Where everything lies, in scan pixels."""

    corners: tuple[Corner, ...]
    """Top-left x, y of each bone's picture, in reading order: rows top to bottom, left to right in a row."""
    size: Corner
    """Width and height of the scan."""
    label: Corner | None = None
    ruler: Corner | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Stuff:
    """Light, 0 to 1, that comes from what lies beside the bones."""

    paper: float
    ink: float
    pencil: float
    """Numbers written on the bed."""
    dust: float


def arrange(random: Random, covers: list[Float], px_per_mm: float, touching: bool) -> Layout:
    """Bones in rows; `covers` (row, column) are 1 on each; `touching`: two neighbours touch."""
    side = [round(random.uniform(*SIDE_MM) * px_per_mm) for _ in range(4)]
    count = len(covers)
    columns = (
        count
        if count <= SHORT_ROW
        else int(np.clip(np.ceil(np.sqrt(count * random.uniform(1.0, 1.9))), 2, MOST_IN_A_ROW))
    )
    corners: list[Corner] = []
    top, right_most = side[1], 0
    for start in range(0, count, columns):
        row = covers[start : start + columns]
        tall = max(cover.shape[0] for cover in row)
        left = side[0]
        placed: list[Corner] = []
        for cover in row:
            height, width = cover.shape
            placed.append((left, top + round((tall - height) * random.uniform(0.3, 0.7))))
            left += width + round(random.uniform(*GAP_MM) * px_per_mm)
        if touching and len(row) > 1:
            k = int(random.integers(1, len(row)))
            nearer = _gap(row[k - 1], placed[k - 1], row[k], placed[k]) + int(random.integers(0, 3))
            placed[k:] = [(x - nearer, y) for x, y in placed[k:]]
        corners += placed
        right_most = max(right_most, *(x + cover.shape[1] for (x, _), cover in zip(placed, row, strict=True)))
        top += tall + round(random.uniform(*GAP_MM) * px_per_mm)
    return Layout(corners=tuple(corners), size=(right_most + side[2], top + side[3]))


def _gap(left: Float, at_left: Corner, right: Float, at_right: Corner) -> int:
    """Columns by which the right bone can move left until it touches; 0 if they share no row."""
    first = max(at_left[1], at_right[1])
    last = min(at_left[1] + left.shape[0], at_right[1] + right.shape[0])
    if last <= first:
        return 0
    a = left[first - at_left[1] : last - at_left[1]] > 0.5
    b = right[first - at_right[1] : last - at_right[1]] > 0.5
    both = a.any(axis=1) & b.any(axis=1)
    if not both.any():
        return 0
    end_of_left = at_left[0] + a.shape[1] - 1 - np.argmax(a[:, ::-1], axis=1)
    start_of_right = at_right[0] + np.argmax(b, axis=1)
    return int((start_of_right - end_of_left)[both].min()) - 1


def lay_out(random: Random, bones: Layout, px_per_mm: float, extras: bool) -> Layout:
    """Room for a label above the bones and a ruler below them, each there or not."""
    if not extras:
        return bones
    tray = int(len(bones.corners) > 1)
    label, ruler = (random.random() < EXTRA_CHANCE[what][tray] for what in ("label", "ruler"))
    edge = round(AROUND_EXTRAS_MM * px_per_mm)
    above = edge + round(LABEL_MM[1] * px_per_mm) if label else 0
    below = edge + round(RULER_MM * px_per_mm) if ruler else 0
    width = max(bones.size[0], round((LABEL_MM[0] + 2 * AROUND_EXTRAS_MM) * px_per_mm) if label or ruler else 0)
    return Layout(
        corners=tuple((x, y + above) for x, y in bones.corners),
        size=(width, bones.size[1] + above + below),
        label=(round(random.uniform(0.5, 2) * edge), edge // 2) if label else None,
        ruler=(0, bones.size[1] + above + edge // 2) if ruler else None,
    )


def furnish(
    random: Random,
    bed: Float,
    layout: Layout,
    covers: list[Float],
    words: tuple[str, ...],
    litter_per_cm2: float,
    px_per_mm: float,
    stuff: Stuff,
) -> None:
    """Label, ruler, pencilled numbers and litter, in place."""
    if layout.label is not None:
        _label(random, bed, layout.label, px_per_mm, words, stuff)
    if layout.ruler is not None:
        _ruler(random, bed, layout.ruler, px_per_mm, stuff)
    if layout.label is not None and len(covers) > 1 and random.random() < NUMBERED_CHANCE:
        _numbers(random, bed, layout, covers, px_per_mm, stuff)
    _litter(random, bed, litter_per_cm2, px_per_mm, stuff)


def _label(random: Random, bed: Float, corner: Corner, px_per_mm: float, lines: tuple[str, ...], stuff: Stuff) -> None:
    """A paper label with a few words."""
    width, height = (round(v * px_per_mm) for v in LABEL_MM)
    paper = np.full((height, width), 255, np.uint8)
    for k, line in enumerate(lines):
        longest = cv2.getTextSize(line, cv2.FONT_HERSHEY_COMPLEX_SMALL, 1, 1)[0]
        size = min(0.86 * width / longest[0], 0.5 * height / len(lines) / longest[1])
        cv2.putText(
            paper,
            line,
            (round(0.06 * width), round((k + 0.68) * height / len(lines))),
            cv2.FONT_HERSHEY_COMPLEX_SMALL,
            size,
            (0,),
            max(1, round(size)),
            cv2.LINE_AA,
        )
    _stick_on(random, bed, paper, corner, stuff)


def _ruler(random: Random, bed: Float, corner: Corner, px_per_mm: float, stuff: Stuff) -> None:
    """A millimetre ruler along the whole bed, black on white or white on black."""
    tall, length = round(RULER_MM * px_per_mm), bed.shape[1]
    blank = np.full((tall, length), 255, np.uint8)
    for mm in range(int(length / px_per_mm) - 2):
        x = round((mm + 1.5) * px_per_mm)
        reach = 0.45 if mm % 10 == 0 else 0.33 if mm % 5 == 0 else 0.22
        cv2.rectangle(blank, (x, tall - round(reach * tall)), (x + max(0, round(0.1 * px_per_mm)), tall), (0,), -1)
        if mm % 10 == 0:
            cv2.putText(
                blank,
                str(mm),
                (x - round(0.6 * px_per_mm), round(0.4 * tall)),
                cv2.FONT_HERSHEY_PLAIN,
                px_per_mm / 7,
                (0,),
                max(1, round(px_per_mm / 14)),
                cv2.LINE_AA,
            )
    _stick_on(random, bed, np.asarray(255 - blank if random.random() < 0.2 else blank), corner, stuff)


def _stick_on(random: Random, bed: Float, paper: Array, corner: Corner, stuff: Stuff) -> None:
    """Paper, dark where 0, a little askew; on a light table it lets some light through."""
    height, width = paper.shape
    turn = cv2.getRotationMatrix2D((width / 2, height / 2), random.uniform(-1.5, 1.5), 0.97)
    drawn = cv2.warpAffine(paper, turn, (width, height), flags=cv2.INTER_AREA).astype(np.float32) / 255
    there = cv2.warpAffine(np.full(paper.shape, 255, np.uint8), turn, (width, height)).astype(np.float32) / 255
    part = bed[corner[1] : corner[1] + height, corner[0] : corner[0] + width]
    drawn, there = drawn[: part.shape[0], : part.shape[1], None], there[: part.shape[0], : part.shape[1], None]
    part += there * (stuff.ink + drawn * np.float32(stuff.paper * random.uniform(0.85, 1.1)) - part)


def _numbers(random: Random, bed: Float, layout: Layout, covers: list[Float], px_per_mm: float, stuff: Stuff) -> None:
    """A number at a corner of each bone's picture, where the bone leaves room."""
    size = round(NUMBER_MM * px_per_mm)
    for k, ((x, y), cover) in enumerate(zip(layout.corners, covers, strict=True)):
        free = [
            (row, column)
            for row in (0, -size)
            for column in (0, -2 * size)
            if cover.shape[0] > size
            and cover.shape[1] > 2 * size
            and not cover[row:][:size, column:][:, : 2 * size].any()
        ]
        if not free:
            continue
        row, column = free[int(random.integers(len(free)))]
        top = y + row % cover.shape[0]
        left = x + column % cover.shape[1]
        mark = np.zeros((size, 2 * size), np.uint8)
        cv2.putText(
            mark,
            str(k + 1),
            (2, size - 2),
            cv2.FONT_HERSHEY_SCRIPT_SIMPLEX,
            size / 32,
            (255,),
            max(1, size // 20),
            cv2.LINE_AA,
        )
        share = (mark.astype(np.float32) / 255)[..., None]
        part = bed[top : top + size, left : left + 2 * size]
        part += share * (np.float32(stuff.pencil) - part)


def _litter(random: Random, bed: Float, per_cm2: float, px_per_mm: float, stuff: Stuff) -> None:
    """Dust, fibres and scratches of the glass: bright on black, dark on white."""
    height, width = bed.shape[:2]
    specks = per_cm2 * height * width / (10 * px_per_mm) ** 2
    dirt = np.zeros((height, width), np.uint8)
    for _ in range(random.poisson(specks)):
        centre = (int(random.uniform(0, width)), int(random.uniform(0, height)))
        long, short = (max(1, int(v)) for v in DUST_MM * px_per_mm * random.lognormal(0, 0.7, 2))
        grey = int(random.uniform(50, 220))
        cv2.ellipse(dirt, centre, (long, short), random.uniform(0, 180), 0, 360, (grey,), -1, cv2.LINE_AA)
    for _ in range(random.poisson(specks * FIBRE_SHARE)):
        heading = random.uniform(0, 2 * np.pi) + np.cumsum(random.normal(random.normal(0, 0.1), 0.12, 30))
        step = random.uniform(0.08, 0.3) * px_per_mm
        path = np.cumsum(np.stack([np.cos(heading), np.sin(heading)], axis=1) * step, axis=0) + random.uniform(
            0, 1, 2
        ) * (width, height)
        cv2.polylines(
            dirt,
            [np.round(path * 16).astype(np.int32)],
            False,
            (int(random.uniform(60, 190)),),
            max(1, round(random.uniform(0.02, 0.06) * px_per_mm)),
            cv2.LINE_AA,
            shift=4,
        )
    if random.random() < 0.06 * per_cm2:
        (x0, y0), (x1, y1) = random.uniform(0, 1, (2, 2)) * (width, height)
        cv2.line(dirt, (int(x0), int(y0)), (int(x1), int(y1)), (int(random.uniform(20, 80)),), 1, cv2.LINE_AA)
    rows, columns = np.nonzero(dirt)
    share = (dirt[rows, columns].astype(np.float32) / 255)[:, None]
    bed[rows, columns] += share * (np.float32(stuff.dust) - bed[rows, columns])
