"""Bones with checks that run as far as winters do, and differ from them only in how faint and thin they are."""

from __future__ import annotations

from dataclasses import replace
from functools import partial

import numpy as np

from pipeline.records import Float
from pipeline.simulate.anatomy import Body, Marks
from pipeline.simulate.fish import DrawnFish, Growth
from pipeline.simulate.lines import aslant, plain_along, translucency, winter_lines
from pipeline.simulate.makes import assembled, rough_base, weathered
from pipeline.simulate.noise import Random, ripple
from pipeline.simulate.place import AXIS, DIRECTIONS, PER_DEGREE
from pipeline.simulate.plan import DrawnScan, Plan
from pipeline.simulate.truth import KnownLine
from pipeline.simulate.variety import Variety

NAME = "checked"
LIGHTINGS = assembled.LIGHTINGS
PARTS: tuple[assembled.Lender, ...] = (*assembled.PARTS, rough_base, weathered)
OUTLINES: tuple[tuple[str, float], ...] = tuple((family, share) for part in PARTS for family, share in part.OUTLINES)
GROWTH = Growth(first=(0.3, 2.8), yearly_change=(0.75, 1.05), water_spread=(0.08, 0.3), own_spread=(0.05, 0.25))
CHECKED = (0.1, 0.8)  # share of the years that have a check
PLACE = (0.25, 0.75)  # of a check in the increment
FAINTER = (0.12, 0.5)  # its strength against the bone's winters
THINNER = (0.2, 0.7)  # its width against theirs
LEAST_INCREMENT_PX = 14.0  # no check is drawn in a narrower year
THINNEST_PX = 1.4


def draw_scan(random: Random, plan: Plan, variety: Variety) -> DrawnScan:
    """One scan as planned."""
    return assembled.put_together(random, plan, variety, NAME, PARTS, GROWTH, own_marks=draw_marks)


def _zone(inner: float, beyond: Float, width: Float, edge: Float) -> Float:
    """Comes in over a share of the zone, and ends at once."""
    rise = np.clip((beyond + width) / np.maximum(inner * width, 1), 0, 1)
    return np.asarray(rise * rise * (3 - 2 * rise) * np.clip(0.5 - beyond / edge, 0, 1), np.float32)


def draw_marks(random: Random, fish: DrawnFish, plan: Plan, body: Body) -> Marks:
    """Winters, and between them lines of the same course that are fainter and thinner."""
    edge = random.uniform(0.01, 0.08)
    lines = winter_lines(
        random, fish, plan.level, body.years, along=plain_along(random, body.half_angle_deg, (0.8, 1.8), (0.2, 0.9)),
        widths=random.uniform(0.8, 2.2), thinnest_px=2.2, edge=edge,
    )  # fmt: skip
    checks = _checks(random, lines, body, edge)
    drawn = translucency([*lines, *checks], body.columns, partial(_zone, random.uniform(0.2, 1.0)))
    return Marks(lines=(*lines[:-1], *checks), splits=0, missing=drawn)


def _checks(random: Random, lines: list[KnownLine], body: Body, edge: float) -> list[KnownLine]:
    share, fainter, thinner = random.uniform(*CHECKED), random.uniform(*FAINTER), random.uniform(*THINNER)
    inside = np.minimum(body.years, body.margin)
    checks = []
    for line, start, step in zip(lines, inside, np.diff(inside, axis=0), strict=False):
        if step[AXIS] < LEAST_INCREMENT_PX or random.random() > share:
            continue
        bend = np.clip(0.04 * ripple(random, DIRECTIONS, 20 * PER_DEGREE), -0.15, 0.15)
        outer = np.asarray(start + step * (random.uniform(*PLACE) + bend - bend[AXIS]), np.float32)
        checks.append(
            replace(
                line,
                kind="check",
                outer=outer,
                width=np.maximum(np.float32(thinner) * line.width, np.float32(THINNEST_PX) * aslant(outer)),
                strength=np.asarray(line.strength * np.float32(fainter * np.exp(random.normal(0, 0.15))), np.float32),
                edge_px=max(edge * float(step[AXIS]), 0.6),
            )
        )
    return checks
