"""Bones on a light table: soft broad bands, marks that are arcs about a wandering centre and end at the edges, a dark
base, a backing so bright that it spills over the margin.
"""

from __future__ import annotations

from functools import partial

import cv2
import numpy as np

from pipeline.records import Float
from pipeline.simulate.anatomy import Body, Marks, Recipe, Surface, Tissue, studio
from pipeline.simulate.backing import draw_backing
from pipeline.simulate.catch import pick
from pipeline.simulate.compose import compose
from pipeline.simulate.fan import Fan
from pipeline.simulate.fish import DrawnFish, Growth
from pipeline.simulate.lines import kept_apart, partial_checks, plain_along, sizes, translucency, winter_lines
from pipeline.simulate.marks import years_of_growth
from pipeline.simulate.noise import Array, Random, ease, ripple
from pipeline.simulate.place import AXIS, DEGREES, DIRECTIONS, PER_DEGREE
from pipeline.simulate.plan import DrawnScan, Plan
from pipeline.simulate.sensor import Sensor, draw_sensor, shoot
from pipeline.simulate.texture import lamellae, striae
from pipeline.simulate.variety import Level, Variety

NAME = "light_table"
LIGHTINGS: tuple[tuple[str, float], ...] = (("transmitted", 1.0),)
OUTLINES: tuple[tuple[str, float], ...] = (("wedge", 0.35), ("shield", 0.35), ("quarter", 0.3))
GROWTH = Growth(first=(0.35, 2.2), yearly_change=(0.8, 1.02), water_spread=(0.08, 0.3), own_spread=(0.05, 0.25))
SPILL = (0.0, 0.12)  # share of the light around that is spread over the bone
SPILL_MM = (0.4, 2.0)
SUMMER = (0.5, 1.6)  # optical thickness of the blade in summer bone
WINTER_LOSS = (0.7, 0.9)  # how much of its opacity winter bone loses at most
BASE = (0.5, 3.0)  # optical thickness added at the base
SURFACE = Surface(frayed=0.005, bevel=(0.003, 0.02), bevel_left=0.4, scratches=0.5)


def draw_scan(random: Random, plan: Plan, variety: Variety) -> DrawnScan:
    """One scan as planned."""
    sensor = draw_sensor(random, plan)
    backing = draw_backing(random, plan.lighting, 3 if plan.colour else 1)
    spill, spill_px = random.uniform(*SPILL), random.uniform(*SPILL_MM) * plan.px_per_mm
    shooting = partial(_shoot, sensor=sensor, spill=spill, spill_px=spill_px)
    recipe = Recipe(body=draw_body, marks=draw_marks, tissue=draw_tissue, surface=SURFACE)
    return compose(random, plan, variety, NAME, studio(plan, backing, recipe, GROWTH, shooting, shadow=0.0))


def _shoot(random: Random, light: Float, sensor: Sensor, spill: float, spill_px: float) -> Array:
    """Some light of the table is scattered in glass and lens."""
    around = light
    for axis in (0, 1):
        around = np.asarray(cv2.blur(around, (1, int(2 * spill_px) + 1) if axis == 0 else (int(2 * spill_px) + 1, 1)))
    return shoot(random, light + np.float32(spill) * (around.reshape(light.shape) - light), sensor)


def _fan(random: Random, family: str) -> Fan:
    opening = {"wedge": random.uniform(48, 75), "shield": random.uniform(85, 120), "quarter": random.uniform(80, 96)}[
        family
    ]
    half = opening / 2
    near = random.uniform(0.03, 0.08, 3)
    edges = [(half + 90, near[0]), (-half - 90, near[1]), (180 + random.uniform(-20, 20), near[2])]
    if family == "shield":
        edges += [(side * random.uniform(55, 80), random.uniform(0.45, 0.75)) for side in (-1, 1)]
    if family == "quarter" and random.random() < 0.6:
        edges.append((random.choice([-1, 1]) * random.uniform(20, 50), random.uniform(0.78, 0.95)))
    return Fan(
        family=family,
        edges=tuple((float(n), float(d)) for n, d in edges),
        lead=0.9,
        sharpness=random.uniform(8, 24),
        bulge=random.uniform(-0.6, 0.4),
        aside_deg=random.uniform(-12, 12),
        half_angle_deg=half,
    )


def _soft(beyond: Float, width: Float, edge: Float) -> Float:
    """A swell that rises over its width and falls over its edge; it falls most steeply at the outer edge."""
    rise = np.clip((beyond + width) / np.maximum(0.75 * width, 1), 0, 1)
    fall = np.clip(0.5 - beyond / (2 * edge), 0, 1)
    return np.asarray(rise * rise * (3 - 2 * rise) * fall * fall * (3 - 2 * fall), np.float32)


def draw_body(random: Random, fish: DrawnFish, axis_px: float) -> Body:
    """A fan; the centre of its arcs wanders from year to year."""
    family = pick(random, OUTLINES)
    fan = _fan(random, family)
    wander = random.uniform(0, 0.08)
    centres = np.cumsum(random.normal(0, wander, (len(fish.annuli_mm) + 2, 2)), axis=0).clip(-0.25, 0.25)
    bend = np.exp(random.uniform(0, 0.05) * ripple(random, DIRECTIONS, random.uniform(25, 60) * PER_DEGREE))
    bend = np.float32(axis_px) * bend / bend[AXIS]  # no edge is quite straight
    margin = fan.margin(1.0, *centres[-1]) * bend
    waves = random.uniform(0, 0.06)
    curves, shifts = [], []
    for centre, size in zip(centres, sizes(fish), strict=False):
        curve = fan.margin(size, *centre) * bend
        curves.append(curve if size > 1 else np.minimum(curve, margin * np.float32(size**0.5)))
        shifts.append(waves * ripple(random, DIRECTIONS, random.uniform(20, 60) * PER_DEGREE))
    curves[-1] = np.maximum(curves[-1], margin * np.float32(1.002))
    return Body(
        family=family,
        half_angle_deg=fan.half_angle_deg,
        axis_px=axis_px,
        margin=np.asarray(margin, np.float32),
        years=kept_apart(curves, margin, shifts),
    )


def draw_marks(random: Random, fish: DrawnFish, plan: Plan, body: Body) -> Marks:
    """Broad swells."""
    edge = random.uniform(0.05, 0.16)
    lines = winter_lines(
        random, fish, plan.level, body.years, along=plain_along(random, body.half_angle_deg, (0.9, 2.0), (0.2, 0.8)),
        widths=random.uniform(1.0, 2.2), thinnest_px=2.5, edge=edge,
    )  # fmt: skip
    checks = partial_checks(random, plan.level, body.years, body.margin, float(lines[-1].strength[AXIS]), edge)
    missing = translucency([*lines, *checks], body.columns, _soft)
    return Marks(lines=(*lines[:-1], *checks), splits=0, missing=missing * np.float32(random.uniform(*WINTER_LOSS)))


def draw_tissue(random: Random, level: Level, body: Body, missing: Float) -> Tissue:
    """A blade that thickens towards a dense base, with ribs."""
    texture = random.uniform(*level.texture)
    age = years_of_growth(body.years, body.columns)
    opaque = (1 - missing) * (1 + np.float32(0.04 * texture) * lamellae(random, age, random.uniform(3, 9)))
    fibres = striae(random, body.columns, random.uniform(0.7, 3), random.uniform(5, 14))
    opaque *= 1 + np.float32(0.04 * texture) * fibres
    blade = np.float32(random.uniform(*SUMMER)) * (1 + np.float32(random.uniform(0, 1.2)) * (1 - body.share))
    reach = random.uniform(0.06, 0.1) + random.uniform(0, 0.35) * level.base_mm[1]
    base = np.float32(random.uniform(*BASE)) * np.exp(-((body.share / np.float32(reach)) ** 2))
    return Tissue(optical=np.asarray(opaque * blade + base + _struts(random, body), np.float32))


def _struts(random: Random, body: Body) -> Float:
    """Table: optical thickness of ribs that run out from the base."""
    radius = np.arange(body.columns, dtype=np.float32)[None] / np.float32(body.axis_px)
    total = np.zeros((DIRECTIONS, body.columns), np.float32)
    for _ in range(random.integers(0, 4)):
        direction = random.uniform(-1, 1) * body.half_angle_deg
        off = np.deg2rad(DEGREES - direction)[:, None]
        across = np.abs(np.sin(off)) * radius / (np.float32(random.uniform(0.01, 0.03)) + np.float32(0.03) * radius)
        fading = np.clip(1 - radius / np.float32(random.uniform(0.4, 1.1)), 0, 1)
        total += np.float32(random.uniform(0.2, 0.9)) * fading * ease(np.cos(off) * 2) * np.exp(-(across**2))
    return total
