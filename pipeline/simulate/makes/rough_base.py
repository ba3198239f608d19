"""Coarse bones on a knob: a narrow or broad fan that grows out of a knob about its focus, grains and pits as broad as
lines that are coarsest near the base, a first annulus that is often faint and years that end sharply.
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
from pipeline.simulate.noise import Random, cloud, ripple
from pipeline.simulate.place import AXIS, DEGREES, DIRECTIONS, PER_DEGREE
from pipeline.simulate.plan import DrawnScan, Plan
from pipeline.simulate.sensor import draw_sensor, shoot
from pipeline.simulate.texture import striae
from pipeline.simulate.variety import Level, Range, Variety

NAME = "rough_base"
LIGHTINGS: tuple[tuple[str, float], ...] = (("dark", 0.6), ("white", 0.25), ("transmitted", 0.15))
OUTLINES: tuple[tuple[str, float], ...] = (("wedge", 0.4), ("quarter", 0.35), ("skirt", 0.25))
GROWTH = Growth(first=(0.25, 2.5), yearly_change=(0.8, 1.08), water_spread=(0.1, 0.35), own_spread=(0.05, 0.3))
DENSITY = (0.35, 1.1)  # optical thickness of summer bone
OPENING_DEG = {"wedge": (18, 34), "quarter": (34, 55), "skirt": (55, 80)}
"""Half of the fan's opening."""
KNOB: Range = (0.03, 0.22)  # radius of the knob, share of the growth axis
KNOB_ASIDE: Range = (0.0, 0.5)  # distance of its middle behind the focus, share of its radius
SUNK: Range = (-0.35, 0.35)  # thickness of the knob against the fan's, share
GRAIN = 0.5  # strength of grains about the base at texture 1, at most
FIRST: Range = (0.2, 1.0)  # strength of the first annulus against the others
EVEN_CHANCE = 0.5  # that it is as plain as they are
LEAST_STEP = 0.03  # of the increment on the axis, in any direction
FACETS: Range = (0.0, 0.03)  # how far years leave their arcs, share of the radius
ALIKE = 0.9  # correlation of that in successive years
RAYS = 0.5  # mean number of dark rays that cross a few years, at texture 1
RAY_LOSS: Range = (0.15, 0.6)
RAY_DEG: Range = (0.3, 1.5)
SURFACE = Surface(
    frayed=0.004, bevel=(0.001, 0.012), bevel_left=0.4, blotch=(3.0, 12.0), scratches=0.4, pores=30, grain=GRAIN
)


def draw_scan(random: Random, plan: Plan, variety: Variety) -> DrawnScan:
    """One scan as planned."""
    sensor = draw_sensor(random, plan)
    backing = draw_backing(random, plan.lighting, 3 if plan.colour else 1)
    recipe = Recipe(body=draw_body, marks=draw_marks, tissue=draw_tissue, surface=SURFACE)
    shadow = random.uniform(0, 0.3) if plan.lighting == "white" else 0.0
    shooting = partial(shoot, sensor=sensor)
    return compose(random, plan, variety, NAME, studio(plan, backing, recipe, GROWTH, shooting, shadow))


def _fan(random: Random, family: str) -> Fan:
    opening = random.uniform(*OPENING_DEG[family])
    lean = random.uniform(-10, 10)
    near = random.uniform(0.01, 0.05, 2)
    return Fan(
        family=family,
        edges=(
            (opening + lean + 90, float(near[0])), (-opening + lean - 90, float(near[1])),
            (180 + random.uniform(-25, 25), random.uniform(0.01, 0.04)),
        ),
        lead=random.uniform(0.1, 0.7),
        sharpness=random.uniform(8, 40),
        bulge=random.uniform(-0.2, 0.25),
        aside_deg=random.uniform(-12, 12),
        half_angle_deg=opening,
    )  # fmt: skip


def _knob(random: Random) -> Float:
    """Distance (DIRECTIONS,) of the knob's rim from the focus, shares of the growth axis."""
    radius = random.uniform(*KNOB)
    angle = np.deg2rad(DEGREES.astype(float) - random.uniform(-40, 40))
    behind = random.uniform(*KNOB_ASIDE) * radius
    rim = np.sqrt(radius**2 - (behind * np.sin(angle)) ** 2) - behind * np.cos(angle)
    return np.asarray(rim * (1 + 0.03 * ripple(random, DIRECTIONS, 30 * PER_DEGREE)), np.float32)


def draw_body(random: Random, fish: DrawnFish, axis_px: float) -> Body:
    """A fan on a knob, whose years end at the fan's edges."""
    family = pick(random, OUTLINES)
    fan, knob, far = _fan(random, family), _knob(random), random.uniform(*FACETS)
    wave_deg = random.uniform(8, 45)
    wave = ripple(random, DIRECTIONS, wave_deg * PER_DEGREE)
    curves = []
    for size in (*sizes(fish), 1.0):
        own = ripple(random, DIRECTIONS, wave_deg * PER_DEGREE)
        wave = np.float32(ALIKE) * wave + np.float32(np.sqrt(1 - ALIKE**2)) * own
        curve = np.maximum(fan.margin(size) * (1 + np.float32(far) * (wave - wave[AXIS])), np.minimum(knob, size))
        curves.append(np.asarray(curve * np.float32(axis_px), np.float32))
    margin = curves.pop()
    curves[-1] = np.maximum(curves[-1], margin)
    steps = np.diff([0.0, *(curve[AXIS] for curve in curves)])
    for k in range(len(curves) - 2, -1, -1):  # beside the fan, where all of them end, they still keep their order
        outside = margin if k == len(curves) - 2 else curves[k + 1]
        curves[k] = np.minimum(curves[k], outside - np.float32(LEAST_STEP * steps[k + 1]))
    fine = random.uniform(0, 0.08)
    shifts = [fine * ripple(random, DIRECTIONS, random.uniform(5, 20) * PER_DEGREE) for _ in curves]
    return Body(
        family=family,
        half_angle_deg=fan.half_angle_deg,
        axis_px=axis_px,
        margin=margin,
        years=kept_apart(curves, margin, shifts),
    )


def _closing(begins: float, power: float, beyond: Float, width: Float, edge: Float) -> Float:
    """Translucent from a share of the zone on, more and more so, and opaque again at once."""
    through = np.clip((beyond + width) / np.maximum(begins * width, 1), 0, 1)
    return np.asarray(through**power * np.clip(0.5 - beyond / edge, 0, 1), np.float32)


def draw_marks(random: Random, fish: DrawnFish, plan: Plan, body: Body) -> Marks:
    """Winters of any breadth, up to most of a year, that end sharply and are plain from side to side."""
    profile: Profile = partial(_closing, random.uniform(0.05, 1.0), random.uniform(0.7, 2.5))
    share = float(np.exp(random.uniform(np.log(0.06), np.log(0.75))))
    along = np.asarray(np.clip(1 + 0.15 * ripple(random, DIRECTIONS, 40 * PER_DEGREE), 0.4, 1.2), np.float32)
    lines = winter_lines(
        random, fish, plan.level, body.years, along=along, widths=0.0, thinnest_px=1.8, edge=random.uniform(0.01, 0.08)
    )
    first = 1.0 if random.random() < EVEN_CHANCE else random.uniform(*FIRST)
    lines = [
        replace(
            line,
            width=np.maximum(np.float32(min(share * np.exp(random.normal(0, 0.3)), 0.85)) * step, line.width),
            strength=np.asarray(line.strength * np.float32(first if k == 0 else 1.0), np.float32),
        )
        for k, (line, step) in enumerate(zip(lines, np.diff(body.years, axis=0), strict=True))
    ]
    checks = partial_checks(random, plan.level, body.years, body.margin, float(lines[-1].strength[AXIS]), 0.05)
    return Marks(lines=(*lines[:-1], *checks), splits=0, missing=translucency([*lines, *checks], body.columns, profile))


def draw_tissue(random: Random, level: Level, body: Body, missing: Float) -> Tissue:
    """Plain bone with a thicker or thinner knob, fibres, and dark rays that cross a few years."""
    texture = random.uniform(*level.texture)
    optical = 1 - missing
    fibres = striae(random, body.columns, random.uniform(0.25, 1.5), random.uniform(2, 12))
    optical *= 1 + np.float32(0.06 * texture * random.uniform(0, 1.3)) * fibres
    optical *= 1 + np.float32(random.uniform(-0.2, 0.4)) * (1 - body.share)
    radius = np.arange(body.columns, dtype=np.float32)[None] / np.float32(body.axis_px)
    rim = random.uniform(*KNOB)
    optical *= 1 + np.float32(random.uniform(*SUNK)) * np.clip((rim - radius) / 0.01 + 0.5, 0, 1)
    for _ in range(random.poisson(RAYS * texture)):
        at, start = random.uniform(-0.7, 0.7) * body.half_angle_deg, random.uniform(0.1, 0.8)
        end = start + random.uniform(0.05, 0.3)
        off = (DEGREES[:, None] - np.float32(at)) / np.float32(random.uniform(*RAY_DEG))
        along = np.clip((radius - start) / 0.03, 0, 1) * np.clip((end - radius) / 0.03, 0, 1)
        optical *= 1 - np.float32(random.uniform(*RAY_LOSS)) * along * np.exp(-(off**2))
    optical *= 1 + np.float32(0.03 * texture) * cloud(random, (DIRECTIONS, body.columns), (12, body.columns / 25))
    return Tissue(optical=np.asarray(optical * random.uniform(*DENSITY), np.float32))
