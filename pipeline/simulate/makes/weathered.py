"""Bones as they come out of the pot: grease that leaves patches clear, lobed margins, and winters that
show as a thin dark line, as a step in the bone, or as two lines.
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
    Profile,
    kept_apart,
    partial_checks,
    plain_along,
    second_lines,
    sizes,
    translucency,
    winter_lines,
)
from pipeline.simulate.marks import years_of_growth
from pipeline.simulate.noise import Random, ripple
from pipeline.simulate.place import AXIS, DIRECTIONS, PER_DEGREE
from pipeline.simulate.plan import DrawnScan, Plan
from pipeline.simulate.sensor import draw_sensor, shoot
from pipeline.simulate.shape import Shape, middle_deg, through, turned
from pipeline.simulate.texture import lamellae, striae
from pipeline.simulate.variety import Level, Range, Variety

NAME = "weathered"
LIGHTINGS: tuple[tuple[str, float], ...] = (("dark", 0.55), ("white", 0.3), ("transmitted", 0.15))
OUTLINES: tuple[tuple[str, float], ...] = (("wing", 0.4), ("shell", 0.3), ("oar", 0.3))
GROWTH = Growth(first=(0.35, 2.8), yearly_change=(0.76, 1.02), water_spread=(0.08, 0.3), own_spread=(0.05, 0.28))
DENSITY = (0.35, 1.1)  # optical thickness of summer bone
LOBES: Range = (0.0, 0.05)  # of the margin, share of the radius
LOBE_DEG: Range = (12, 60)
THICKER: Range = (-0.2, 1.2)  # optical thickness added towards the base, share
SURFACE = Surface(
    frayed=0.008, bevel=(0.002, 0.03), bevel_left=0.15, blotch=(2.0, 20.0), scratches=0.8, pores=15, vessels=3,
    grease=(0.0, 0.55), grain=0.12,
)  # fmt: skip


def draw_scan(random: Random, plan: Plan, variety: Variety) -> DrawnScan:
    """One scan as planned."""
    sensor = draw_sensor(random, plan)
    backing = draw_backing(random, plan.lighting, 3 if plan.colour else 1)
    recipe = Recipe(body=draw_body, marks=draw_marks, tissue=draw_tissue, surface=SURFACE)
    shadow = random.uniform(0, 0.4) if plan.lighting == "white" else 0.0
    shooting = partial(shoot, sensor=sensor)
    return compose(random, plan, variety, NAME, studio(plan, backing, recipe, GROWTH, shooting, shadow))


def _outline(random: Random, family: str) -> Shape:
    """A wing with one long side, a shell all but closed behind, or an oar on a narrow neck."""
    half = {"wing": random.uniform(30, 48), "shell": random.uniform(60, 95), "oar": random.uniform(26, 40)}[family]
    far = random.uniform(0.85, 1.05, 5)
    behind = {"wing": random.uniform(0.05, 0.2), "shell": random.uniform(0.15, 0.45), "oar": random.uniform(0.04, 0.1)}
    neck = behind[family]
    long = random.uniform(1.0, 1.25) if family == "wing" else 1.0
    points = [
        (-180, neck), (-140, neck * random.uniform(0.8, 1.4)), (-half - 30, neck * random.uniform(1.0, 2.0)),
        (-half - 6, random.uniform(0.45, 0.8)), (-half * 0.75, far[0] * long), (-half * 0.3, far[1]),
        (half * 0.1, far[2]), (half * 0.5, far[3]), (half * 0.85, far[4]), (half + 6, random.uniform(0.4, 0.8)),
        (half + 30, neck * random.uniform(1.0, 2.0)), (140, neck * random.uniform(0.8, 1.4)),
    ]  # fmt: skip
    degrees, radii = (np.array(v, float) for v in zip(*points, strict=True))
    adult = through(degrees, radii, random.uniform(1.0, 5.0))
    young = through(degrees, radii ** random.uniform(0.4, 1.2), 8.0)
    lobes = random.uniform(*LOBES) * ripple(random, DIRECTIONS, random.uniform(*LOBE_DEG) * PER_DEGREE)
    axis = middle_deg(adult)
    return Shape(
        family=family,
        adult=turned(adult * (1 + np.clip(lobes, -0.12, 0.12)), axis),
        young=turned(young, axis),
        onset=random.uniform(0.3, 1.0),
        half_angle_deg=half,
    )


def draw_body(random: Random, fish: DrawnFish, axis_px: float) -> Body:
    """A lobed blade; its years are rounder than its margin, and each goes its own way a little."""
    family = pick(random, OUTLINES)
    shape = _outline(random, family)
    margin = shape.margin(1.0) * np.float32(axis_px)
    common = random.uniform(0, 0.15) * ripple(random, DIRECTIONS, random.uniform(15, 60) * PER_DEGREE)
    own = random.uniform(0.01, 0.16)
    years = kept_apart(
        [shape.margin(size) * np.float32(axis_px) for size in sizes(fish)],
        margin,
        [common + own * ripple(random, DIRECTIONS, random.uniform(8, 40) * PER_DEGREE) for _ in sizes(fish)],
    )
    return Body(family=family, half_angle_deg=shape.half_angle_deg, axis_px=axis_px, margin=margin, years=years)


def _line(beyond: Float, width: Float, edge: Float) -> Float:
    """A thin line, alike on both sides, just inside the end of the year."""
    thin = np.maximum(0.3 * width, 1.2)
    return np.asarray(np.exp(-(((beyond + 0.8 * thin) / (0.6 * thin)) ** 2)), np.float32)


def _step(denser: float, beyond: Float, width: Float, edge: Float) -> Float:
    """The year begins with denser bone than it ends with."""
    late = np.clip((beyond + width) / np.maximum(width, 1), 0, 1) * np.clip(0.5 - beyond / edge, 0, 1)
    early = np.clip(beyond / edge + 0.5, 0, 1) * np.exp(-np.clip(beyond, 0, None) / np.maximum(0.4 * width, 1))
    return np.asarray(0.8 * late - denser * early, np.float32)


def _pair(apart: float, beyond: Float, width: Float, edge: Float) -> Float:
    """Two lines of one winter; the outer one ends it."""
    thin = np.maximum(0.16 * width, 1.0)
    outer = np.exp(-(((beyond + 0.8 * thin) / thin) ** 2))
    inner = np.exp(-(((beyond + 0.8 * thin + apart * width) / thin) ** 2))
    return np.asarray(np.maximum(outer, 0.7 * inner), np.float32)


def draw_marks(random: Random, fish: DrawnFish, plan: Plan, body: Body) -> Marks:
    """All winters of a bone show in one of three ways."""
    profiles: tuple[tuple[Profile, Range], ...] = (
        (_line, (0.5, 1.2)),
        (partial(_step, random.uniform(0.1, 0.5)), (1.0, 3.0)),
        (partial(_pair, random.uniform(0.3, 0.6)), (0.8, 1.4)),
    )
    profile, widths = profiles[int(random.integers(len(profiles)))]
    edge = random.uniform(0.02, 0.1)
    lines = winter_lines(
        random, fish, plan.level, body.years, along=plain_along(random, body.half_angle_deg, (0.7, 1.7), (0.1, 0.8)),
        widths=random.uniform(*widths), thinnest_px=2.0, edge=edge,
    )  # fmt: skip
    inner = second_lines(random, plan.level, lines[:-1], body.years)
    checks = partial_checks(random, plan.level, body.years, body.margin, float(lines[-1].strength[AXIS]), edge)
    return Marks(
        lines=(*lines[:-1], *checks),
        splits=len(inner),
        missing=translucency([*lines, *inner, *checks], body.columns, profile, reach=1.2),
    )


def draw_tissue(random: Random, level: Level, body: Body, missing: Float) -> Tissue:
    """A blade of even or growing thickness, with fibres and lamellae."""
    texture = random.uniform(*level.texture)
    age = years_of_growth(body.years, body.columns)
    optical = (1 - missing) * (1 + np.float32(0.06 * texture) * lamellae(random, age, random.uniform(4, 16)))
    fibres = striae(random, body.columns, random.uniform(0.4, 2), random.uniform(3, 12))
    optical *= 1 + np.float32(0.06 * texture * random.uniform(0, 1.3)) * fibres
    optical *= 1 + np.float32(random.uniform(*THICKER)) * (1 - body.share) ** 2
    return Tissue(optical=np.asarray(np.maximum(optical, 0.02) * random.uniform(*DENSITY), np.float32))
