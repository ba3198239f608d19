"""The translucent lines of a bone: annuli, the winter zone at the margin, split annuli and checks.

Everything here is unrolled about the focus: curves are arrays (DIRECTIONS,) of distances from the focus in pixels,
tables are arrays (DIRECTIONS, radius) with a column a pixel.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from pipeline.records import Float
from pipeline.simulate.fish import DrawnFish
from pipeline.simulate.noise import Array, Random, ease, ripple
from pipeline.simulate.outline import Outline
from pipeline.simulate.place import AXIS, DEGREES, DIRECTIONS, PER_DEGREE
from pipeline.simulate.variety import Level

MOST_SHIFT = 0.42  # of the smaller neighbouring increment: marks may wander, but never touch
SHARED_WANDER = (0.0, 0.12)  # of the increment: waves that all marks of a bone have in common
OWN_WANDER = (0.01, 0.07)  # waves of one mark alone
OWN_LEAN = (0.0, 0.15)  # one mark lies farther out on one side of the fan
FIRST_WANDER = 0.4  # of the first mark, against the others
LEAST_WIDTH_PX = 1.4  # a line thinner than this would vanish in the scanner's blur
SOFT_FLANK = (0.25, 1.0)  # share of the winter zone over which it fades in, range between bones
SHARP_EDGE = (0.015, 0.07)  # share of the increment over which opaque growth resumes, ordinary bones
SLOW_EDGE = (0.08, 0.16)  # the same in bones whose zones change gradually
SLOW_EDGE_CHANCE = 0.18
FADE_FLOOR = (0.05, 0.45)  # share of a line's strength that is left at the sides of the fan
PATCHES = 0.22  # standard deviation of a line's strength along its arc
SPLIT_GAP = (0.14, 0.30)  # of the increment: distance of the two lines of a split annulus where they part
CHECK_PLACE = (0.25, 0.68)  # of the increment
CHECK_STRENGTH = (0.30, 0.70)  # of an annulus of the same bone
CHECK_ARC_DEG = (10.0, 32.0)  # half the length of a check's arc
CHECK_OFF_AXIS_DEG = 26.0  # most distance of a check's middle from the growth axis
CHECK_WIDTH = (0.03, 0.09)  # of the increment
CHECK_LEAST_INCREMENT_PX = 12.0  # no check is drawn in a narrower year
WIDTH_SPREAD = 0.12  # of the logarithm of a winter zone's width along its arc
WIDTH_WAVE_DEG = 20.0
PATCH_WAVE_DEG = 8.0
PATCH_LIMITS = (0.2, 1.6)
SHARPEST_PX = 0.6  # no transition is drawn sharper
SPLIT_MEAN = 1.5  # of the level's chance, for the mean over bones with few annuli
SPLIT_WIDTH = 0.10  # of the increment, at most, of each line of a split annulus
SPLIT_INNER = 0.8  # strength of the inner line against the outer
OFF_CENTRE = 0.15  # of half the fan: where along the arc marks are plainest, standard deviation
ARC_REACH = (0.7, 1.3)  # of half the fan: how far to the sides they stay plain
ARC_FALL = (1.8, 4.0)  # power with which they fade beyond
CHECK_BEND = 0.06  # of the increment
CHECK_SOFT = (0.4, 1.0)  # share of a check's width over which it fades in
CHECK_EDGE = 0.03  # of the increment, over which it ends
MOST_LOSS = 0.92  # no bone is perfectly clear
FIRST_ZONE = 0.45  # the first winter zone is narrower than its long increment suggests


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One translucent line."""

    kind: str
    """`annulus`, `check`, `inner` (of a split annulus) or `margin` (a winter zone not yet closed)."""
    number: int
    """Of the annulus; of the year of life for a check."""
    outer: Float
    """(DIRECTIONS,) px: where opaque growth resumes."""
    width: Float
    """(DIRECTIONS,) px."""
    loss: Float
    """(DIRECTIONS,): share of its opacity that the bone lacks here."""
    soft: float
    """Share of the width over which it fades in."""
    edge_px: float
    """Width over which opaque growth resumes; its middle is `outer`."""


@dataclass(frozen=True, slots=True, kw_only=True)
class GrowthMarks:
    """All lines of a bone and the limits of its years."""

    lines: tuple[Line, ...]
    years: Float
    """(year, DIRECTIONS) px: where each year of growth ends; year 0 is the focus, the last lies beyond the margin."""
    splits: int


def draw_marks(random: Random, fish: DrawnFish, level: Level, outline: Outline, axis_px: float) -> GrowthMarks:
    """Lines of a bone whose growth axis is `axis_px` long; on the axis every annulus lies exactly at its radius."""
    sizes = np.array((*fish.annuli_mm, fish.next_mm)) / fish.margin_mm
    ideal = np.stack(
        [np.zeros(DIRECTIONS, np.float32), *(outline.margin(float(s)) * np.float32(axis_px) for s in sizes)]
    )
    ideal = np.maximum.accumulate(ideal, axis=0)
    margin = outline.margin(1.0) * np.float32(axis_px)
    years = _wander(random, ideal, margin, fish.annuli)
    steps = np.diff(years, axis=0)
    strength = random.uniform(*level.winter_loss)
    soft = random.uniform(*SOFT_FLANK)
    resume = random.uniform(*(SLOW_EDGE if random.random() < SLOW_EDGE_CHANCE else SHARP_EDGE))
    visible = _along_the_arc(random, outline)
    lines: list[Line] = []
    splits = 0
    for k in range(fish.annuli + 1):
        kind = "annulus" if k < fish.annuli else "margin"
        step = steps[k]
        share = fish.winter_shares[k] * (FIRST_ZONE if k == 0 else 1.0)
        width = np.maximum(
            step * share * np.exp(WIDTH_SPREAD * ripple(random, DIRECTIONS, WIDTH_WAVE_DEG * PER_DEGREE)),
            LEAST_WIDTH_PX,
        )
        loss = strength * np.exp(random.normal(0, level.year_spread)) * visible
        loss = loss * np.clip(1 + PATCHES * ripple(random, DIRECTIONS, PATCH_WAVE_DEG * PER_DEGREE), *PATCH_LIMITS)
        edge_px = max(resume * float(step[AXIS]), SHARPEST_PX)
        if kind == "annulus" and k > 0 and random.random() < level.split_chance / max(fish.annuli - 1, 1) * SPLIT_MEAN:
            splits += 1
            part = _parting(random)
            gap = part * random.uniform(*SPLIT_GAP) * step
            width = np.maximum(np.minimum(width, step * SPLIT_WIDTH), LEAST_WIDTH_PX)
            lines.append(
                Line(
                    kind="inner",
                    number=k + 1,
                    outer=years[k + 1] - gap,
                    width=width,
                    loss=_limited(loss * SPLIT_INNER * ease(part * 4)),
                    soft=soft,
                    edge_px=edge_px,
                )
            )
        lines.append(
            Line(
                kind=kind,
                number=k + 1,
                outer=years[k + 1],
                width=_f32(width),
                loss=_limited(loss),
                soft=soft,
                edge_px=edge_px,
            )
        )
    lines += _checks(random, level, years, margin, strength)
    return GrowthMarks(lines=tuple(lines), years=years, splits=splits)


def _wander(random: Random, ideal: Float, margin: Float, annuli: int) -> Float:
    """Every mark leaves the shape of the margin in a way of its own, but not on the growth axis."""
    shared = ripple(random, DIRECTIONS, random.uniform(25, 70) * PER_DEGREE) * random.uniform(*SHARED_WANDER)
    own, lean = random.uniform(*OWN_WANDER), random.uniform(*OWN_LEAN)
    years = ideal.copy()
    for k in range(1, len(ideal)):
        outside = (ideal[k + 1] if k + 1 < annuli + 1 else margin) if k <= annuli else ideal[k] * 1.1
        room = np.minimum(ideal[k] - ideal[k - 1], np.maximum(outside - ideal[k], 0))
        shift = (
            shared
            + own * ripple(random, DIRECTIONS, random.uniform(18, 50) * PER_DEGREE)
            + lean * ripple(random, DIRECTIONS, 120 * PER_DEGREE)
        )
        if k == 1:  # its increment is long: the same share of it would be a zigzag
            shift = FIRST_WANDER * shift
        shift = np.clip(shift - shift[AXIS], -MOST_SHIFT, MOST_SHIFT)
        years[k] += shift * room
    return _f32(years)


def _along_the_arc(random: Random, outline: Outline) -> Float:
    """(DIRECTIONS,) 0 to 1: marks are plainest somewhere in the fan and fade towards its sides."""
    centre = random.normal(0, OFF_CENTRE) * outline.half_angle_deg
    reach = outline.half_angle_deg * random.uniform(*ARC_REACH)
    floor = random.uniform(*FADE_FLOOR)
    return _f32(floor + (1 - floor) * np.exp(-(np.abs((DEGREES - centre) / reach) ** random.uniform(*ARC_FALL))))


def _parting(random: Random) -> Float:
    """(DIRECTIONS,) 0 where the two lines of a split annulus are one, 1 where they are farthest apart."""
    way = random.choice([-1, 1])
    start, length = random.uniform(-18, 18), random.uniform(18, 40)
    return ease(_f32((way * DEGREES - start) / length + 0.35))


def _checks(random: Random, level: Level, years: Float, margin: Float, strength: float) -> list[Line]:
    """Short, faint, thin lines within a year's growth."""
    checks: list[Line] = []
    if random.random() >= level.check_chance:
        return checks
    inside = np.minimum(years, margin)
    wide = [k for k in range(len(years) - 1) if inside[k + 1, AXIS] - inside[k, AXIS] > CHECK_LEAST_INCREMENT_PX]
    if not wide:
        return checks
    for k in random.choice(wide, size=min(len(wide), int(random.choice([1, 1, 1, 2, 3]))), replace=False):
        step = inside[k + 1] - inside[k]
        place = random.uniform(*CHECK_PLACE)
        centre, half = random.uniform(-1, 1) * CHECK_OFF_AXIS_DEG, random.uniform(*CHECK_ARC_DEG)
        arc = ease(_f32((1.25 - np.abs(DEGREES - centre) / half) * 2))
        bend = np.clip(CHECK_BEND * ripple(random, DIRECTIONS, 15 * PER_DEGREE), -0.2, 0.2)
        checks.append(
            Line(
                kind="check",
                number=int(k) + 1,
                outer=_f32(inside[k] + step * (place + bend - bend[AXIS])),
                width=_f32(np.maximum(step * random.uniform(*CHECK_WIDTH), LEAST_WIDTH_PX)),
                loss=_limited(
                    strength
                    * random.uniform(*CHECK_STRENGTH)
                    * arc
                    * np.clip(1 + 0.3 * ripple(random, DIRECTIONS, 5 * PER_DEGREE), 0, 2)
                ),
                soft=random.uniform(*CHECK_SOFT),
                edge_px=max(CHECK_EDGE * float(step[AXIS]), SHARPEST_PX),
            )
        )
    return checks


def opacity_of_lines(lines: tuple[Line, ...], columns: int) -> Float:
    """Opacity (DIRECTIONS, columns), 1 in plain summer bone: each line fades in and ends at a sharp outer edge."""
    opacity = np.ones((DIRECTIONS, columns), np.float32)
    for line in lines:
        first = int(np.clip(np.floor((line.outer - line.width).min() - 1), 0, columns))
        last = int(np.clip(np.ceil(line.outer.max() + line.edge_px + 2), 0, columns))
        if last <= first:
            continue
        beyond = np.arange(first, last, dtype=np.float32)[None] - line.outer[:, None]
        fade_in = np.clip((beyond + line.width[:, None]) / np.maximum(line.soft * line.width, 1)[:, None], 0, 1)
        resume = np.clip(0.5 - beyond / np.float32(line.edge_px), 0, 1)
        fade_in *= fade_in * (3 - 2 * fade_in)
        opacity[:, first:last] *= 1 - line.loss[:, None] * fade_in * resume
    return opacity


def years_of_growth(years: Float, columns: int) -> Float:
    """Age (DIRECTIONS, columns), in growth years, at which each place was laid down."""
    age = np.zeros((DIRECTIONS, columns), np.float32)
    radius = np.arange(columns, dtype=np.float32)[None]
    for inner, outer in pairwise(years):
        first = int(np.clip(inner.min(), 0, columns))
        last = int(np.clip(np.ceil(outer.max()) + 1, 0, columns))
        within = (radius[:, first:last] - inner[:, None]) / np.maximum(outer - inner, 0.05)[:, None]
        age[:, first:last] += np.clip(within, 0, 1, out=within)
        age[:, last:] += 1
    return age


def _limited(loss: Float) -> Float:
    return _f32(np.clip(loss, 0, MOST_LOSS))


def _f32(array: Array) -> Float:
    return np.asarray(array, np.float32)
