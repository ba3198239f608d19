"""Wings and paddles on which each winter is a bundle of fine lines that run together and part again, with bright
borders; fainter lines lie between them.
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
from pipeline.simulate.lines import aslant, kept_apart, partial_checks, plain_along, sizes, translucency, winter_lines
from pipeline.simulate.noise import Random, ease, ripple
from pipeline.simulate.place import AXIS, DIRECTIONS, PER_DEGREE
from pipeline.simulate.plan import DrawnScan, Plan
from pipeline.simulate.sensor import draw_sensor, shoot
from pipeline.simulate.shape import Shape, middle_deg, through, turned
from pipeline.simulate.texture import striae
from pipeline.simulate.truth import KnownLine
from pipeline.simulate.variety import Level, Variety

NAME = "bundles"
LIGHTINGS: tuple[tuple[str, float], ...] = (("dark", 0.6), ("white", 0.4))
OUTLINES: tuple[tuple[str, float], ...] = (("wing", 0.4), ("paddle", 0.3), ("lobes", 0.3))
GROWTH = Growth(first=(0.5, 2.5), yearly_change=(0.72, 1.0), water_spread=(0.08, 0.25), own_spread=(0.05, 0.25))
STRONGER = 1.4  # a fine line than a broad one, which blur does not weaken
LINES = (1, 6)  # in a bundle, the second not reached
BUNDLE = (0.08, 0.28)  # width of a bundle where its lines are farthest apart, of the increment
FINE_MM = (0.05, 0.13)  # width of one line
BORDER = (0.0, 0.5)  # strength of the bright borders against the line's
BORDER_WIDTHS = 1.6  # distance of their middle from the line, widths of the line
BETWEEN = (0, 7)  # fainter lines in a year, the second not reached
BETWEEN_STRENGTH = (0.04, 0.25)  # of an annulus
MOST_LOSS = 0.95
SURFACE = Surface(frayed=0.005, pores=15, scratches=0.2)
DENSITY = (0.25, 0.8)
BASE = (0.0, 2.0)  # optical thickness added at the base


def draw_scan(random: Random, plan: Plan, variety: Variety) -> DrawnScan:
    """One scan as planned."""
    sensor = draw_sensor(random, plan)
    backing = draw_backing(random, plan.lighting, 3 if plan.colour else 1)
    recipe = Recipe(body=draw_body, marks=draw_marks, tissue=draw_tissue, surface=SURFACE)
    shadow = random.uniform(0, 0.35) if plan.lighting == "white" else 0.0
    shooting = partial(shoot, sensor=sensor)
    return compose(random, plan, variety, NAME, studio(plan, backing, recipe, GROWTH, shooting, shadow))


def _outline(random: Random, family: str) -> Shape:
    points = {
        "wing": [
            (-180, 0.09), (-120, 0.1), (-75, 0.14), (-48, 0.42), (-36, 0.7), (-22, 0.86), (-6, 1.0), (6, 1.08),
            (13, 0.98), (20, 0.66), (34, 0.4), (60, 0.22), (110, 0.11),
        ],
        "paddle": [
            (-180, 0.2), (-130, 0.16), (-80, 0.2), (-52, 0.36), (-36, 0.7), (-22, 0.93), (0, 1.0), (22, 0.93),
            (36, 0.7), (52, 0.36), (80, 0.2), (130, 0.16),
        ],
        "lobes": [
            (-180, 0.08), (-110, 0.12), (-70, 0.3), (-56, 0.78), (-44, 0.92), (-26, 0.8), (-10, 0.93), (8, 1.0),
            (24, 0.84), (38, 0.97), (50, 0.8), (66, 0.3), (110, 0.12),
        ],
    }[family]  # fmt: skip
    degrees, radii = (np.array(v, float) for v in zip(*points, strict=True))
    adult = through(degrees, radii * np.exp(random.normal(0, 0.07, len(radii))), random.uniform(2, 4))
    young = through(degrees, radii ** random.uniform(0.6, 0.95), 8.0)
    axis = middle_deg(adult)
    return Shape(
        family=family,
        adult=turned(adult, axis),
        young=turned(young, axis),
        onset=random.uniform(0.4, 1.0),
        half_angle_deg={"wing": 35.0, "paddle": 42.0, "lobes": 58.0}[family],
    )


def _bundle(random: Random, line: KnownLine, room: Float, fine_px: float) -> list[KnownLine]:
    """The lines of one winter; the outermost is where growth resumes."""
    count = int(random.integers(*LINES))
    apart = ease(np.asarray(0.5 + 0.7 * ripple(random, DIRECTIONS, random.uniform(15, 60) * PER_DEGREE), np.float32))
    width = random.uniform(*BUNDLE) * room * apart
    thin = fine_px * aslant(line.outer)
    lines = []
    for place in np.linspace(0, 1, count) if count > 1 else (0.0,):
        wave = 1 + 0.2 * ripple(random, DIRECTIONS, random.uniform(8, 25) * PER_DEGREE)
        outer = line.outer - place * np.clip(wave, 0.4, 1.6) * width
        weaker = 1.0 if place == 0 else random.uniform(0.6, 1.0)
        thickness = thin * random.uniform(0.7, 1.3)
        strength = np.clip(line.strength * weaker * STRONGER, 0, MOST_LOSS)
        lines.append(
            replace(
                line,
                outer=np.asarray(outer, np.float32),
                width=np.asarray(thickness, np.float32),
                strength=np.asarray(strength, np.float32),
                edge_px=max(0.3 * fine_px, 0.6),
            )
        )
    return lines


def _between(random: Random, lines: list[KnownLine], years: Float, fine_px: float) -> list[KnownLine]:
    """Fainter lines that run along the marks for a while."""
    faint = []
    for line, inner, step in zip(lines, years[:-1], np.diff(years, axis=0), strict=True):
        for place in np.sort(random.uniform(0.1, 0.85, int(random.integers(*BETWEEN)))):
            there = ease(np.asarray(ripple(random, DIRECTIONS, random.uniform(10, 40) * PER_DEGREE) + 0.4, np.float32))
            outer = inner + place * step
            faint.append(
                KnownLine(
                    kind="between",
                    number=line.number,
                    outer=np.asarray(outer, np.float32),
                    width=np.asarray(fine_px * aslant(outer), np.float32),
                    strength=np.asarray(line.strength * random.uniform(*BETWEEN_STRENGTH) * there, np.float32),
                    edge_px=max(0.4 * fine_px, 0.6),
                )
            )
    return faint


def _fine(beyond: Float, width: Float, edge: Float) -> Float:
    """One line, about as sharp on both sides."""
    begins = np.clip((beyond + width) / np.maximum(0.5 * width, 1), 0, 1)
    return np.asarray(begins * np.clip(0.5 - beyond / edge, 0, 1), np.float32)


def _border(beyond: Float, width: Float, edge: Float) -> Float:
    """A swell on each side of a line."""
    middle = beyond + width / 2
    off = (np.abs(middle) - BORDER_WIDTHS * width) / (0.7 * width + 0.3 * edge)
    return np.asarray(np.exp(-(off**2)), np.float32)


def draw_body(random: Random, fish: DrawnFish, axis_px: float) -> Body:
    """A wing, paddle or lobed blade whose marks waver together."""
    family = pick(random, OUTLINES)
    shape = _outline(random, family)
    margin = shape.margin(1.0) * np.float32(axis_px)
    common = random.uniform(0, 0.12) * ripple(random, DIRECTIONS, random.uniform(20, 50) * PER_DEGREE)
    own = random.uniform(0.02, 0.1)
    years = kept_apart(
        [shape.margin(size) * np.float32(axis_px) for size in sizes(fish)],
        margin,
        [common + own * ripple(random, DIRECTIONS, random.uniform(10, 40) * PER_DEGREE) for _ in sizes(fish)],
    )
    return Body(family=family, half_angle_deg=shape.half_angle_deg, axis_px=axis_px, margin=margin, years=years)


def draw_marks(random: Random, fish: DrawnFish, plan: Plan, body: Body) -> Marks:
    """Bundles, and fainter lines between them."""
    level, years = plan.level, body.years
    fine_px = max(random.uniform(*FINE_MM) * plan.px_per_mm, 1.6)
    annuli = winter_lines(
        random, fish, level, years, along=plain_along(random, body.half_angle_deg, (0.9, 1.8), (0.2, 0.8)),
        widths=0.3, thinnest_px=1.5, edge=0.02,
    )  # fmt: skip
    steps = np.diff(years, axis=0)
    room = np.minimum(steps, np.concatenate([steps[1:], steps[-1:]]))  # a bundle is narrow against both its neighbours
    bundles = [_bundle(random, line, narrower, fine_px) for line, narrower in zip(annuli, room, strict=True)]
    wide = [replace(bundle[0], width=bundle[0].outer - bundle[-1].outer + bundle[-1].width) for bundle in bundles]
    checks = partial_checks(random, level, years, body.margin, float(annuli[-1].strength[AXIS]), 0.05)
    fine = [line for bundle in bundles for line in bundle]
    dark = translucency([*fine, *checks, *_between(random, annuli, years, fine_px)], body.columns, _fine)
    borders = translucency(fine, body.columns, _border, reach=4.0)
    return Marks(
        lines=(*wide[:-1], *checks),
        splits=sum(len(bundle) > 1 for bundle in bundles[: fish.annuli]),
        missing=dark - np.float32(random.uniform(*BORDER)) * borders,
    )


def draw_tissue(random: Random, level: Level, body: Body, missing: Float) -> Tissue:
    """A plain blade with a denser base."""
    texture = random.uniform(*level.texture)
    fibres = striae(random, body.columns, random.uniform(0.4, 1.5), random.uniform(3, 12))
    opaque = (1 - missing) * (1 + np.float32(0.05 * texture * random.uniform(0.2, 1.4)) * fibres)
    opaque *= 1 + np.float32(random.uniform(0, 0.6)) * (1 - body.share)
    opaque += np.float32(random.uniform(*BASE)) * np.exp(-((body.share / np.float32(random.uniform(0.05, 0.2))) ** 2))
    return Tissue(optical=np.asarray(opaque * random.uniform(*DENSITY), np.float32))
