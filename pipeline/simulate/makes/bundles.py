"""Wings and paddles on which each winter is a bundle of fine lines that run together and part again, with bright
borders; fainter lines lie between them.
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
from pipeline.simulate.lines import aslant, kept_apart, partial_checks, plain_along, sizes, translucency, winter_lines
from pipeline.simulate.noise import Random, cloud, ease, ripple
from pipeline.simulate.place import AXIS, DIRECTIONS, PER_DEGREE, put_down, rolled_up, unrolled
from pipeline.simulate.plan import DrawnScan, Plan
from pipeline.simulate.sensor import draw_sensor, shoot
from pipeline.simulate.shape import Shape, middle_deg, through, turned
from pipeline.simulate.texture import blotches, pores, stain, striae
from pipeline.simulate.truth import KnownBone, KnownLine
from pipeline.simulate.variety import Variety

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
DENSITY = (0.25, 0.8)
BASE = (0.0, 2.0)  # optical thickness added at the base


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
        shadow=random.uniform(0, 0.35) if plan.lighting == "white" else 0.0,
    )
    return compose(random, plan, variety, NAME, studio)


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


def _portray(random: Random, fish: Fish, side: str, plan: Plan, backing: Backing) -> Portrait:
    axis_px, level = fish.margin_mm * plan.px_per_mm, plan.level
    family = str(random.choice([f for f, _ in OUTLINES], p=[p for _, p in OUTLINES]))
    shape = _outline(random, family)
    margin = shape.margin(1.0) * np.float32(axis_px)
    common = random.uniform(0, 0.12) * ripple(random, DIRECTIONS, random.uniform(20, 50) * PER_DEGREE)
    own = random.uniform(0.02, 0.1)
    years = kept_apart(
        [shape.margin(size) * np.float32(axis_px) for size in sizes(fish)],
        margin,
        [common + own * ripple(random, DIRECTIONS, random.uniform(10, 40) * PER_DEGREE) for _ in sizes(fish)],
    )
    fine_px = max(random.uniform(*FINE_MM) * plan.px_per_mm, 1.6)
    annuli = winter_lines(
        random, fish, level, years, along=plain_along(random, shape.half_angle_deg, (0.9, 1.8), (0.2, 0.8)),
        widths=0.3, thinnest_px=1.5, edge=0.02,
    )  # fmt: skip
    steps = np.diff(years, axis=0)
    room = np.minimum(steps, np.concatenate([steps[1:], steps[-1:]]))  # a bundle is narrow against both its neighbours
    bundles = [_bundle(random, line, narrower, fine_px) for line, narrower in zip(annuli, room, strict=True)]
    wide = [replace(bundle[0], width=bundle[0].outer - bundle[-1].outer + bundle[-1].width) for bundle in bundles]
    checks = partial_checks(random, level, years, margin, float(annuli[-1].strength[AXIS]), 0.05)
    drawn = [line for bundle in bundles for line in bundle] + checks + _between(random, annuli, years, fine_px)
    columns = int(margin.max() * 1.05) + 4
    texture = random.uniform(*level.texture)
    opaque = 1 - translucency(drawn, columns, _fine)
    borders = translucency([line for bundle in bundles for line in bundle], columns, _border, reach=4.0)
    opaque += np.float32(random.uniform(*BORDER)) * borders
    fibres = striae(random, columns, random.uniform(0.4, 1.5), random.uniform(3, 12))
    opaque *= 1 + np.float32(0.05 * texture * random.uniform(0.2, 1.4)) * fibres
    share = np.minimum(np.arange(columns, dtype=np.float32)[None] / np.maximum(margin, 3)[:, None], 1)
    opaque *= 1 + np.float32(random.uniform(0, 0.6)) * (1 - share)
    opaque += np.float32(random.uniform(*BASE)) * np.exp(-((share / np.float32(random.uniform(0.05, 0.2))) ** 2))
    wear = random.uniform(0, 0.006) * ripple(random, DIRECTIONS, random.uniform(1.5, 10) * PER_DEGREE)
    place, mask = put_down(random, margin * (1 + np.clip(wear - wear[AXIS], -0.02, 0.008)), side)
    size = (mask.shape[0], mask.shape[1])
    radius, row = unrolled(size, place)
    damage = np.ones(size, np.float32)
    damaged = random.random() < level.damage_chance
    if damaged:
        for _ in range(random.integers(1, 4)):
            hurt(random, mask, damage, margin, shape.half_angle_deg, place)
    depth = cv2.distanceTransform(np.asarray(mask > 127, np.uint8), cv2.DIST_L2, 5)
    optical = rolled_up(opaque * np.float32(random.uniform(*DENSITY)), radius, row)
    optical *= np.clip(depth / np.float32(max(random.uniform(0.002, 0.015) * axis_px, 1)), 0.3, 1)
    optical *= 1 + np.float32(0.06 * texture) * blotches(random, size, axis_px / random.uniform(4, 15))
    damage *= 1 - 0.5 * pores(random, place, size, axis_px, int(random.integers(0, 15)), 0.12)
    damage *= 1 + np.float32(0.03 * texture) * cloud(random, size, (2.5, 2.5))
    if random.random() < 0.5 * level.glare_chance:
        damage *= stain(random, size, random.uniform(0.2, 0.6))
    light, passes = backing.shine(optical, damage)
    return Portrait(
        light=light,
        through=passes * damage,
        cover=mask.astype(np.float32) / np.float32(255),
        known=KnownBone(
            fish=fish, outline=family, place=place, axis_px=axis_px, margin=margin,
            lines=(*(line for line in wide if line.kind == "annulus"), *checks),
            splits=sum(len(bundle) > 1 for bundle in bundles[: fish.annuli]), damaged=damaged,
            bright_winters=backing.bright_winters,
        ),
    )  # fmt: skip
