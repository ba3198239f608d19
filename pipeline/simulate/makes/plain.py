"""Bones that anybody can read: parts of other makes with strong winters, little texture, nothing hidden."""

from __future__ import annotations

from dataclasses import replace

from pipeline.simulate.fish import Growth
from pipeline.simulate.makes import assembled, rough_base, weathered
from pipeline.simulate.noise import Random
from pipeline.simulate.plan import DrawnScan, Plan
from pipeline.simulate.variety import Variety

NAME = "plain"
LIGHTINGS = assembled.LIGHTINGS
PARTS: tuple[assembled.Lender, ...] = (*assembled.PARTS, rough_base, weathered)
OUTLINES: tuple[tuple[str, float], ...] = tuple((family, share) for part in PARTS for family, share in part.OUTLINES)
GROWTH = Growth(first=(0.3, 2.5), yearly_change=(0.75, 1.05), water_spread=(0.08, 0.3), own_spread=(0.05, 0.3))
STRONG = (0.5, 0.85)  # share of its opacity that bone of the winter zone lacks
SMOOTH = (0.1, 0.7)  # strength of textures; 1 is an ordinary bone
ALIKE = 0.1  # standard deviation of the logarithm of that between the winters of one bone


def draw_scan(random: Random, plan: Plan, variety: Variety) -> DrawnScan:
    """One scan as planned, however hard its level."""
    level = replace(plan.level, winter_loss=STRONG, texture=SMOOTH, year_spread=ALIKE, hidden_chance=0.0)
    return assembled.put_together(random, replace(plan, level=level), variety, NAME, PARTS, GROWTH)
