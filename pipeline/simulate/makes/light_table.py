"""Bones on a light table: soft broad bands, marks that are arcs about a wandering centre and end at the edges, a dark
base, a backing so bright that it spills over the margin.
"""

from __future__ import annotations

from functools import partial

import cv2
import numpy as np

from pipeline.records import Float
from pipeline.simulate.compose import Portrait, Studio, compose
from pipeline.simulate.damage import hurt
from pipeline.simulate.fan import Fan
from pipeline.simulate.fish import Fish, Growth
from pipeline.simulate.lines import kept_apart, partial_checks, plain_along, sizes, translucency, winter_lines
from pipeline.simulate.marks import years_of_growth
from pipeline.simulate.noise import Array, Random, cloud, ease, ripple
from pipeline.simulate.place import AXIS, DEGREES, DIRECTIONS, PER_DEGREE, put_down, rolled_up, unrolled
from pipeline.simulate.plan import DrawnScan, Plan
from pipeline.simulate.sensor import Sensor, draw_sensor, shoot
from pipeline.simulate.texture import blotches, lamellae, scratches, stain, striae
from pipeline.simulate.tray import Corner, Stuff
from pipeline.simulate.truth import KnownBone
from pipeline.simulate.variety import Variety

NAME = "light_table"
LIGHTINGS: tuple[tuple[str, float], ...] = (("transmitted", 1.0),)
OUTLINES: tuple[tuple[str, float], ...] = (("wedge", 0.35), ("shield", 0.35), ("quarter", 0.3))
GROWTH = Growth(first=(0.35, 2.2), yearly_change=(0.8, 1.02), water_spread=(0.08, 0.3), own_spread=(0.05, 0.25))
LAMP = (0.55, 1.25)  # light of the table, where 1 is the brightest that the sensor records
SPILL = (0.0, 0.12)  # share of the light around that is spread over the bone
SPILL_MM = (0.4, 2.0)
SUMMER = (0.5, 1.6)  # optical thickness of the blade in summer bone
WINTER_LEFT = (0.2, 0.6)  # share of it that winter bone keeps, however strong its line
BASE = (0.5, 3.0)  # optical thickness added at the base
TINT = (0.8, 1.0, 1.35)  # absorption of red, green and blue against green


def draw_scan(random: Random, plan: Plan, variety: Variety) -> DrawnScan:
    """One scan as planned."""
    sensor = draw_sensor(random, plan)
    channels = 3 if plan.colour else 1
    lamp = random.uniform(*LAMP)
    spill, spill_px = random.uniform(*SPILL), random.uniform(*SPILL_MM) * plan.px_per_mm
    studio = Studio(
        portray=partial(_portray, plan=plan, channels=channels),
        bed=partial(_table, lamp=lamp, channels=channels),
        stuff=Stuff(paper=0.4 * lamp, ink=0.03, pencil=0.05, dust=0.1),
        shoot=partial(_shoot, sensor=sensor, spill=spill, spill_px=spill_px),
        growth=GROWTH,
    )
    return compose(random, plan, variety, NAME, studio)


def _table(random: Random, size: Corner, lamp: float, channels: int) -> Float:
    """Light of the table, a little brighter over its tubes."""
    width, height = size
    tubes = np.cos(np.arange(height) / max(height, 1) * random.uniform(2, 12) + random.uniform(0, 6))
    light = np.float32(lamp) * (1 + np.float32(random.uniform(0, 0.04)) * tubes.astype(np.float32)[:, None])
    light = light * (1 + np.float32(0.01) * cloud(random, (height, width), (height / 3, width / 3)))
    return np.repeat(light[..., None], channels, axis=2).astype(np.float32)


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


def _years(random: Random, fan: Fan, fish: Fish, axis_px: float) -> tuple[Float, Float]:
    """Ends of the years, and the margin: the centre of the arcs wanders from year to year."""
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
    return kept_apart(curves, margin, shifts), np.asarray(margin, np.float32)


def _portray(random: Random, fish: Fish, side: str, plan: Plan, channels: int) -> Portrait:
    axis_px, level = fish.margin_mm * plan.px_per_mm, plan.level
    family = str(random.choice([f for f, _ in OUTLINES], p=[p for _, p in OUTLINES]))
    fan = _fan(random, family)
    years, margin = _years(random, fan, fish, axis_px)
    edge = random.uniform(0.05, 0.16)
    lines = winter_lines(
        random, fish, level, years, along=plain_along(random, fan.half_angle_deg, (0.9, 2.0), (0.2, 0.8)),
        widths=random.uniform(1.0, 2.2), thinnest_px=2.5, edge=edge,
    )  # fmt: skip
    lines += partial_checks(random, level, years, margin, float(lines[-1].strength[AXIS]), edge)
    columns = int(margin.max() * 1.05) + 4
    missing = translucency(lines, columns, _soft, reach=1.0)
    texture = random.uniform(*level.texture)
    opacity = 1 - missing * np.float32(1 - random.uniform(*WINTER_LEFT) * 0.5)
    opacity *= 1 + np.float32(0.04 * texture) * lamellae(random, years_of_growth(years, columns), random.uniform(3, 9))
    opacity *= 1 + np.float32(0.04 * texture) * striae(random, columns, random.uniform(0.7, 3), random.uniform(5, 14))
    share = np.minimum(np.arange(columns, dtype=np.float32)[None] / np.maximum(margin, 3)[:, None], 1)
    blade = np.float32(random.uniform(*SUMMER)) * (1 + np.float32(random.uniform(0, 1.2)) * (1 - share))
    reach = random.uniform(0.06, 0.1) + 0.5 * random.uniform(0, 1) * level.base_mm[1] * random.uniform(0.2, 0.7)
    base = np.float32(random.uniform(*BASE)) * np.exp(-((share / np.float32(reach)) ** 2))
    base = base + _struts(random, fan, columns, axis_px)
    rim = margin * (1 + np.float32(random.uniform(0, 0.004)) * _still_on_axis(ripple(random, DIRECTIONS, 8)))
    place, mask = put_down(random, rim, side)
    shape = (mask.shape[0], mask.shape[1])
    radius, row = unrolled(shape, place)
    damage = np.ones(shape, np.float32)
    damaged = random.random() < level.damage_chance
    if damaged:
        for _ in range(random.integers(1, 4)):
            hurt(random, mask, damage, margin, fan.half_angle_deg, place)
    depth = cv2.distanceTransform(np.asarray(mask > 127, np.uint8), cv2.DIST_L2, 5)
    thin = 1 - np.float32(random.uniform(0.2, 0.9)) * np.exp(
        -depth / np.float32(max(random.uniform(0.003, 0.02) * axis_px, 0.8))
    )
    optical = rolled_up(np.asarray(opacity * blade + base, np.float32), radius, row) * thin
    optical *= 1 + np.float32(0.07 * texture) * blotches(random, shape, axis_px / random.uniform(4, 12))
    passes = np.exp(-np.maximum(optical, 0)) * damage
    passes *= 1 + 0.4 * scratches(random, shape, int(random.poisson(0.7 * texture)), max(axis_px / 500, 1.0))
    if random.random() < 0.5 * level.glare_chance:
        passes *= stain(random, shape, random.uniform(0.2, 0.6))
    return _picture(random, passes, mask, channels, KnownBone(
        fish=fish, outline=family, place=place, axis_px=axis_px, margin=margin,
        lines=tuple(line for line in lines if line.kind != "margin"), splits=0, damaged=damaged, bright_winters=True,
    ))  # fmt: skip


def _picture(random: Random, passes: Float, mask: Array, channels: int, known: KnownBone) -> Portrait:
    """On the light table all light comes from below; what a coloured bone takes from it, it takes from blue first."""
    cover = mask.astype(np.float32) / np.float32(255)
    passes = np.clip(passes, 0, 1)
    light = np.zeros((*cover.shape, channels), np.float32)
    if channels == 3:
        light += (passes[..., None] ** np.array(TINT, np.float32) - passes[..., None]) * np.float32(0.7)
    return Portrait(light=light, through=np.asarray(passes, np.float32), cover=cover, known=known)


def _struts(random: Random, fan: Fan, columns: int, axis_px: float) -> Float:
    """(DIRECTIONS, columns): optical thickness of ribs that run out from the base."""
    radius = np.arange(columns, dtype=np.float32)[None] / np.float32(axis_px)
    total = np.zeros((DIRECTIONS, columns), np.float32)
    for _ in range(random.integers(0, 4)):
        direction = random.uniform(-1, 1) * fan.half_angle_deg
        off = np.deg2rad(DEGREES - direction)[:, None]
        across = np.abs(np.sin(off)) * radius / (np.float32(random.uniform(0.01, 0.03)) + np.float32(0.03) * radius)
        fading = np.clip(1 - radius / np.float32(random.uniform(0.4, 1.1)), 0, 1)
        total += np.float32(random.uniform(0.2, 0.9)) * fading * ease(np.cos(off) * 2) * np.exp(-(across**2))
    return total


def _still_on_axis(wave: Float) -> Float:
    return np.asarray(wave - wave[AXIS], np.float32)
