"""The bone as a plate: how thick and how opaque it is at each place, unrolled about the focus."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from pipeline.records import Float
from pipeline.simulate.marks import GrowthMarks, opacity_of_lines, years_of_growth
from pipeline.simulate.noise import Random, cloud, ease
from pipeline.simulate.outline import Outline
from pipeline.simulate.place import AXIS, DEGREES, DIRECTIONS
from pipeline.simulate.variety import Level

BLADE_MM = (0.26, 0.42)  # thickness of the layers that carry the marks, near the margin
BLADE_TAPER = (0.1, 0.7)  # how much thicker they are at the focus, share
BASE_REACH = (0.12, 0.34)  # of the radius, over which it falls off
HIDING_MM = (0.9, 2.0)  # bone over the first annulus when it is hidden
KNOB_MM = (0.7, 2.2)  # the articular knob at the focus
KNOB_RADIUS = (0.045, 0.085)  # of the growth axis
CUP = (0.2, 0.8)  # depth of the socket in the knob, share of its height
RIB_MM = (0.25, 1.3)  # height of a rib at the focus
RIB_WIDTH = (0.012, 0.045)  # half width at the focus, of the growth axis
RIB_REACH = (0.35, 1.0)  # length, of the margin's distance in its direction
RIB_ROOT = 0.03  # length over which it rises at the focus, of the growth axis
RIBLESS_CHANCE = 0.22
SCATTERING = (1.6, 3.2)  # 1/mm; optical thickness of a millimetre of opaque summer bone
SEASON_SLOPE = (-0.04, 0.16)  # how much less opaque late summer is than early summer
YEAR_LEVEL = 0.05  # spread of opacity between the summers of a bone
STRIAE = 0.055  # strength of radial striae at texture 1
LAMELLAE = 0.035  # strength of fine lamellae along the marks
STEPS_A_YEAR = 64  # of the calendar of opacity
INNER_RIB_CHANCE = 0.4  # that a rib also runs within the fan
RIB_SPREAD = 0.035  # widening of a rib with distance
HIDING_REACH = (0.95, 1.15)  # of the first annulus, that the bone over it covers
OLD_THICKENING = 0.05  # a year: old bones are thicker


@dataclass(frozen=True, slots=True, kw_only=True)
class Plate:
    """Unrolled tables (DIRECTIONS, radius in px)."""

    optical: Float
    """Scattering times thickness: dimensionless optical thickness."""
    relief_mm: Float
    """Thickness, for the shading by a slanting lamp."""
    margin: Float
    """(DIRECTIONS,) px: distance of the margin."""


def draw_plate(random: Random, level: Level, outline: Outline, marks: GrowthMarks, axis_px: float) -> Plate:
    """Thickness and opacity of a bone with the given marks."""
    margin = outline.margin(1.0) * np.float32(axis_px)
    columns = int(np.ceil(margin.max() * 1.05)) + 4
    texture = random.uniform(*level.texture)
    opacity = opacity_of_lines(marks.lines, columns)
    opacity *= _seasons(random, marks, columns, texture)
    blade, over = _thickness(random, level, outline, marks, margin, columns, axis_px)
    scattering = np.float32(random.uniform(*SCATTERING))
    relief = blade + over
    opacity *= blade
    opacity += over
    opacity *= _striae(random, columns, texture)
    opacity *= scattering
    return Plate(optical=opacity, relief_mm=relief, margin=margin)


def _seasons(random: Random, marks: GrowthMarks, columns: int, texture: float) -> Float:
    """Factor of opacity from the date of growth: season, year, and fine lamellae."""
    years = len(marks.years)
    date = np.arange(years * STEPS_A_YEAR) / STEPS_A_YEAR
    level = np.exp(random.normal(0, YEAR_LEVEL, years + 1))[date.astype(int)]
    season = 1 + random.uniform(*SEASON_SLOPE) * (0.5 - date % 1)
    fine = random.standard_normal(len(date))
    broad = np.convolve(random.standard_normal(len(date)), np.hanning(9) / 2.2, mode="same")
    calendar = np.asarray(level * season * (1 + LAMELLAE * texture * (0.5 * fine + broad)), np.float32)
    age = years_of_growth(marks.years, columns)
    age *= STEPS_A_YEAR
    slip = cloud(random, age.shape, (DIRECTIONS / 24, columns / 3)) * np.float32(
        1.5
    )  # lamellae do not run round the whole bone
    age += slip
    return np.asarray(
        cv2.remap(calendar[None], np.clip(age, 0, len(date) - 1), np.zeros_like(age), cv2.INTER_LINEAR), np.float32
    )


def _striae(random: Random, columns: int, texture: float) -> Float:
    """Factor of opacity from fibres that run out from the focus, nearly straight."""
    shape = (DIRECTIONS, columns)
    fibres = 0.6 * cloud(random, shape, (random.uniform(1.5, 4), columns / random.uniform(1.5, 4)))
    fibres += 0.6 * cloud(random, shape, (random.uniform(6, 16), columns / random.uniform(1, 3)))
    fibres *= np.float32(STRIAE * texture * random.uniform(0.4, 1.5))
    fibres *= np.clip(np.arange(columns, dtype=np.float32) / (0.4 * columns), 0.15, 1)[None]
    fibres += 1
    return fibres


def _thickness(
    random: Random, level: Level, outline: Outline, marks: GrowthMarks, margin: Float, columns: int, axis_px: float
) -> tuple[Float, Float]:
    """Thickness in mm of the layers that carry the marks, and of the bone without marks that grew over them."""
    radius = np.arange(columns, dtype=np.float32)[None] / np.float32(axis_px)
    limit = np.maximum(margin / np.float32(axis_px), 0.02)[:, None]
    share = radius / limit
    annuli = len(marks.years) - 2
    old = 1 + OLD_THICKENING * min(annuli, 10)
    blade = np.float32(random.uniform(*BLADE_MM) * old) * (
        1 + np.float32(random.uniform(*BLADE_TAPER)) * (1 - np.minimum(share, 1))
    )
    over = np.float32(random.uniform(*level.base_mm) * old) * np.exp(
        -((share / np.float32(random.uniform(*BASE_REACH))) ** 2)
    )
    if annuli >= 2 and random.random() < level.hidden_chance * np.clip(annuli / 6, 0.35, 1.6):
        core = outline.margin(float(marks.years[1, AXIS]) / axis_px)[:, None] * np.float32(
            random.uniform(*HIDING_REACH)
        )
        over = over + np.float32(random.uniform(*HIDING_MM)) * np.exp(-((0.8 * radius / core) ** 4))
    angle = np.deg2rad(DEGREES)[:, None]
    lean = random.uniform(-np.pi, np.pi)
    aside = np.sqrt(np.maximum(radius**2 + 0.0004 - 0.04 * radius * np.cos(angle - lean), 0))
    size = np.float32(random.uniform(*KNOB_RADIUS))
    knob = np.exp(-((radius / size) ** 4)) * (
        1 - np.float32(random.uniform(*CUP)) * np.exp(-((aside / (0.5 * size)) ** 2))
    )
    over = over + np.float32(random.uniform(*KNOB_MM)) * knob
    if random.random() >= RIBLESS_CHANCE:
        for rib in _rib_directions(random, outline):
            over += _rib(random, rib, radius, angle, limit)
    return np.asarray(blade, np.float32), np.asarray(over, np.float32)


def _rib_directions(random: Random, outline: Outline) -> list[float]:
    """Degrees from the growth axis: along the two edges of the fan, and sometimes within it."""
    half = min(outline.half_angle_deg, 80)
    ribs = [-half * random.uniform(0.86, 1.0), half * random.uniform(0.86, 1.0)]
    if random.random() < INNER_RIB_CHANCE:
        ribs.append(random.uniform(-0.6, 0.6) * half)
    return ribs[: random.integers(1, len(ribs) + 1)]


def _rib(random: Random, direction: float, radius: Float, angle: Float, limit: Float) -> Float:
    """A ridge that runs out from the focus, lower and broader with distance."""
    across = np.abs(np.sin(angle - np.deg2rad(direction))) * radius
    ahead = ease(0.5 + np.cos(angle - np.deg2rad(direction)) * radius / np.float32(2 * RIB_ROOT))
    width = np.float32(random.uniform(*RIB_WIDTH)) + np.float32(RIB_SPREAD) * radius
    reach = np.float32(random.uniform(*RIB_REACH)) * float(
        limit[int(np.argmin(np.abs(np.rad2deg(angle[:, 0]) - direction))), 0]
    )
    height = np.float32(random.uniform(*RIB_MM)) * np.clip(1 - radius / max(float(reach), 0.1), 0, 1)
    return np.asarray(ahead * height * np.exp(-((across / width) ** 2)), np.float32)
