"""The bed of the scanner: where bones lie, and what lies there besides them."""

from __future__ import annotations

import cv2
import numpy as np

from pipeline.records import Float
from pipeline.simulate.noise import Random, cloud
from pipeline.simulate.optics import Lighting, shine
from pipeline.simulate.picture import BonePicture

SIDE_MM = (1.5, 7.0)  # empty bed around the bones
GAP_MM = (1.2, 5.0)  # between bones of a tray
MOST_IN_A_ROW = 5
LABEL_MM = (30.0, 10.0)  # width and height of a paper label
RULER_MM = 8.0  # height of a ruler
PAPER = 0.78  # light returned by paper
INK = 0.03  # and by what is written on it
SHADOW = (0.0, 0.3)  # share of light lost beside a bone on a white backing
SHADOW_MM = 0.35

Corner = tuple[int, int]


def arrange(random: Random, pictures: list[BonePicture], px_per_mm: float, touching: bool) -> tuple[list[Corner], Corner]:
    """Top-left corners (x, y) of the pictures in reading order, and the size (width, height) of the bed they need.

    Rows run from top to bottom, bones in a row from left to right. `touching`: two neighbours touch.
    """
    side = [round(random.uniform(*SIDE_MM) * px_per_mm) for _ in range(4)]
    count = len(pictures)
    columns = count if count <= 3 else int(np.clip(np.ceil(np.sqrt(count * random.uniform(1.0, 1.9))), 2, MOST_IN_A_ROW))
    corners: list[Corner] = []
    top, right_most = side[1], 0
    for start in range(0, count, columns):
        row = pictures[start : start + columns]
        tall = max(p.cover.shape[0] for p in row)
        left, placed = side[0], []
        for picture in row:
            height, width = picture.cover.shape
            drop = round((tall - height) * random.uniform(0.3, 0.7))
            placed.append((left, top + drop))
            left += width + round(random.uniform(*GAP_MM) * px_per_mm)
        if touching and len(row) > 1:
            k = int(random.integers(1, len(row)))
            nearer = _gap(row[k - 1], placed[k - 1], row[k], placed[k]) + int(random.integers(0, 3))
            placed[k:] = [(x - nearer, y) for x, y in placed[k:]]
        corners += placed
        right_most = max(right_most, *(x + p.cover.shape[1] for (x, _), p in zip(placed, row, strict=True)))
        top += tall + round(random.uniform(*GAP_MM) * px_per_mm)
    return corners, (right_most + side[2], top + side[3])


def _gap(left: BonePicture, at_left: Corner, right: BonePicture, at_right: Corner) -> int:
    """Columns by which the right bone can move left until it touches; 0 if they share no row."""
    first = max(at_left[1], at_right[1])
    last = min(at_left[1] + left.cover.shape[0], at_right[1] + right.cover.shape[0])
    if last <= first:
        return 0
    a = left.cover[first - at_left[1] : last - at_left[1]] > 0.5
    b = right.cover[first - at_right[1] : last - at_right[1]] > 0.5
    both = a.any(axis=1) & b.any(axis=1)
    if not both.any():
        return 0
    end_of_left = at_left[0] + a.shape[1] - 1 - np.argmax(a[:, ::-1], axis=1)
    start_of_right = at_right[0] + np.argmax(b, axis=1)
    return int((start_of_right - end_of_left)[both].min()) - 1


def empty_bed(random: Random, size: Corner, lighting: Lighting, px_per_mm: float) -> Float:
    """Light (row, column, channel) of the bed before anything lies on it: a little cloudy, seldom with a fold."""
    width, height = size
    bed = np.full((height, width, lighting.channels), lighting.backing, np.float32)
    cloudy = 1 + np.float32(random.uniform(0.0, 0.05)) * cloud(random, (height, width), (height / 2.5, width / 2.5))
    cloudy += np.float32(random.uniform(0.0, 0.02)) * cloud(random, (height, width), (px_per_mm * 0.4, px_per_mm * 0.4))
    bed *= cloudy[..., None]
    if lighting.channels == 3:
        bed *= np.array([1, random.uniform(0.97, 1.0), random.uniform(0.93, 1.03)], np.float32)
    return bed


def lay(random: Random, bed: Float, picture: BonePicture, corner: Corner, lighting: Lighting, px_per_mm: float) -> None:
    """Light of a bone on the bed, in place."""
    height, width = picture.cover.shape
    part = bed[corner[1] : corner[1] + height, corner[0] : corner[0] + width]
    below = part
    if lighting.name in ("white", "photocopy"):
        shadow = cv2.GaussianBlur(picture.cover, (0, 0), SHADOW_MM * px_per_mm)
        below = part * (1 - np.float32(random.uniform(*SHADOW)) * shadow)[..., None]
    light = shine(picture.optical, below, picture.shade, lighting)
    if lighting.name != "transmitted":
        light += picture.gloss[..., None]
    light *= picture.stain[..., None]
    cover = picture.cover[..., None]
    part += cover * (light - part) + (1 - cover) * (below - part)


def add_label(random: Random, bed: Float, corner: Corner, px_per_mm: float, lines: tuple[str, ...], lighting: Lighting) -> None:
    """A paper label with a few words, in place."""
    width, height = (round(v * px_per_mm) for v in LABEL_MM)
    paper = np.full((height, width), 255, np.uint8)
    for k, line in enumerate(lines):
        longest = cv2.getTextSize(line, cv2.FONT_HERSHEY_COMPLEX_SMALL, 1, 1)[0]
        size = min(0.86 * width / longest[0], 0.5 * height / len(lines) / longest[1])
        cv2.putText(paper, line, (round(0.06 * width), round((k + 0.68) * height / len(lines))), cv2.FONT_HERSHEY_COMPLEX_SMALL,
                    size, 0, max(1, round(size)), cv2.LINE_AA)
    _stick_on(random, bed, paper, corner, lighting)


def add_ruler(random: Random, bed: Float, corner: Corner, length_px: int, px_per_mm: float, lighting: Lighting) -> None:
    """A millimetre ruler along the bed, in place."""
    tall = round(RULER_MM * px_per_mm)
    blank = np.full((tall, length_px), 255, np.uint8)
    for mm in range(int(length_px / px_per_mm) - 2):
        x = round((mm + 1.5) * px_per_mm)
        reach = 0.45 if mm % 10 == 0 else 0.33 if mm % 5 == 0 else 0.22
        cv2.rectangle(blank, (x, tall - round(reach * tall)), (x + max(0, round(0.1 * px_per_mm)), tall), 0, -1)
        if mm % 10 == 0:
            cv2.putText(blank, str(mm), (x - round(0.6 * px_per_mm), round(0.4 * tall)), cv2.FONT_HERSHEY_PLAIN, px_per_mm / 7, 0,
                        max(1, round(px_per_mm / 14)), cv2.LINE_AA)
    if random.random() < 0.2:
        blank = 255 - blank
    _stick_on(random, bed, blank, corner, lighting)


def _stick_on(random: Random, bed: Float, paper: np.ndarray, corner: Corner, lighting: Lighting) -> None:
    """Paper, dark where 0, a little askew, in place; on a light table it lets some light through."""
    height, width = paper.shape
    turn = cv2.getRotationMatrix2D((width / 2, height / 2), random.uniform(-1.5, 1.5), 0.97)
    drawn = cv2.warpAffine(paper, turn, (width, height), flags=cv2.INTER_AREA).astype(np.float32) / 255
    there = cv2.warpAffine(np.full(paper.shape, 255, np.uint8), turn, (width, height)).astype(np.float32) / 255
    part = bed[corner[1] : corner[1] + height, corner[0] : corner[0] + width]
    drawn, there = drawn[: part.shape[0], : part.shape[1], None], there[: part.shape[0], : part.shape[1], None]
    bright = PAPER if lighting.name != "transmitted" else 0.45 * lighting.backing
    part += there * (INK + drawn * np.float32(bright * random.uniform(0.85, 1.1)) - part)


def add_litter(random: Random, bed: Float, per_cm2: float, px_per_mm: float, lighting: Lighting) -> None:
    """Dust, fibres and scratches of the glass, in place: bright on black, dark on white."""
    height, width = bed.shape[:2]
    area_cm2 = height * width / (10 * px_per_mm) ** 2
    dirt = np.zeros((height, width), np.uint8)
    for _ in range(random.poisson(per_cm2 * area_cm2)):
        centre = (int(random.uniform(0, width)), int(random.uniform(0, height)))
        half = tuple(int(v) for v in np.maximum(0.03 * px_per_mm * random.lognormal(0, 0.7, 2), 1))
        cv2.ellipse(dirt, centre, half, random.uniform(0, 180), 0, 360, int(random.uniform(50, 220)), -1, cv2.LINE_AA)
    for _ in range(random.poisson(per_cm2 * area_cm2 / 20)):
        heading = random.uniform(0, 2 * np.pi) + np.cumsum(random.normal(random.normal(0, 0.1), 0.12, 30))
        step = random.uniform(0.08, 0.3) * px_per_mm
        path = np.cumsum(np.stack([np.cos(heading), np.sin(heading)], axis=1) * step, axis=0) + random.uniform(0, 1, 2) * (width, height)
        cv2.polylines(dirt, [np.round(path * 16).astype(np.int32)], False, int(random.uniform(60, 190)),
                      max(1, round(random.uniform(0.02, 0.06) * px_per_mm)), cv2.LINE_AA, shift=4)
    if random.random() < 0.06 * per_cm2:
        ends = random.uniform(0, 1, (2, 2)) * (width, height)
        cv2.line(dirt, *(tuple(int(v) for v in e) for e in ends), int(random.uniform(20, 80)), 1, cv2.LINE_AA)
    rows, cols = np.nonzero(dirt)
    share = (dirt[rows, cols].astype(np.float32) / 255)[:, None]
    colour = np.float32(0.5 if lighting.name == "dark" else 0.08)
    bed[rows, cols] += share * (colour - bed[rows, cols])
