"""Thin blades on black: a sheet of bone that lets light through, with a strut along one edge, ridges and hollows that a
slanting lamp brings out, vessels and pores, and a frayed margin that fades into the dark.
"""

from __future__ import annotations

from functools import partial

import numpy as np

from pipeline.records import Float
from pipeline.simulate.anatomy import Body, Marks, Recipe, Surface, Tissue, studio
from pipeline.simulate.backing import draw_backing
from pipeline.simulate.catch import pick
from pipeline.simulate.compose import compose
from pipeline.simulate.fish import DrawnFish, Growth
from pipeline.simulate.lines import (
    kept_apart,
    partial_checks,
    plain_along,
    second_lines,
    sizes,
    translucency,
    winter_lines,
)
from pipeline.simulate.marks import years_of_growth
from pipeline.simulate.noise import Random, cloud, ease, ripple
from pipeline.simulate.place import AXIS, DEGREES, DIRECTIONS, PER_DEGREE
from pipeline.simulate.plan import DrawnScan, Plan
from pipeline.simulate.sensor import draw_sensor, shoot
from pipeline.simulate.shape import Shape, middle_deg, through, turned
from pipeline.simulate.texture import lamellae, striae
from pipeline.simulate.variety import Level, Variety

NAME = "thin_blade"
LIGHTINGS: tuple[tuple[str, float], ...] = (("dark", 1.0),)
OUTLINES: tuple[tuple[str, float], ...] = (("triangle", 0.45), ("hooked", 0.3), ("broad", 0.25))
GROWTH = Growth(first=(0.5, 1.8), yearly_change=(0.78, 0.97), water_spread=(0.08, 0.25), own_spread=(0.05, 0.22))
DENSITY = (0.35, 1.0)  # optical thickness of the summer blade at the margin
THICKER = (0.2, 1.6)  # optical thickness added towards the base, share
SLANT = (0.1, 1.6)  # strength of the shading
RIDGES = (0.0, 1.0)  # height of the steps at the ends of years against the other relief


def draw_scan(random: Random, plan: Plan, variety: Variety) -> DrawnScan:
    """One scan as planned."""
    sensor = draw_sensor(random, plan)
    backing = draw_backing(random, plan.lighting, 3 if plan.colour else 1)
    recipe = Recipe(body=draw_body, marks=draw_marks, tissue=draw_tissue, surface=draw_surface(random))
    shooting = partial(shoot, sensor=sensor)
    return compose(random, plan, variety, NAME, studio(plan, backing, recipe, GROWTH, shooting, shadow=0.0))


def draw_surface(random: Random) -> Surface:
    """Vessels, pores, a frayed margin, and a lamp from some side."""
    return Surface(
        frayed=0.006,
        bevel=(0.004, 0.025),
        bevel_left=0.0,
        pores=25,
        vessels=5,
        slant=random.uniform(*SLANT),
        lamp_deg=float(random.choice([90.0, -90.0, random.uniform(-180, 180)])),
    )


def _outline(random: Random, family: str) -> Shape:
    """A fan with a strut along its straight edge, a corner drawn out, and a short process behind the focus."""
    opening = random.uniform(62, 80) if family != "broad" else random.uniform(85, 105)
    half = opening / 2
    process = random.uniform(0.05, 0.12)
    hook = random.uniform(1.02, 1.2) if family == "hooked" else random.uniform(0.85, 1.08)
    far = random.uniform(0.82, 1.0, 5)
    points = [
        (-180, process), (-150, process * random.uniform(0.8, 1.5)), (-110, random.uniform(0.05, 0.11)),
        (-half - 22, random.uniform(0.09, 0.2)), (-half - 4, random.uniform(0.5, 0.75)), (-half + 5, hook),
        (-half + 18, far[0] * (0.8 if family == "hooked" else 1.0)), (-half * 0.3, far[1]), (half * 0.2, far[2]),
        (half * 0.6, far[3]), (half - 3, far[4] * random.uniform(0.8, 1.0)),
        (half + 5, random.uniform(0.3, 0.6)), (half + 16, random.uniform(0.13, 0.22)),
        (110, random.uniform(0.06, 0.13)), (150, process),
    ]  # fmt: skip
    degrees, radii = (np.array(v, float) for v in zip(*points, strict=True))
    adult = through(degrees, radii, 2.0)
    young = through(degrees, radii ** random.uniform(0.6, 0.9), 7.0)
    scallops = random.uniform(0, 0.02) * ripple(random, DIRECTIONS, random.uniform(6, 14) * PER_DEGREE)
    axis = middle_deg(adult)
    return Shape(
        family=family,
        adult=turned(adult * (1 + scallops), axis),
        young=turned(young, axis),
        onset=random.uniform(0.5, 1.0),
        half_angle_deg=half,
    )


def _edged(beyond: Float, width: Float, edge: Float) -> Float:
    """Fades in over much of the zone, ends sharply."""
    inside = np.clip((beyond + width) / np.maximum(0.6 * width, 1), 0, 1)
    return np.asarray(inside * inside * (3 - 2 * inside) * np.clip(0.5 - beyond / edge, 0, 1), np.float32)


def draw_body(random: Random, fish: DrawnFish, axis_px: float) -> Body:
    """A blade whose years are no scaled copies of each other."""
    family = pick(random, OUTLINES)
    shape = _outline(random, family)
    margin = shape.margin(1.0) * np.float32(axis_px)
    common = random.uniform(0, 0.12) * ripple(random, DIRECTIONS, random.uniform(20, 60) * PER_DEGREE)
    own = random.uniform(0.02, 0.12)
    years = kept_apart(
        [shape.margin(size) * np.float32(axis_px) for size in sizes(fish)],
        margin,
        [common + own * ripple(random, DIRECTIONS, random.uniform(10, 40) * PER_DEGREE) for _ in sizes(fish)],
    )
    return Body(family=family, half_angle_deg=shape.half_angle_deg, axis_px=axis_px, margin=margin, years=years)


def draw_marks(random: Random, fish: DrawnFish, plan: Plan, body: Body) -> Marks:
    """Winter zones that fade in and end sharply, some of them in two lines that run together."""
    edge = random.uniform(0.01, 0.08)
    lines = winter_lines(
        random, fish, plan.level, body.years, along=plain_along(random, body.half_angle_deg, (0.8, 1.6), (0.1, 0.7)),
        widths=random.uniform(0.6, 1.1), thinnest_px=1.5, edge=edge,
    )  # fmt: skip
    inner = second_lines(random, plan.level, lines[:-1], body.years)
    checks = partial_checks(random, plan.level, body.years, body.margin, float(lines[-1].strength[AXIS]), edge)
    return Marks(
        lines=(*lines[:-1], *checks),
        splits=len(inner),
        missing=translucency([*lines, *inner, *checks], body.columns, _edged),
    )


def draw_tissue(random: Random, level: Level, body: Body, missing: Float) -> Tissue:
    """A thin sheet with fibres that stand out from it, over them a socket and struts without marks."""
    texture = random.uniform(*level.texture)
    age = years_of_growth(body.years, body.columns)
    fibres = striae(random, body.columns, random.uniform(0.5, 1.5), random.uniform(3, 8))
    opaque = (1 - missing) * (1 + np.float32(0.05 * texture) * lamellae(random, age, random.uniform(4, 12)))
    opaque *= 1 + np.float32(0.05 * texture * random.uniform(0.2, 1.2)) * fibres
    blade = 1 + np.float32(random.uniform(*THICKER)) * (1 - body.share)
    base = _base(random, body, level.base_mm[1])
    steps = np.float32(random.uniform(*RIDGES) * 0.5) * np.clip(age % 1, 0, 1) ** 3
    hollows = np.float32(0.3) * cloud(random, (DIRECTIONS, body.columns), (60, body.columns / 6))
    relief = blade + 0.5 * base + steps + np.float32(0.25 * texture) * fibres + hollows
    return Tissue(
        optical=np.asarray((opaque * blade + base) * random.uniform(*DENSITY), np.float32),
        relief=np.asarray(relief, np.float32),
    )


def _base(random: Random, body: Body, most: float) -> Float:
    """Table: thickness of the bone without marks over the blade, 1 for as thick as that: a socket, and struts from it
    along the edges."""
    radius = np.arange(body.columns, dtype=np.float32)[None] / np.float32(body.axis_px)
    base = np.float32(4 * random.uniform(0.1, 1) * most) * np.exp(-((radius / random.uniform(0.06, 0.16)) ** 2))
    edge = body.half_angle_deg
    for direction in (-edge * random.uniform(0.8, 0.98), edge * random.uniform(0.7, 1.0))[: random.integers(0, 3)]:
        off = np.deg2rad(DEGREES - direction)[:, None]
        ahead = ease(0.5 + np.cos(off) * radius / np.float32(0.06))
        wide = np.float32(random.uniform(0.01, 0.035)) + np.float32(0.03) * radius
        fading = np.clip(1 - radius / np.float32(random.uniform(0.5, 1.1)), 0, 1)
        strut = ahead * fading * np.exp(-((np.sin(off) * radius / wide) ** 2))
        base = base + np.float32(random.uniform(0.5, 2.0)) * strut
    return np.asarray(base, np.float32)
