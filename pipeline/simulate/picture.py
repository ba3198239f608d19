"""One bone in scan pixels: where it lies in its own small picture, how opaque it is there, and what befell it."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from pipeline.records import Float
from pipeline.simulate.damage import hurt
from pipeline.simulate.fish import DrawnFish
from pipeline.simulate.marks import GrowthMarks, draw_marks
from pipeline.simulate.noise import Random, cloud, ease, ripple
from pipeline.simulate.outline import Outline
from pipeline.simulate.place import AXIS, DIRECTIONS, PER_DEGREE, Place, put_down, rolled_up, unrolled
from pipeline.simulate.plate import draw_plate
from pipeline.simulate.variety import Level

DRAWN_OUTSIDE_PX = 0.4  # a filled polygon covers about this much more than its outline
RAGGED = (0.0003, 0.0022)  # roughness of an ordinary margin, share of the radius
WORN = (0.003, 0.009)  # of a worn one
WORN_CHANCE = 0.22
BEVEL = (0.003, 0.018)  # width over which the margin thins out, of the growth axis
BEVEL_LEFT = (0.35, 0.85)  # thickness left at the very margin
MOTTLE = 0.055  # strength of blotches at texture 1
LAMP_SLANT = (0.1, 0.55)  # how strongly the slope of the surface shows in reflected light


@dataclass(frozen=True, slots=True, kw_only=True)
class BonePicture:
    """A bone before it is lit. Arrays (row, column) of scan pixels; points count from the picture's top-left pixel."""

    fish: DrawnFish
    outline: Outline
    marks: GrowthMarks
    optical: Float
    """Optical thickness."""
    shade: Float
    """Factor of the light scattered back."""
    stain: Float
    """Factor of all light: dried skin, cracks."""
    gloss: Float
    """Mirrored light added in reflected light."""
    cover: Float
    """1 on the bone, 0 beside it."""
    place: Place
    axis_px: float
    damaged: bool


def draw_bone(
    random: Random, fish: DrawnFish, level: Level, outline: Outline, side: str, px_per_mm: float
) -> BonePicture:
    """A bone of a fish at a random rotation; a right one (`side` R) is the mirror image of a left one."""
    axis_px = fish.margin_mm * px_per_mm
    marks = draw_marks(random, fish, level, outline, axis_px)
    plate = draw_plate(random, level, outline, marks, axis_px)
    rim = plate.margin * (1 + _ragged(random)) - DRAWN_OUTSIDE_PX
    place, cover = put_down(random, rim, side)
    shape = (cover.shape[0], cover.shape[1])
    radius, row = unrolled(shape, place)
    optical, relief = rolled_up(plate.optical, radius, row), rolled_up(plate.relief_mm, radius, row)
    stain = np.ones(shape, np.float32)
    damaged = random.random() < level.damage_chance
    if damaged:
        for _ in range(random.integers(1, 4)):
            hurt(random, cover, stain, plate.margin, outline.half_angle_deg, place)
    depth = cv2.distanceTransform(np.asarray(cover > 127, np.uint8), cv2.DIST_L2, 5)
    left = np.float32(random.uniform(*BEVEL_LEFT))
    optical *= left + (1 - left) * np.clip(depth / np.float32(max(random.uniform(*BEVEL) * axis_px, 1.0)), 0, 1)
    optical *= _mottle(random, shape, axis_px, random.uniform(*level.texture))
    if random.random() < 0.5 * level.glare_chance:
        stain *= _dried_skin(random, shape)
    gloss = _glare(random, shape) if random.random() < level.glare_chance else np.zeros(shape, np.float32)
    return BonePicture(
        fish=fish,
        outline=outline,
        marks=marks,
        optical=optical,
        shade=_shade(random, relief, px_per_mm),
        stain=stain,
        gloss=gloss,
        cover=cover.astype(np.float32) / np.float32(255),
        place=place,
        axis_px=axis_px,
        damaged=damaged,
    )


def _ragged(random: Random) -> Float:
    """(DIRECTIONS,) share of the radius by which the margin is worn or juts out; 0 on the growth axis."""
    size = random.uniform(*(WORN if random.random() < WORN_CHANCE else RAGGED))
    rough = 0.6 * ripple(random, DIRECTIONS, random.uniform(1.5, 4) * PER_DEGREE) + ripple(
        random, DIRECTIONS, random.uniform(8, 25) * PER_DEGREE
    )
    rough = np.clip(rough, -2.2, 1.2)
    return np.asarray(size * (rough - rough[AXIS]), np.float32)


def _mottle(random: Random, shape: tuple[int, int], axis_px: float, texture: float) -> Float:
    """Factor of opacity: blotches of several sizes."""
    blotches = 0.8 * cloud(random, shape, (axis_px / random.uniform(5, 14),) * 2)
    blotches += 0.5 * cloud(random, shape, (axis_px / random.uniform(30, 70),) * 2)
    blotches += 0.35 * cloud(random, shape, (2.0, 2.0))
    return np.asarray(1 + np.float32(MOTTLE * texture * random.uniform(0.3, 1.3)) * blotches, np.float32)


def _shade(random: Random, relief_mm: Float, px_per_mm: float) -> Float:
    """Factor of reflected light from the surface's slope towards the scanner's lamp, which shines along the columns."""
    smooth = cv2.GaussianBlur(relief_mm, (0, 0), max(px_per_mm / 16, 0.8))
    slope = cv2.Sobel(smooth, cv2.CV_32F, 0, 1, ksize=3, scale=px_per_mm / 8)
    return np.asarray(np.clip(1 + np.float32(random.uniform(*LAMP_SLANT)) * slope, 0.7, 1.35), np.float32)


def _dried_skin(random: Random, shape: tuple[int, int]) -> Float:
    size = max(shape) / random.uniform(4, 9)
    film = ease((cloud(random, shape, (size, size)) + 0.3 * cloud(random, shape, (size / 6, size / 6)) - 1.3) / 0.5)
    return np.asarray(1 - np.float32(random.uniform(0.15, 0.55)) * film, np.float32)


def _glare(random: Random, shape: tuple[int, int]) -> Float:
    size = max(shape) / random.uniform(12, 25)
    uneven = cloud(random, shape, (size, size * random.uniform(1, 3)))
    uneven += 0.5 * cloud(random, shape, (size / 4, size / 4)) + 0.4 * cloud(random, shape, (size / 14, size / 14))
    spots = ease((uneven - np.float32(random.uniform(2.0, 2.7))) / 0.9)
    return np.asarray(np.float32(random.uniform(0.1, 0.45)) * spots, np.float32)
