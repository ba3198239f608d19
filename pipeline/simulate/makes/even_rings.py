"""Long rows of nearly even years, like rings of a tree: arcs about the focus that end at the edges and waver together,
plain from side to side, the first of them faint; rays and slits run across them.
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
from pipeline.simulate.fan import Fan
from pipeline.simulate.fish import DrawnFish, Growth
from pipeline.simulate.lines import Profile, kept_apart, partial_checks, sizes, translucency, winter_lines
from pipeline.simulate.marks import years_of_growth
from pipeline.simulate.noise import Random, ripple
from pipeline.simulate.place import AXIS, DIRECTIONS, PER_DEGREE
from pipeline.simulate.plan import DrawnScan, Plan
from pipeline.simulate.sensor import draw_sensor, shoot
from pipeline.simulate.texture import lamellae, striae
from pipeline.simulate.truth import KnownLine
from pipeline.simulate.variety import Level, Variety

NAME = "even_rings"
LIGHTINGS: tuple[tuple[str, float], ...] = (("dark", 0.5), ("white", 0.25), ("transmitted", 0.25))
OUTLINES: tuple[tuple[str, float], ...] = (("slice", 0.4), ("half", 0.3), ("stump", 0.3))
GROWTH = Growth(first=(0.5, 2.2), yearly_change=(0.93, 1.04), water_spread=(0.1, 0.35), own_spread=(0.03, 0.15))
AGES = (0.2, 1.1)  # share of the species' greatest age: up to eighteen winters
FIRST = {"clean": (0.4, 0.9), "typical": (0.3, 0.9), "hard": (0.15, 0.8)}
"""Strength of the first annulus against the others."""
DENSITY = (0.35, 1.2)  # optical thickness of summer bone
SURFACE = Surface(frayed=0.004, bevel=(0.001, 0.01), bevel_left=0.4, blotch=(3.0, 12.0), slits=0.5)
WOBBLE = (0.0, 0.03)  # of the arcs, share of the radius
LEAST_STEP = 0.02  # of the increment on the axis, in any direction
ALIKE = 0.85  # correlation of the wobble of successive years
FINE_WOBBLE = (0.0, 0.05)  # of one arc alone, share of the increment


def draw_scan(random: Random, plan: Plan, variety: Variety) -> DrawnScan:
    """One scan as planned, of old fish as a rule."""
    if variety.ages is None:
        plan = replace(plan, level=replace(plan.level, ages=AGES))
    sensor = draw_sensor(random, plan)
    backing = draw_backing(random, plan.lighting, 3 if plan.colour else 1)
    recipe = Recipe(body=draw_body, marks=draw_marks, tissue=draw_tissue, surface=SURFACE)
    shadow = random.uniform(0, 0.3) if plan.lighting == "white" else 0.0
    shooting = partial(shoot, sensor=sensor)
    return compose(random, plan, variety, NAME, studio(plan, backing, recipe, GROWTH, shooting, shadow))


def _fan(random: Random, family: str) -> Fan:
    half = {"slice": (24, 38), "half": (60, 88), "stump": (38, 58)}[family]
    opening = random.uniform(*half)
    lean = random.uniform(-8, 8)
    near = random.uniform(0.02, 0.06, 2)
    behind = random.uniform(0.02, 0.05) if family != "half" else random.uniform(0.04, 0.2)
    return Fan(
        family=family,
        edges=(
            (opening + lean + 90, float(near[0])), (-opening + lean - 90, float(near[1])),
            (180 + random.uniform(-15, 15), behind),
        ),
        lead=random.uniform(0.1, 0.5),
        sharpness=random.uniform(14, 40),
        bulge=random.uniform(-0.15, 0.1),
        aside_deg=random.uniform(-10, 10),
        half_angle_deg=opening,
    )  # fmt: skip


def _late(beyond: Float, width: Float, edge: Float) -> Float:
    """Darker towards winter, and at an end at once."""
    rise = np.clip((beyond + width) / np.maximum(width, 1), 0, 1)
    return np.asarray(rise**1.5 * np.clip(0.5 - beyond / edge, 0, 1), np.float32)


def _line(beyond: Float, width: Float, edge: Float) -> Float:
    """Sharp on both sides."""
    begins = np.clip((beyond + width) / np.minimum(np.maximum(0.15 * width, 1.0), width), 0, 1)
    return np.asarray(begins * np.clip(0.5 - beyond / edge, 0, 1), np.float32)


PROFILES: tuple[tuple[Profile, tuple[float, float]], ...] = (
    (_late, (0.3, 0.75)),
    (_line, (0.06, 0.2)),
    (_line, (0.35, 0.5)),
)
"""Profiles of winter zones, with their widths as shares of the increment."""


def draw_body(random: Random, fish: DrawnFish, axis_px: float) -> Body:
    """A slice with arcs about the focus."""
    family = pick(random, OUTLINES)
    fan = _fan(random, family)
    size_of_wobble = random.uniform(*WOBBLE)
    wave = ripple(random, DIRECTIONS, random.uniform(12, 40) * PER_DEGREE)
    curves = []
    for size in sizes(fish):
        own = ripple(random, DIRECTIONS, random.uniform(12, 40) * PER_DEGREE)
        wave = np.float32(ALIKE) * wave + np.float32(np.sqrt(1 - ALIKE**2)) * own
        curve = fan.margin(size) * (1 + np.float32(size_of_wobble) * (wave - wave[AXIS]))
        curves.append(np.asarray(curve * np.float32(axis_px), np.float32))
    margin = fan.margin(1.0) * (1 + np.float32(size_of_wobble) * (wave - wave[AXIS])) * np.float32(axis_px)
    curves[-1] = np.maximum(curves[-1], margin)
    steps = np.diff([0.0, *(curve[AXIS] for curve in curves)])
    for k in range(len(curves) - 2, -1, -1):  # beside the fan, where all of them end, they still keep their order
        outside = margin if k == len(curves) - 2 else curves[k + 1]
        curves[k] = np.minimum(curves[k], outside - np.float32(LEAST_STEP * steps[k + 1]))
    fine = random.uniform(*FINE_WOBBLE)
    shifts = [fine * ripple(random, DIRECTIONS, random.uniform(5, 20) * PER_DEGREE) for _ in curves]
    return Body(
        family=family,
        half_angle_deg=fan.half_angle_deg,
        axis_px=axis_px,
        margin=np.asarray(margin, np.float32),
        years=kept_apart(curves, margin, shifts),
    )


def _lines(random: Random, fish: DrawnFish, level: Level, years: Float, widths: tuple[float, float]) -> list[KnownLine]:
    along = np.asarray(np.clip(1 + 0.15 * ripple(random, DIRECTIONS, 40 * PER_DEGREE), 0.4, 1.2), np.float32)
    lines = winter_lines(
        random, fish, level, years, along=along, widths=0.0, thinnest_px=1.8, edge=random.uniform(0.01, 0.06)
    )
    first, share = random.uniform(*FIRST[level.name]), random.uniform(*widths)
    weakened = [first, *np.ones(len(lines) - 1)]
    return [
        replace(
            line,
            width=np.maximum(np.float32(share * np.exp(random.normal(0, 0.15))) * step, line.width),
            strength=np.asarray(line.strength * np.float32(weak), np.float32),
        )
        for line, step, weak in zip(lines, np.diff(years, axis=0), weakened, strict=True)
    ]


def draw_marks(random: Random, fish: DrawnFish, plan: Plan, body: Body) -> Marks:
    """Zones of one of three profiles, plain from side to side."""
    profile, widths = PROFILES[int(random.integers(len(PROFILES)))]
    lines = _lines(random, fish, plan.level, body.years, widths)
    checks = partial_checks(random, plan.level, body.years, body.margin, float(lines[-1].strength[AXIS]), 0.05)
    return Marks(lines=(*lines[:-1], *checks), splits=0, missing=translucency([*lines, *checks], body.columns, profile))


def draw_tissue(random: Random, level: Level, body: Body, missing: Float) -> Tissue:
    """Rays across the marks, fine lines along them."""
    texture = random.uniform(*level.texture)
    age = years_of_growth(body.years, body.columns)
    opaque = (1 - missing) * (1 + np.float32(0.05 * texture) * lamellae(random, age, random.uniform(5, 15)))
    rays = striae(random, body.columns, random.uniform(0.25, 0.8), random.uniform(2, 5))
    opaque *= 1 + np.float32(0.07 * texture * random.uniform(0.2, 1.4)) * rays
    opaque *= 1 + np.float32(random.uniform(-0.2, 0.3)) * (1 - body.share)
    return Tissue(optical=np.asarray(opaque * random.uniform(*DENSITY), np.float32))
