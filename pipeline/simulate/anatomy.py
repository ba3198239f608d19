"""The parts that makes of drawings put bones together from: a body, marks on it, the bone's tissue, its surface.

Curves are arrays (DIRECTIONS,) about the focus, tables (DIRECTIONS, radius) with a column a pixel, see `place`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

import cv2
import numpy as np

from pipeline.records import Float
from pipeline.simulate.backing import ScanBed
from pipeline.simulate.compose import Portrait, Studio
from pipeline.simulate.damage import hurt, slit
from pipeline.simulate.fish import DrawnFish, Growth
from pipeline.simulate.noise import Array, Random, ripple
from pipeline.simulate.place import AXIS, DIRECTIONS, PER_DEGREE, put_down, rolled_up, unrolled
from pipeline.simulate.plan import Plan
from pipeline.simulate.texture import blotches, grains, grease, pores, scratches, stain, vessels
from pipeline.simulate.truth import DrawnBone, KnownLine
from pipeline.simulate.variety import Level, Range

BLOTCHES = 0.06  # strength of blotches at texture 1
VESSELS = (0.05, 0.2)  # share of light that vessels take at texture 1
PORES = 0.55  # that pores take
SCRATCHES = 0.3  # that scratches take
STAINED = (0.2, 0.6)  # that stains take


@dataclass(frozen=True, slots=True, kw_only=True)
class Body:
    """The shape of one bone, now and at the end of every year."""

    family: str
    half_angle_deg: float
    """Half of the fan's opening; 180 when the bone surrounds its focus."""
    axis_px: float
    margin: Float
    """(DIRECTIONS,) px."""
    years: Float
    """(year, DIRECTIONS) px: where each year of growth ends; year 0 is the focus, the last lies beyond the margin."""

    @property
    def columns(self) -> int:
        """Of the tables of this bone."""
        return int(self.margin.max() * 1.05) + 4

    @property
    def share(self) -> Float:
        """Table: distance from the focus as a share of the margin's, at most 1."""
        radius = np.arange(self.columns, dtype=np.float32)[None]
        return np.asarray(np.minimum(radius / np.maximum(self.margin, 3)[:, None], 1), np.float32)


@dataclass(frozen=True, slots=True, kw_only=True)
class Marks:
    """What winters left on a bone."""

    lines: tuple[KnownLine, ...]
    """Annuli and checks."""
    splits: int
    missing: Float
    """Table: share of its opacity that bone lacks; below 0 where it is denser than summer bone."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Tissue:
    """Tables of what the bone is made of."""

    optical: Float
    """Optical thickness."""
    relief: Float | None = None
    """Height of the surface, where a slanting lamp shows it; hundredths of the growth axis, about."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Surface:
    """What time and handling did to a bone. Ranges are drawn from evenly."""

    frayed: float = 0.005
    """Roughness of the margin, at most, share of the radius."""
    bevel: Range = (0.002, 0.015)
    """Width over which the margin thins out, share of the axis."""
    bevel_left: float = 0.3
    """Thickness left at the very margin."""
    blotch: Range = (4.0, 15.0)
    """Blotches along the growth axis."""
    slits: float = 0.0
    """Mean number of gaps torn by drying, at texture 1."""
    scratches: float = 0.3
    """Mean number at texture 1."""
    pores: int = 0
    """At most."""
    vessels: int = 0
    """At most."""
    grain: float = 0.0
    """Strength of grains and pits about the base at texture 1, at most."""
    grease: Range | None = None
    """Share of its opacity that bone lacks where grease was left in it."""
    slant: float = 0.0
    """Strength of the shading by a slanting lamp."""
    lamp_deg: float = 90.0
    """Direction of that lamp on the scan."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Recipe:
    """How the bones of one scan are put together."""

    body: Callable[[Random, DrawnFish, float], Body]
    """From a fish and the length of the growth axis, px."""
    marks: Callable[[Random, DrawnFish, Plan, Body], Marks]
    tissue: Callable[[Random, Level, Body, Float], Tissue]
    """From the body and `Marks.missing`."""
    surface: Surface


def studio(
    plan: Plan, backing: ScanBed, recipe: Recipe, growth: Growth, shoot: Callable[[Random, Float], Array], shadow: float
) -> Studio:
    """How scans of bones by a recipe are composed; `shadow` as in `Studio`."""
    return Studio(
        portray=partial(_portray, plan=plan, backing=backing, recipe=recipe),
        bed=backing.bed,
        stuff=backing.stuff,
        shoot=shoot,
        growth=growth,
        shadow=shadow,
    )


def _portray(random: Random, fish: DrawnFish, side: str, plan: Plan, backing: ScanBed, recipe: Recipe) -> Portrait:
    level, surface = plan.level, recipe.surface
    axis_px = fish.margin_mm * plan.px_per_mm
    body = recipe.body(random, fish, axis_px)
    marks = recipe.marks(random, fish, plan, body)
    tissue = recipe.tissue(random, level, body, marks.missing)
    texture = random.uniform(*level.texture)
    place, mask = put_down(random, body.margin * (1 + _frayed(random, surface.frayed)), side)
    shape = (mask.shape[0], mask.shape[1])
    radius, row = unrolled(shape, place)
    factor = np.ones(shape, np.float32)
    damaged = random.random() < level.damage_chance
    for _ in range(random.integers(1, 4) if damaged else 0):
        hurt(random, mask, factor, body.margin, body.half_angle_deg, place)
    for _ in range(random.poisson(surface.slits * texture)):
        slit(random, mask, body.margin, body.half_angle_deg, place)
    depth = cv2.distanceTransform(np.asarray(mask > 127, np.uint8), cv2.DIST_L2, 5)
    bevel_px = np.float32(max(random.uniform(*surface.bevel) * axis_px, 1.0))
    optical = rolled_up(tissue.optical, radius, row) * np.clip((depth + 0.5) / bevel_px, surface.bevel_left, 1)
    optical *= 1 + np.float32(BLOTCHES * texture) * blotches(random, shape, axis_px / random.uniform(*surface.blotch))
    if surface.grain:
        optical *= 1 + np.float32(random.uniform(0, surface.grain) * texture) * grains(
            random, radius / axis_px, axis_px
        )
    if surface.grease is not None:
        optical *= 1 - np.float32(random.uniform(*surface.grease)) * grease(random, shape)
    factor *= 1 - SCRATCHES * scratches(
        random, shape, int(random.poisson(surface.scratches * texture)), max(axis_px / 500, 1.0)
    )
    if surface.vessels:
        veins = vessels(random, place, shape, axis_px, int(random.integers(0, surface.vessels + 1)))
        factor *= 1 - np.float32(random.uniform(*VESSELS) * min(texture, 1.5)) * veins
    if surface.pores:
        count = int(random.integers(0, surface.pores + 1))
        factor *= 1 - PORES * pores(random, place, shape, axis_px, count, random.uniform(0.06, 0.15))
    if random.random() < 0.5 * level.glare_chance:
        factor *= stain(random, shape, random.uniform(*STAINED))
    shade = np.ones(shape, np.float32)
    if tissue.relief is not None:
        shade = _shading(rolled_up(tissue.relief, radius, row), surface, axis_px)
    light, passes = backing.shine(optical, shade)
    return Portrait(
        light=light * factor[..., None],
        through=passes * factor,
        cover=mask.astype(np.float32) / np.float32(255),
        known=DrawnBone(
            fish=fish,
            outline=body.family,
            place=place,
            axis_px=axis_px,
            margin=body.margin,
            lines=marks.lines,
            splits=marks.splits,
            damaged=damaged,
            bright_winters=backing.bright_winters,
        ),
    )


def _frayed(random: Random, most: float) -> Float:
    """(DIRECTIONS,) share of the radius by which the margin juts out or is worn; 0 on the growth axis."""
    rough = random.uniform(0, most) * ripple(random, DIRECTIONS, random.uniform(1, 4) * PER_DEGREE)
    rough += random.uniform(0, most) * ripple(random, DIRECTIONS, random.uniform(5, 20) * PER_DEGREE)
    rough = np.clip(rough, -0.02, 0.008)
    return np.asarray(rough - rough[AXIS], np.float32)


def _shading(relief: Float, surface: Surface, axis_px: float) -> Float:
    """Factor of light from the slope of the surface towards the lamp."""
    smooth = cv2.GaussianBlur(relief, (0, 0), max(axis_px / 250, 0.8))
    along = np.deg2rad(surface.lamp_deg)
    across = cv2.Sobel(smooth, cv2.CV_32F, 1, 0, ksize=3)
    down = cv2.Sobel(smooth, cv2.CV_32F, 0, 1, ksize=3)
    slope = np.cos(along) * across + np.sin(along) * down
    return np.asarray(np.clip(1 + np.float32(surface.slant * axis_px / 1000) * slope, 0.45, 1.6), np.float32)
