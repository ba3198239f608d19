"""What a winter looks like across: the profile of each mark, painted into a bone's picture."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.records import Float
from pipeline.simulate.fish import DrawnFish
from pipeline.simulate.noise import Array, Random, ease, ripple
from pipeline.simulate.place import AXIS, DEGREES, DIRECTIONS, PER_DEGREE
from pipeline.simulate.sketching.canvas import Canvas
from pipeline.simulate.variety import Level

BEYOND = 1.02  # of the margin: the year under way ends outside the bone in every direction
LEAST_WIDTH_PX = 1.8  # a line thinner than this would vanish in the scanner's blur
SHARPEST_PX = 0.8  # no transition is drawn sharper
MOST_LOSS = 0.95  # no bone is perfectly clear
CHECK_PLACE = (0.3, 0.7)  # of the increment
CHECK_ARC_DEG = (8.0, 24.0)  # half the length of a check's arc
CHECK_STRENGTH = (0.2, 0.55)  # of an annulus of the same bone
CHECK_LEAST_INCREMENT_PX = 14.0  # no check is drawn in a narrower year
SPLIT_GAP = (0.14, 0.28)  # of the increment: distance of the two lines of a split annulus where they part


@dataclass(frozen=True, slots=True, kw_only=True)
class Profile:
    """The look of one bone's winters from the inside to the outside."""

    inner: float
    """Share of the zone's width over which it comes in."""
    outer: float
    """Share over which it ends; the annulus lies at the middle of that."""
    lines: int = 1
    """Fine lines of which a zone is made; they run together along the arc."""
    halo: float = 0.0
    """How much more opaque the first growth after the winter is, share."""
    halo_width: float = 0.6
    """Of the zone's width."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Ring:
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
    profile: Profile


@dataclass(frozen=True, slots=True, kw_only=True)
class Winters:
    """How the winters of one bone differ along the arc and between years."""

    profile: Profile
    strength: float
    """Loss of opacity of an ordinary winter."""
    width: float
    """Factor on the share of the increment that is winter."""
    reach: float
    """Of half the fan: marks stay plain so far to the sides."""
    floor: float
    """Share of their strength that is left beyond."""
    patches: float
    """Standard deviation of the strength along the arc."""
    first: float = 1.0
    """Factor on the strength of the first winter: below 1 it is faint."""


def draw_rings(
    random: Random,
    fish: DrawnFish,
    level: Level,
    years: Float,
    margin: Float,
    half_deg: tuple[float, float],
    winters: Winters,
) -> list[Ring]:
    """All lines of a bone; `years` (year, DIRECTIONS) and `margin` (DIRECTIONS,) in px: the ends of its years."""
    years = np.concatenate([years[:-1], np.maximum(years[-1:], margin * np.float32(BEYOND))])
    steps = np.diff(np.concatenate([np.zeros((1, DIRECTIONS), np.float32), years]), axis=0)
    opening = np.where(DEGREES < 0, half_deg[0], half_deg[1]) * winters.reach
    plain = winters.floor + (1 - winters.floor) * np.exp(-((np.abs(DEGREES) / opening) ** random.uniform(2, 5)))
    rings: list[Ring] = []
    for k, step in enumerate(steps):
        share = fish.winter_shares[k] * winters.width * (0.5 if k == 0 else 1.0)
        width = step * np.minimum(share * np.exp(0.14 * ripple(random, DIRECTIONS, 18 * PER_DEGREE)), 0.7)
        width = np.maximum(width, LEAST_WIDTH_PX)
        loss = winters.strength * np.exp(random.normal(0, level.year_spread)) * plain
        loss = loss * np.clip(1 + winters.patches * ripple(random, DIRECTIONS, 8 * PER_DEGREE), 0.2, 1.6)
        loss = loss * (winters.first if k == 0 else 1.0)
        kind = "annulus" if k < fish.annuli else "margin"
        if kind == "annulus" and k and random.random() < 1.5 * level.split_chance / max(fish.annuli - 1, 1):
            part = ease(np.asarray((random.choice([-1, 1]) * DEGREES - random.uniform(-10, 20)) / 30 + 0.35))
            width = np.maximum(np.minimum(width, 0.1 * step), LEAST_WIDTH_PX)
            gap = part * random.uniform(*SPLIT_GAP) * step
            rings.append(_ring("inner", k, years[k] - gap, width, 0.8 * loss * ease(4 * part), winters.profile))
        rings.append(_ring(kind, k, years[k], width, loss, winters.profile))
    return rings + _checks(random, level, years, winters)


def _ring(kind: str, year: int, outer: Array, width: Array, loss: Array, profile: Profile) -> Ring:
    return Ring(
        kind=kind,
        number=year + 1,
        outer=np.asarray(outer, np.float32),
        width=np.asarray(width, np.float32),
        loss=np.asarray(np.clip(loss, 0, MOST_LOSS), np.float32),
        profile=profile,
    )


def _checks(random: Random, level: Level, years: Float, winters: Winters) -> list[Ring]:
    """Short, fainter lines within a year's growth."""
    if random.random() >= level.check_chance:
        return []
    rings: list[Ring] = []
    ends = np.concatenate([np.zeros((1, DIRECTIONS), np.float32), years])
    wide = [k for k in range(len(years) - 1) if ends[k + 1, AXIS] - ends[k, AXIS] > CHECK_LEAST_INCREMENT_PX]
    for k in random.permutation(wide)[: int(random.choice([1, 1, 2, 3]))]:
        step = ends[k + 1] - ends[k]
        centre, half = random.uniform(-24, 24), random.uniform(*CHECK_ARC_DEG)
        arc = ease(np.asarray((1.25 - np.abs(DEGREES - centre) / half) * 2))
        wander = 0.04 * ripple(random, DIRECTIONS, 15 * PER_DEGREE)
        outer = ends[k] + step * (random.uniform(*CHECK_PLACE) + wander - wander[AXIS])
        width = np.maximum(step * random.uniform(0.03, 0.09), LEAST_WIDTH_PX)
        loss = winters.strength * random.uniform(*CHECK_STRENGTH) * arc
        rings.append(_ring("check", int(k), outer, width, loss, Profile(inner=0.6, outer=0.4)))
    return rings


def opacity(canvas: Canvas, rings: list[Ring]) -> Float:
    """(row, column) opacity of the bone, 1 in plain summer growth."""
    field = np.ones(canvas.radius.shape, np.float32)
    for ring in rings:
        for offset, thickness, share in _strands(ring):
            outer = canvas.around(np.asarray(ring.outer - offset, np.float32))
            width = canvas.around(thickness)
            beyond = (canvas.radius - outer) / width
            field *= 1 - canvas.around(np.asarray(ring.loss * share, np.float32)) * zone(beyond, width, ring.profile)
        if ring.profile.halo:
            wide = canvas.around(np.asarray(ring.width * ring.profile.halo_width, np.float32))
            beyond = np.clip((canvas.radius - canvas.around(ring.outer)) / wide, -1, 2)
            glow = np.clip(beyond * 4, 0, 1) * np.clip(1.25 - beyond, 0, 1)
            field *= 1 + np.float32(ring.profile.halo) * canvas.around(ring.loss) * glow
    return field


def zone(beyond: Float, width: Float, profile: Profile) -> Float:
    """0 to 1 across a winter: `beyond` counts widths from the annulus outward, the zone lies from -1 to 0."""
    inner = np.maximum(profile.inner, SHARPEST_PX / width)
    outer = np.maximum(profile.outer, SHARPEST_PX / width)
    rise = np.clip((beyond + 1) / inner + 0.25, 0, 1)
    fall = np.clip(0.5 - beyond / outer, 0, 1)
    return np.asarray(rise * rise * (3 - 2 * rise) * fall * fall * (3 - 2 * fall), np.float32)


def _strands(ring: Ring) -> list[tuple[Float, Float, Float]]:
    """(offset inward, width, share of the strength) by direction, of the lines that make up a ring."""
    count = ring.profile.lines
    one = np.ones(DIRECTIONS, np.float32)
    if count == 1 or ring.kind in ("check", "inner"):
        return [(0 * one, ring.width, one)]
    thin = np.maximum(ring.width / (1.6 * count), LEAST_WIDTH_PX).astype(np.float32)
    strands = []
    for j in range(count):
        apart = 0.55 + 0.45 * np.sin(np.deg2rad(DEGREES) * (2 + j) + ring.number * 1.7 + j)  # they meet and part
        offset = np.asarray(j / count * ring.width * apart, np.float32)
        strands.append((offset, thin, np.asarray(one * (1.0 if j == 0 else 0.75), np.float32)))
    return strands
