"""Winters that begin at once and end slowly, on parts of other makes."""

from __future__ import annotations

from functools import partial

import numpy as np

from pipeline.records import Float
from pipeline.simulate.anatomy import Body, Marks
from pipeline.simulate.fish import DrawnFish
from pipeline.simulate.lines import partial_checks, plain_along, translucency, winter_lines
from pipeline.simulate.makes import assembled, plain
from pipeline.simulate.noise import Random
from pipeline.simulate.place import AXIS
from pipeline.simulate.plan import DrawnScan, Plan
from pipeline.simulate.variety import Variety

NAME = "fading"
LIGHTINGS = assembled.LIGHTINGS
OUTLINES = plain.OUTLINES
BEGINS = (0.05, 0.4)  # share of the zone over which it comes in
ENDS = (0.4, 1.3)  # over which it goes; the annulus lies in the middle of that


def draw_scan(random: Random, plan: Plan, variety: Variety) -> DrawnScan:
    """One scan as planned."""
    return assembled.put_together(random, plan, variety, NAME, plain.PARTS, plain.GROWTH, own_marks=draw_marks)


def _zone(begins: float, ends: float, beyond: Float, width: Float, edge: Float) -> Float:
    rise = np.clip((beyond + width) / np.maximum(begins * width, 1), 0, 1)
    return np.asarray(rise * np.clip(0.5 - beyond / np.maximum(ends * width, 1), 0, 1), np.float32)


def draw_marks(random: Random, fish: DrawnFish, plan: Plan, body: Body) -> Marks:
    """Zones of any breadth."""
    lines = winter_lines(
        random, fish, plan.level, body.years, along=plain_along(random, body.half_angle_deg, (0.8, 1.8), (0.2, 0.9)),
        widths=random.uniform(0.6, 2.2), thinnest_px=2.4, edge=0.3,
    )  # fmt: skip
    checks = partial_checks(random, plan.level, body.years, body.margin, float(lines[-1].strength[AXIS]), 0.1)
    zone = partial(_zone, random.uniform(*BEGINS), random.uniform(*ENDS))
    drawn = translucency([*lines, *checks], body.columns, zone, reach=1.3)
    return Marks(lines=(*lines[:-1], *checks), splits=0, missing=drawn)
