"""Bones put together from the parts of other makes: any body with any marks, any tissue, any surface, on any bed."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import partial
from typing import Protocol

import numpy as np

from pipeline.records import Float
from pipeline.simulate.anatomy import Body, Marks, Recipe, Surface, Tissue, studio
from pipeline.simulate.backing import draw_backing
from pipeline.simulate.compose import compose
from pipeline.simulate.fish import DrawnFish, Growth
from pipeline.simulate.makes import bundles, closed_rings, even_rings, light_table, thin_blade
from pipeline.simulate.noise import Random
from pipeline.simulate.plan import DrawnScan, Plan
from pipeline.simulate.sensor import draw_sensor, shoot
from pipeline.simulate.variety import Level, Variety

NAME = "assembled"
LIGHTINGS: tuple[tuple[str, float], ...] = (("dark", 0.45), ("white", 0.3), ("transmitted", 0.25))


class Lender(Protocol):
    """A make whose parts others may take."""

    OUTLINES: tuple[tuple[str, float], ...]

    def draw_body(self, random: Random, fish: DrawnFish, axis_px: float) -> Body:
        """Shape and years of one bone."""

    def draw_marks(self, random: Random, fish: DrawnFish, plan: Plan, body: Body) -> Marks:
        """What winters left on it."""

    def draw_tissue(self, random: Random, level: Level, body: Body, missing: Float) -> Tissue:
        """What it is made of."""


PARTS: tuple[Lender, ...] = (thin_blade, light_table, closed_rings, bundles, even_rings)
OUTLINES: tuple[tuple[str, float], ...] = tuple((family, share) for part in PARTS for family, share in part.OUTLINES)
THICKNESS = {"dark": (0.3, 1.0), "white": (0.25, 0.8), "transmitted": (0.5, 1.5)}
"""Optical thickness of the middle of the blade."""
BLADE = (0.5, 0.95)  # share of the way from focus to margin that is taken for the blade
GROWTH = Growth(first=(0.3, 2.5), yearly_change=(0.75, 1.03), water_spread=(0.08, 0.35), own_spread=(0.03, 0.25))


def draw_scan(random: Random, plan: Plan, variety: Variety) -> DrawnScan:
    """One scan as planned; all its bones by one recipe."""
    return put_together(random, plan, variety, NAME, PARTS, GROWTH)


def put_together(
    random: Random,
    plan: Plan,
    variety: Variety,
    make: str,
    parts: Sequence[Lender],
    growth: Growth,
    own_marks: Callable[[Random, DrawnFish, Plan, Body], Marks] | None = None,
) -> DrawnScan:
    """One scan as planned, of a make that takes its parts from others, and its marks too unless it has its own."""
    sensor = draw_sensor(random, plan)
    backing = draw_backing(random, plan.lighting, 3 if plan.colour else 1)
    body, marks, tissue = (parts[int(random.integers(len(parts)))] for _ in range(3))
    recipe = Recipe(
        body=body.draw_body,
        marks=own_marks or marks.draw_marks,
        tissue=partial(_exposed, draw=tissue.draw_tissue, lighting=plan.lighting),
        surface=_surface(random),
    )
    shadow = random.uniform(0, 0.35) if plan.lighting == "white" else 0.0
    shooting = partial(shoot, sensor=sensor)
    return compose(random, plan, variety, make, studio(plan, backing, recipe, growth, shooting, shadow))


def _exposed(
    random: Random, level: Level, body: Body, missing: Float, draw: Callable[..., Tissue], lighting: str
) -> Tissue:
    """Tissue of another make, as thick as its winters need to show in this light."""
    tissue = draw(random, level, body, missing)
    blade = (body.share > BLADE[0]) & (body.share < BLADE[1])
    wanted = random.uniform(*THICKNESS[lighting])
    return replace(tissue, optical=tissue.optical * np.float32(wanted / np.median(tissue.optical[blade])))


def _surface(random: Random) -> Surface:
    surfaces: list[Surface] = [bundles.SURFACE, closed_rings.SURFACE, even_rings.SURFACE, light_table.SURFACE]
    return [*surfaces, thin_blade.draw_surface(random)][int(random.integers(5))]
