"""How marks run: the distance of every year's end from the focus in each direction, in shares of the growth axis."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import gaussian_filter1d

from pipeline.records import Float
from pipeline.simulate.noise import Array, Random, ease, ripple
from pipeline.simulate.place import AXIS, DEGREES, DIRECTIONS, PER_DEGREE
from pipeline.simulate.sketching.margins import MarginCurve

LEAST_GAP = 0.28  # of the gap on the growth axis: nearer than that no two years come, unless they merge
MOST_WOBBLE = 0.42  # of the smaller neighbouring gap
MERGED_GAP = 0.08  # of the gap on the growth axis that is left where two marks have run together
CLEAR_DEG = 24.0  # marks merge no nearer to the growth axis
RIM_KEPT = 0.6  # of the growth beyond a mark on the axis, that there is at least beyond it at a notch
YOUNG_RATIO = (0.5, 1.7)  # of the young to the old course in one direction


@dataclass(frozen=True, slots=True, kw_only=True)
class Wander:
    """How far marks leave their course; standard deviations as shares of the gaps between marks."""

    shared: float
    """Of all marks of a bone alike."""
    own: float
    """Of each mark alone."""
    wave_deg: float
    """Length of the waves."""
    merge_chance: float = 0.0
    """That a mark runs together with the next on one side of the fan."""


def sizes_of(annuli_mm: tuple[float, ...], next_mm: float, margin_mm: float) -> Array:
    """(year,) ends of the years as shares of the axis; the last lies beyond the margin."""
    return np.array((*annuli_mm, next_mm)) / margin_mm


def grown(sizes: Array, young: Float, old: Float, power: float) -> Float:
    """(year, DIRECTIONS): marks that run like `young` near the focus and come to run like `old` at the margin."""
    young = np.asarray(np.clip(young / young[AXIS], YOUNG_RATIO[0] * old, YOUNG_RATIO[1] * old), np.float32)
    late = np.clip(sizes, 0, 1)[:, None] ** power
    return np.asarray(sizes[:, None] * ((1 - late) * young + late * old), np.float32)


def circle_about(forward: float, aside: float) -> Float:
    """(DIRECTIONS,) a circle through the end of the axis about a centre given in shares of the axis."""
    angle = np.deg2rad(DEGREES.astype(float))
    radius = np.hypot(1 - forward, aside)
    off = forward * np.sin(angle) - aside * np.cos(angle)
    root = np.sqrt(np.maximum(radius**2 - off**2, 1e-4))
    return np.asarray(np.maximum(forward * np.cos(angle) + aside * np.sin(angle) + root, 0.05), np.float32)


def pointed(sharpness: float) -> Float:
    """(DIRECTIONS,) a front that leads on the growth axis and falls back like a straight line to both sides."""
    return np.asarray((1 + sharpness * np.abs(np.sin(np.deg2rad(DEGREES / 2))) ** 1.3) ** -1.0, np.float32)


def settle(random: Random, courses: Float, sizes: Array, wander: Wander) -> Float:
    """Marks that wander, each a little its own way, keep apart, and lie exactly at their sizes on the growth axis."""
    gaps = np.diff(np.concatenate([[0.0], sizes]))
    room = np.minimum(gaps, np.append(gaps[1:], gaps[-1]))
    together = ripple(random, DIRECTIONS, 1.8 * wander.wave_deg * PER_DEGREE)
    years = courses.astype(np.float64)
    for k in range(len(sizes)):
        wave = wander.wave_deg * random.uniform(0.6, 1.6) * PER_DEGREE
        shift = wander.shared * together + wander.own * ripple(random, DIRECTIONS, wave)
        shift = np.clip(shift - shift[AXIS], -MOST_WOBBLE, MOST_WOBBLE) * (0.4 if k == 0 else 1.0)
        years[k] += shift * room[k] * np.minimum(courses[k] / sizes[k], 1.5)
    least = np.full(courses.shape, LEAST_GAP)
    for k in range(1, len(sizes) - 1):
        if random.random() < wander.merge_chance:
            merged = _aside(random)
            years[k] += merged * (years[k + 1] - years[k])
            least[k + 1] = LEAST_GAP + merged * (MERGED_GAP - LEAST_GAP)
    for k in range(1, len(sizes)):
        scale = years[k - 1] / sizes[k - 1]
        years[k] = np.maximum(years[k], years[k - 1] + least[k] * gaps[k] * np.minimum(scale, 1.3))
    years = gaussian_filter1d(years, 0.5 * PER_DEGREE, axis=1, mode="wrap")
    return np.asarray(years * (sizes / years[:, AXIS])[:, None], np.float32)


def within(years: Float, sizes: Array, margin: MarginCurve) -> Float:
    """The same marks bent around notches and teeth of the margin: within the fan none leaves the bone."""
    cap = margin.radius * (1 - RIM_KEPT * (1 - np.asarray(sizes, np.float32)))[:, None]
    half = np.where(DEGREES < 0, margin.half_deg[0], margin.half_deg[1])
    cap = cap * (1 + 4 * ease(np.asarray((np.abs(DEGREES) / half - 0.85) / 0.4)))
    return np.asarray(np.minimum(years, cap), np.float32)


def _aside(random: Random) -> Float:
    """(DIRECTIONS,) 0 to 1: where on one side of the fan two marks have run together."""
    side = random.choice([-1, 1])
    start = random.uniform(CLEAR_DEG, CLEAR_DEG + 14)
    return ease(np.asarray((side * DEGREES - start) / random.uniform(8, 16)))
