"""Scans of few pixels: parts of other makes as an old scanner or a hasty setting has them."""

from __future__ import annotations

from dataclasses import replace

from pipeline.simulate.makes import assembled, plain
from pipeline.simulate.noise import Random
from pipeline.simulate.plan import DrawnScan, Plan
from pipeline.simulate.variety import Variety

NAME = "coarse"
LIGHTINGS = assembled.LIGHTINGS
OUTLINES = plain.OUTLINES
DPI = (200, 240, 300)
NARROWEST_PX = 4.0  # no year's growth is narrower on the growth axis
AGES = (0.0, 0.6)  # share of the species' greatest age


def draw_scan(random: Random, plan: Plan, variety: Variety) -> DrawnScan:
    """One scan as planned, of fish that few pixels can tell the age of."""
    level = replace(plan.level, least_increment_px=NARROWEST_PX)
    if variety.ages is None:
        level = replace(level, ages=AGES)
    plan = replace(plan, level=level, dpi=min(plan.dpi, int(random.choice(DPI))))
    return assembled.put_together(random, plan, variety, NAME, plain.PARTS, plain.GROWTH)
