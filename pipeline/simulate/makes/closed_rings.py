"""Rounded bones whose marks close around the focus: through each year bone turns slowly darker, and light again at
once.
"""

from __future__ import annotations

from dataclasses import replace
from functools import partial

import cv2
import numpy as np

from pipeline.records import Float
from pipeline.simulate.backing import Backing, draw_backing
from pipeline.simulate.compose import Portrait, Studio, compose
from pipeline.simulate.damage import hurt
from pipeline.simulate.fish import Fish, Growth
from pipeline.simulate.lines import kept_apart, partial_checks, plain_along, sizes, translucency, winter_lines
from pipeline.simulate.marks import years_of_growth
from pipeline.simulate.noise import Random, ripple
from pipeline.simulate.place import AXIS, DEGREES, DIRECTIONS, PER_DEGREE, put_down, rolled_up, unrolled
from pipeline.simulate.plan import DrawnScan, Plan
from pipeline.simulate.sensor import draw_sensor, shoot
from pipeline.simulate.texture import blotches, lamellae, scratches, stain, striae
from pipeline.simulate.truth import KnownBone, KnownLine
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
NUCLEUS = (-0.6, 0.6)  # optical thickness of the small spot at the focus, against the bone around it


def draw_scan(random: Random, plan: Plan, variety: Variety) -> DrawnScan:
    """One scan as planned."""
    sensor = draw_sensor(random, plan)
    backing = draw_backing(random, plan.lighting, 3 if plan.colour else 1)
    studio = Studio(
        portray=partial(_portray, plan=plan, backing=backing),
        bed=backing.bed,
        stuff=backing.stuff,
        shoot=lambda random, light: shoot(random, light, sensor),
        growth=GROWTH,
    )
    return compose(random, plan, variety, NAME, studio)


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


def _lines(random: Random, fish: Fish, level: Level, years: Float) -> list[KnownLine]:
    """Annuli whose zones take up most of a year."""
    edge = random.uniform(0.01, 0.07)
    lines = winter_lines(
        random, fish, level, years, along=plain_along(random, 180, (0.5, 1.3), (0.3, 0.9)),
        widths=1.0, thinnest_px=2.0, edge=edge,
    )  # fmt: skip
    saw = random.uniform(*SAW)
    steps = np.diff(years, axis=0)
    return [replace(line, width=np.maximum(saw * step, line.width)) for line, step in zip(lines, steps, strict=True)]


def _portray(random: Random, fish: Fish, side: str, plan: Plan, backing: Backing) -> Portrait:
    axis_px, level = fish.margin_mm * plan.px_per_mm, plan.level
    family = str(random.choice([f for f, _ in OUTLINES], p=[p for _, p in OUTLINES]))
    curve, lead = _margin(random, family)
    margin = np.asarray(curve * axis_px, np.float32)
    own = random.uniform(0.01, 0.1)
    years = kept_apart(
        [np.asarray(margin * size**lead, np.float32) for size in sizes(fish)],
        margin,
        [own * ripple(random, DIRECTIONS, random.uniform(15, 70) * PER_DEGREE) for _ in sizes(fish)],
    )
    lines = _lines(random, fish, level, years)
    lines += partial_checks(random, level, years, margin, float(lines[-1].strength[AXIS]), 0.05)
    columns = int(margin.max() * 1.05) + 4
    texture = random.uniform(*level.texture)
    missing = translucency(lines, columns, partial(_saw, random.uniform(*SAW_POWER)))
    age = years_of_growth(years, columns)
    opaque = (1 - missing) * (1 + np.float32(0.06 * texture) * lamellae(random, age, random.uniform(6, 20)))
    fibres = striae(random, columns, random.uniform(0.6, 2), random.uniform(4, 15))
    opaque *= 1 + np.float32(0.04 * texture * random.uniform(0, 1.3)) * fibres
    share = np.minimum(np.arange(columns, dtype=np.float32)[None] / np.maximum(margin, 3)[:, None], 1)
    opaque *= 1 + np.float32(random.uniform(*DOME)) * (1 - share**2)
    middle = np.arange(columns, dtype=np.float32)[None] / np.float32(random.uniform(0.015, 0.05) * axis_px)
    opaque += np.float32(random.uniform(*NUCLEUS)) * np.exp(-(middle**2))
    wear = random.uniform(0, 0.005) * ripple(random, DIRECTIONS, random.uniform(2, 12) * PER_DEGREE)
    place, mask = put_down(random, margin * (1 + np.clip(wear - wear[AXIS], -0.02, 0.01)), side)
    shape = (mask.shape[0], mask.shape[1])
    radius, row = unrolled(shape, place)
    damage = np.ones(shape, np.float32)
    damaged = random.random() < level.damage_chance
    if damaged:
        for _ in range(random.integers(1, 4)):
            hurt(random, mask, damage, margin, 150, place)
    depth = cv2.distanceTransform(np.asarray(mask > 127, np.uint8), cv2.DIST_L2, 5)
    bevel = np.clip(depth / np.float32(max(random.uniform(0.004, 0.03) * axis_px, 1)), 0.3, 1)
    optical = rolled_up(opaque * np.float32(random.uniform(*DENSITY)), radius, row) * bevel
    optical *= 1 + np.float32(0.06 * texture) * blotches(random, shape, axis_px / random.uniform(4, 15))
    shade = 1 + np.float32(random.uniform(-0.15, 0.15)) * np.sin(row * np.float32(np.pi / DIRECTIONS * 2))
    light, passes = backing.shine(optical, np.asarray(shade, np.float32))
    wounds = damage * (1 - 0.3 * scratches(random, shape, int(random.poisson(0.6 * texture)), max(axis_px / 500, 1.0)))
    if random.random() < 0.5 * level.glare_chance:
        wounds *= stain(random, shape, random.uniform(0.2, 0.6))
    return Portrait(
        light=light * wounds[..., None],
        through=passes * wounds,
        cover=mask.astype(np.float32) / np.float32(255),
        known=KnownBone(
            fish=fish, outline=family, place=place, axis_px=axis_px, margin=margin,
            lines=tuple(line for line in lines if line.kind != "margin"), splits=0, damaged=damaged,
            bright_winters=backing.bright_winters,
        ),
    )  # fmt: skip
