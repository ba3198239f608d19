"""Old fish that grew fast while they were young: parts of other makes with the last winters close together at the
margin.
"""

from __future__ import annotations

from dataclasses import replace

from pipeline.simulate.fish import Growth
from pipeline.simulate.makes import assembled, rough_base, weathered
from pipeline.simulate.noise import Random
from pipeline.simulate.plan import DrawnScan, Plan
from pipeline.simulate.variety import Variety

NAME = "crowded"
LIGHTINGS = assembled.LIGHTINGS
PARTS: tuple[assembled.Lender, ...] = (*assembled.PARTS, rough_base, weathered)
OUTLINES: tuple[tuple[str, float], ...] = tuple((family, share) for part in PARTS for family, share in part.OUTLINES)
GROWTH = Growth(first=(0.5, 3.0), yearly_change=(0.6, 0.9), water_spread=(0.08, 0.25), own_spread=(0.03, 0.2))
AGES = (0.15, 1.1)  # share of the species' greatest age
NARROWEST_PX = {"clean": 6.0, "typical": 4.0, "hard": 2.8}
"""No year's growth is narrower on the growth axis."""


def draw_scan(random: Random, plan: Plan, variety: Variety) -> DrawnScan:
    """One scan as planned, of old fish as a rule."""
    level = replace(plan.level, least_increment_px=NARROWEST_PX[plan.level.name])
    if variety.ages is None:
        level = replace(level, ages=AGES)
    return assembled.put_together(random, replace(plan, level=level), variety, NAME, PARTS, GROWTH)
