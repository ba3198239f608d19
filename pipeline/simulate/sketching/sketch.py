"""One bone before it is lit: its outline, how its marks run, where it lies in its picture, and what befell it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from pipeline.records import Float
from pipeline.simulate.catch import pick
from pipeline.simulate.noise import Random
from pipeline.simulate.plan import Plan
from pipeline.simulate.sketching.canvas import Canvas, lay_down
from pipeline.simulate.sketching.courses import Wander, grown, settle, sizes_of, within
from pipeline.simulate.sketching.damage import hurt
from pipeline.simulate.sketching.lives import Life
from pipeline.simulate.sketching.margins import MarginCurve
from pipeline.simulate.sketching.rings import Ring, Winters, draw_rings
from pipeline.simulate.variety import Level, Range, Variety

OVERGROWN = (0.3, 0.8)  # strength of a first winter that the base has grown over, against the others
FAINT = (0.2, 0.6)  # of one that is faint of itself; as many are as are overgrown
CORE = (1.0, 1.22)  # of the first annulus, that the bone over it covers
BASE_AT_MM = 1 / 3  # the level's thickness of the base at which a make's own base is drawn in full


def pick_outline(random: Random, outlines: tuple[tuple[str, float], ...], variety: Variety) -> str:
    """One of a make's outlines, each with its share, or of those among them that are asked for."""
    asked = variety.outlines
    return str(pick(random, tuple((name, p) for name, p in outlines if asked is None or name in asked)))


@dataclass(frozen=True, slots=True, kw_only=True)
class Course:
    """How the marks of one bone run. Curves (DIRECTIONS,) are shares of the growth axis, 1 on the axis."""

    young: Float
    """Near the focus."""
    old: Float
    """At the margin."""
    power: float
    """Of the size, with which the one turns into the other."""
    wander: Wander


@dataclass(frozen=True, slots=True, kw_only=True)
class Sketch:
    """Arrays (row, column) of the bone's picture."""

    life: Life
    outline: str
    canvas: Canvas
    rings: list[Ring]
    cracks: Float
    """1 in a crack, 0 elsewhere."""
    first: float
    """Radius of the first annulus, share of the growth axis."""
    hidden: bool
    """The base has grown over the first annulus."""
    damaged: bool

    @property
    def year_end(self) -> Float:
        """(DIRECTIONS,) px: where the year under way will end, beyond the margin."""
        return next(ring.outer for ring in self.rings if ring.kind == "margin")

    @property
    def share(self) -> Float:
        """(row, column) distance from the focus in shares of the growth axis."""
        return self.canvas.radius / np.float32(self.canvas.axis_px)


def sketch(
    random: Random,
    life: Life,
    plan: Plan,
    outline: str,
    margin: MarginCurve,
    course: Course,
    roughness: float,
    winters: Winters,
) -> Sketch:
    """A bone of a fish; `roughness` of its edge as a share of the radius."""
    fish, level = life.fish, plan.level
    axis_px = fish.margin_mm * plan.px_per_mm
    sizes = sizes_of(fish.annuli_mm, fish.next_mm, fish.margin_mm)
    years = settle(random, grown(sizes, course.young, course.old, course.power), sizes, course.wander)
    years = within(years, sizes, margin)
    canvas = lay_down(random, margin.radius, axis_px, life.side, roughness)
    hidden = bool(fish.annuli >= 2 and random.random() < level.hidden_chance)
    if hidden:
        winters = replace(winters, first=random.uniform(*OVERGROWN))
    elif random.random() < level.hidden_chance:
        winters = replace(winters, first=random.uniform(*FAINT))
    rings = draw_rings(random, fish, level, years * np.float32(axis_px), canvas.margin, margin.half_deg, winters)
    damaged = bool(random.random() < level.damage_chance)
    cracks = np.zeros_like(canvas.cover)
    if damaged:
        canvas, cracks = hurt(random, canvas, margin.half_deg)
    return Sketch(
        life=life,
        outline=outline,
        canvas=canvas,
        rings=rings,
        cracks=cracks,
        first=float(sizes[0]),
        hidden=hidden,
        damaged=damaged,
    )


def overgrowth(random: Random, bone: Sketch, level: Level, base: Range, reach: Range, hiding: Range) -> Float:
    """(row, column) optical thickness of bone without marks that grew over the blade: the base, and what hides a first
    annulus. `base` and `hiding`: thickness at the focus; `reach` of the base in shares of the growth axis."""
    height = random.uniform(*base) * min(1.0, random.uniform(*level.base_mm) / BASE_AT_MM)
    over = np.float32(height) * np.exp(-((bone.share / np.float32(random.uniform(*reach))) ** 2))
    if bone.hidden:
        core = bone.first * random.uniform(*CORE)
        over = over + np.float32(random.uniform(*hiding)) * np.exp(-((bone.share / np.float32(core)) ** 4))
    return np.asarray(over, np.float32)


def thin_edge(random: Random, canvas: Canvas, width: Range, left: Range) -> Float:
    """(row, column) factor of thickness towards the margin; `width` in shares of the growth axis, `left` at the very
    edge."""
    wide = np.float32(max(random.uniform(*width) * canvas.axis_px, 1.0))
    least = np.float32(random.uniform(*left))
    return np.asarray(least + (1 - least) * np.clip(canvas.depth() / wide, 0, 1), np.float32)
