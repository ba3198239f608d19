"""Limits of the years of a bone, and the winter zones and checks along them, for any make.

Curves are arrays (DIRECTIONS,) of distances from the focus in pixels, see `place`; tables are (DIRECTIONS, radius) with
a column a pixel.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np

from pipeline.records import Float
from pipeline.simulate.fish import DrawnFish
from pipeline.simulate.noise import Random, ease, ripple
from pipeline.simulate.place import AXIS, DEGREES, DIRECTIONS, PER_DEGREE
from pipeline.simulate.truth import KnownLine
from pipeline.simulate.variety import Level, Range

MOST_SHIFT = 0.42  # of the smaller neighbouring increment: years may wander, but never touch
FAINT_FIRST = (0.2, 0.6)  # strength of a faint first annulus against the others
HIDDEN_FIRST = (0.0, 0.12)
GROWN_OVER = 0.5  # of the level's chance of a hidden first annulus: the base hides others
FAINT_FOR_HIDDEN = 1.5  # first annuli are so much more often faint than hidden
WIDTH_SPREAD = 0.12  # of the logarithm of a winter zone's width along its arc
WIDTH_WAVE_DEG = 20.0
PATCHES = 0.2  # standard deviation of a line's strength along its arc
PATCH_WAVE_DEG = 8.0
MOST_LOSS = 0.95
MOST_SLANT = 8.0  # of a band that runs nearly along the radius: how much wider it is taken to be
SHARPEST_PX = 0.6  # no transition is drawn sharper
SPLIT_MEAN = 1.5  # of the level's chance, for the mean over bones with few annuli
SPLIT_GAP = (0.14, 0.3)  # of the increment: distance of the two lines of a split annulus where they part
SPLIT_WIDTH = 0.1  # of the increment, at most, of the inner line
CHECK_PLACE = (0.25, 0.7)  # of the increment
CHECK_STRENGTH = (0.25, 0.6)  # of an annulus of the same bone
CHECK_ARC_DEG = (6.0, 30.0)  # half the length of a check's arc
CHECK_OFF_AXIS_DEG = 28.0
CHECK_WIDTH = (0.03, 0.12)  # of the increment
CHECK_LEAST_PX = 1.4  # a thinner line would vanish in the scanner's blur
CHECK_LEAST_INCREMENT_PX = 12.0  # no check is drawn in a narrower year

Profile = Callable[[Float, Float, Float], Float]
"""From pixels beyond the outer edge (rows, columns), the width (rows, 1) and the width of the outer edge (rows, 1), all
along the radius, to 0 in summer bone and 1 where a winter zone is plainest."""


def sizes(fish: DrawnFish) -> list[float]:
    """Growth axis at the end of each year, of the axis at capture; the last lies beyond the margin."""
    return [radius / fish.margin_mm for radius in (*fish.annuli_mm, fish.next_mm)]


def kept_apart(margins: Sequence[Float], margin: Float, shifts: Sequence[Float], first: float = 0.4) -> Float:
    """(year, DIRECTIONS) px: where each year of growth ends; year 0 is the focus.

    `margins`: ideal curves of the years, the last of which lies beyond the `margin`; `shifts`: how far each wanders, as
    a share of the smaller neighbouring increment; the first year, whose increment is long, by `first` of that.
    On the growth axis no year is moved, and nowhere do two of them meet.
    """
    ideal = np.maximum.accumulate(np.stack([np.zeros(DIRECTIONS, np.float32), *margins]), axis=0)
    years = ideal.copy()
    last = len(ideal) - 1
    for k, wandering in enumerate(shifts, start=1):
        outside = ideal[k] * 1.1 if k == last else margin if k == last - 1 else ideal[k + 1]
        room = np.minimum(ideal[k] - ideal[k - 1], np.maximum(outside - ideal[k], 0))
        shift = np.clip((wandering - wandering[AXIS]) * (first if k == 1 else 1.0), -MOST_SHIFT, MOST_SHIFT)
        years[k] += shift * room
    return np.asarray(years, np.float32)


def winter_lines(
    random: Random,
    fish: DrawnFish,
    level: Level,
    years: Float,
    *,
    along: Float,
    widths: float,
    thinnest_px: float,
    edge: float,
) -> list[KnownLine]:
    """The annuli, and last the winter zone under way (kind `margin`), most of which lies beyond the margin.

    `along` (DIRECTIONS,): how plain lines are in each direction, 0 to 1; `widths`: factor of the winter's shares of the
    fish's years; `edge`: width over which opaque growth resumes, as a share of the increment.
    """
    base = random.uniform(*level.winter_loss)
    first = _first_strength(random, level)
    lines = []
    for k, step in enumerate(np.diff(years, axis=0)):
        waves = ripple(random, DIRECTIONS, WIDTH_WAVE_DEG * PER_DEGREE)
        width = np.maximum(
            step * fish.winter_shares[k] * widths * np.exp(WIDTH_SPREAD * waves), thinnest_px * aslant(years[k + 1])
        )
        patches = np.clip(1 + PATCHES * ripple(random, DIRECTIONS, PATCH_WAVE_DEG * PER_DEGREE), 0.2, 1.6)
        loss = base * np.exp(random.normal(0, level.year_spread)) * along * patches * (first if k == 0 else 1.0)
        lines.append(
            KnownLine(
                kind="annulus" if k < fish.annuli else "margin",
                number=k + 1,
                outer=years[k + 1],
                width=np.asarray(width, np.float32),
                strength=np.asarray(np.clip(loss, 0, MOST_LOSS), np.float32),
                edge_px=max(edge * float(step[AXIS]), SHARPEST_PX),
            )
        )
    return lines


def _first_strength(random: Random, level: Level) -> float:
    """How plain the first annulus is against the others."""
    chance, hidden = random.random(), GROWN_OVER * level.hidden_chance
    if chance < hidden:
        return float(random.uniform(*HIDDEN_FIRST))
    if chance < hidden * (1 + FAINT_FOR_HIDDEN):
        return float(random.uniform(*FAINT_FIRST))
    return 1.0


def second_lines(random: Random, level: Level, annuli: Sequence[KnownLine], years: Float) -> list[KnownLine]:
    """Inner lines of split annuli: they part from the annulus somewhere along the arc, and never from the first."""
    inner = []
    for line in annuli[1:]:
        if random.random() < level.split_chance / max(len(annuli) - 1, 1) * SPLIT_MEAN:
            way, start = random.choice([-1, 1]), random.uniform(-18, 18)
            apart = ease(np.asarray((way * DEGREES - start) / random.uniform(18, 40) + 0.35, np.float32))
            step = years[line.number] - years[line.number - 1]
            inner.append(
                replace(
                    line,
                    kind="inner",
                    outer=np.asarray(line.outer - apart * random.uniform(*SPLIT_GAP) * step, np.float32),
                    width=np.minimum(line.width, np.maximum(SPLIT_WIDTH * step, 1.5)),
                    strength=line.strength * ease(4 * apart),
                )
            )
    return inner


def partial_checks(
    random: Random, level: Level, years: Float, margin: Float, strength: float, edge: float
) -> list[KnownLine]:
    """Short, faint lines within a year's growth; `strength`: of the bone's annuli."""
    if random.random() >= level.check_chance:
        return []
    inside = np.minimum(years, margin)
    steps = np.diff(inside, axis=0)
    wide = [k for k, step in enumerate(steps) if step[AXIS] > CHECK_LEAST_INCREMENT_PX]
    if not wide:
        return []
    checks = []
    for k in random.choice(wide, size=min(len(wide), int(random.choice([1, 1, 1, 2, 3]))), replace=False):
        centre, half = random.uniform(-1, 1) * CHECK_OFF_AXIS_DEG, random.uniform(*CHECK_ARC_DEG)
        arc = ease(np.asarray((1.25 - np.abs(DEGREES - centre) / half) * 2, np.float32))
        bend = np.clip(0.06 * ripple(random, DIRECTIONS, 15 * PER_DEGREE), -0.2, 0.2)
        outer = inside[k] + steps[k] * (random.uniform(*CHECK_PLACE) + bend - bend[AXIS])
        width = np.maximum(steps[k] * random.uniform(*CHECK_WIDTH), CHECK_LEAST_PX * aslant(outer))
        checks.append(
            KnownLine(
                kind="check",
                number=int(k) + 1,
                outer=np.asarray(outer, np.float32),
                width=np.asarray(width, np.float32),
                strength=np.asarray(strength * random.uniform(*CHECK_STRENGTH) * arc, np.float32),
                edge_px=max(edge * float(steps[k][AXIS]), SHARPEST_PX),
            )
        )
    return checks


def aslant(curve: Float) -> Float:
    """(DIRECTIONS,) from 1 up: how much wider a band along the curve is along the radius than across."""
    slope = np.gradient(np.log(np.maximum(curve, 1.0))) * DIRECTIONS / (2 * np.pi)
    return np.asarray(np.minimum(np.hypot(1, slope), MOST_SLANT), np.float32)


def plain_along(random: Random, half_angle_deg: float, reach: Range, floor: Range) -> Float:
    """(DIRECTIONS,) 0 to 1: lines are plainest somewhere near the growth axis and fade to the sides, where `floor` of
    their strength is left; `reach`: of half the fan's opening."""
    centre = random.normal(0, 0.15) * half_angle_deg
    away = np.abs(DEGREES - centre) / (half_angle_deg * random.uniform(*reach))
    left = random.uniform(*floor)
    return np.asarray(left + (1 - left) * np.exp(-(away ** random.uniform(1.8, 4.0))), np.float32)


def translucency(lines: Sequence[KnownLine], columns: int, profile: Profile, reach: float = 1.0) -> Float:
    """Share of opacity (DIRECTIONS, columns) that is missing: 0 in plain summer bone.

    `reach`: how many widths inside their outer edge lines begin to show.
    """
    opacity = np.ones((DIRECTIONS, columns), np.float32)
    for line in lines:
        first = int(np.clip(np.floor((line.outer - reach * line.width).min() - 2), 0, columns))
        last = int(np.clip(np.ceil((line.outer + 0.5 * reach * line.width).max() + 2 * line.edge_px + 2), 0, columns))
        if last > first:
            beyond = np.arange(first, last, dtype=np.float32)[None] - line.outer[:, None]
            edge = np.float32(line.edge_px) * aslant(line.outer)[:, None]
            opacity[:, first:last] *= 1 - line.strength[:, None] * profile(beyond, line.width[:, None], edge)
    return np.asarray(1 - opacity, np.float32)
