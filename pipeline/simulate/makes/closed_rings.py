"""Rounded bones whose marks close around the focus: through each year bone turns slowly darker, and light again at
once.
"""

from __future__ import annotations

from dataclasses import replace
from functools import partial

import numpy as np

from pipeline.records import Float
from pipeline.simulate.anatomy import Body, Marks, Recipe, Surface, Tissue, studio
from pipeline.simulate.backing import draw_backing
from pipeline.simulate.catch import pick
from pipeline.simulate.compose import compose
from pipeline.simulate.fish import DrawnFish, Growth
from pipeline.simulate.lines import kept_apart, partial_checks, plain_along, sizes, translucency, winter_lines
from pipeline.simulate.marks import years_of_growth
from pipeline.simulate.noise import Random, ripple
from pipeline.simulate.place import AXIS, DEGREES, DIRECTIONS, PER_DEGREE
from pipeline.simulate.plan import DrawnScan, Plan
from pipeline.simulate.sensor import draw_sensor, shoot
from pipeline.simulate.texture import lamellae, striae
from pipeline.simulate.variety import Level, Variety

NAME = "closed_rings"
LIGHTINGS: tuple[tuple[str, float], ...] = (("dark", 0.7), ("transmitted", 0.3))
OUTLINES: tuple[tuple[str, float], ...] = (("egg", 0.45), ("disc", 0.25), ("bean", 0.3))
GROWTH = Growth(first=(0.4, 2.5), yearly_change=(0.78, 1.0), water_spread=(0.08, 0.25), own_spread=(0.05, 0.2))
REACH = {"egg": (0.35, 0.62), "disc": (0.1, 0.35), "bean": (0.25, 0.55)}
"""Eccentricity of the margin about the focus: how much farther it is ahead than behind."""
UNEVEN = 0.22  # how much earlier or later the sides are grown than the axis, power of the size
SAW = (0.5, 0.97)  # share of a year over which bone turns darker
SAW_POWER = (1.0, 3.5)
DENSITY = (0.3, 0.9)  # optical thickness of summer bone at the margin
DOME = (0.0, 0.6)  # thickness added in the middle
SURFACE = Surface(frayed=0.004, bevel=(0.004, 0.03), scratches=0.6)
NUCLEUS = (-0.6, 0.6)  # optical thickness of the small spot at the focus, against the bone around it


def draw_scan(random: Random, plan: Plan, variety: Variety) -> DrawnScan:
    """One scan as planned."""
    sensor = draw_sensor(random, plan)
    backing = draw_backing(random, plan.lighting, 3 if plan.colour else 1)
    recipe = Recipe(body=draw_body, marks=draw_marks, tissue=draw_tissue, surface=SURFACE)
    shooting = partial(shoot, sensor=sensor)
    return compose(random, plan, variety, NAME, studio(plan, backing, recipe, GROWTH, shooting, shadow=0.0))


def draw_body(random: Random, fish: DrawnFish, axis_px: float) -> Body:
    """A rounded bone, grown on all sides."""
    family = pick(random, OUTLINES)
    curve, lead = _margin(random, family)
    margin = np.asarray(curve * axis_px, np.float32)
    own = random.uniform(0.01, 0.1)
    years = kept_apart(
        [np.asarray(margin * size**lead, np.float32) for size in sizes(fish)],
        margin,
        [own * ripple(random, DIRECTIONS, random.uniform(15, 70) * PER_DEGREE) for _ in sizes(fish)],
    )
    return Body(family=family, half_angle_deg=150.0, axis_px=axis_px, margin=margin, years=years)


def _margin(random: Random, family: str) -> tuple[Float, Float]:
    """The margin (DIRECTIONS,) where the growth axis is 1, and the power of the size with which it is reached."""
    angle = np.deg2rad(DEGREES.astype(float))
    eccentric = random.uniform(*REACH[family])
    curve = (1 - eccentric) / (1 - eccentric * np.cos(angle))
    for order in range(2, 6):
        curve *= 1 + random.normal(0, 0.035 / order) * np.cos(order * angle + random.uniform(0, 6.3))
    if family == "bean":
        side = random.choice([-1, 1]) * random.uniform(85, 130)
        off = (DEGREES - side + 180) % 360 - 180
        curve *= 1 - random.uniform(0.1, 0.3) * np.exp(-0.5 * (off / random.uniform(20, 38)) ** 2)
    curve /= curve[AXIS]
    lead = 1 + random.uniform(-UNEVEN, UNEVEN) * (1 - np.cos(angle)) / 2
    lead += random.uniform(-0.5, 0.5) * UNEVEN * np.sin(angle)
    return np.asarray(curve, np.float32), np.asarray(lead, np.float32)


def _saw(power: float, beyond: Float, width: Float, edge: Float) -> Float:
    """Slowly darker through the year, and light again at once."""
    through = np.clip((beyond + width) / np.maximum(width, 1), 0, 1)
    return np.asarray(through**power * np.clip(0.5 - beyond / edge, 0, 1), np.float32)


def draw_marks(random: Random, fish: DrawnFish, plan: Plan, body: Body) -> Marks:
    """Annuli whose zones take up most of a year."""
    level, years, edge = plan.level, body.years, random.uniform(0.01, 0.07)
    reach = (0.5, 1.3) if body.half_angle_deg > 90 else (0.9, 1.8)
    lines = winter_lines(
        random, fish, level, years, along=plain_along(random, body.half_angle_deg, reach, (0.3, 0.9)),
        widths=1.0, thinnest_px=2.0, edge=edge,
    )  # fmt: skip
    saw = random.uniform(*SAW)
    steps = np.diff(years, axis=0)
    lines = [replace(line, width=np.maximum(saw * step, line.width)) for line, step in zip(lines, steps, strict=True)]
    checks = partial_checks(random, level, years, body.margin, float(lines[-1].strength[AXIS]), 0.05)
    return Marks(
        lines=(*lines[:-1], *checks),
        splits=0,
        missing=translucency([*lines, *checks], body.columns, partial(_saw, random.uniform(*SAW_POWER))),
    )


def draw_tissue(random: Random, level: Level, body: Body, missing: Float) -> Tissue:
    """Fine lamellae along the marks, thickest in the middle, and a small spot at the focus."""
    texture = random.uniform(*level.texture)
    age = years_of_growth(body.years, body.columns)
    opaque = (1 - missing) * (1 + np.float32(0.06 * texture) * lamellae(random, age, random.uniform(6, 20)))
    fibres = striae(random, body.columns, random.uniform(0.6, 2), random.uniform(4, 15))
    opaque *= 1 + np.float32(0.04 * texture * random.uniform(0, 1.3)) * fibres
    opaque *= 1 + np.float32(random.uniform(*DOME)) * (1 - body.share**2)
    spot = np.arange(body.columns, dtype=np.float32)[None] / np.float32(random.uniform(0.015, 0.05) * body.axis_px)
    opaque += np.float32(random.uniform(*NUCLEUS)) * np.exp(-(spot**2))
    return Tissue(optical=np.asarray(opaque * random.uniform(*DENSITY), np.float32))
