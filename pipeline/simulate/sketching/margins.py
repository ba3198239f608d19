"""Margins drawn through knots about the focus, as a hand draws an opercle: a corner, edges, a spine, a lobe."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.interpolate import PchipInterpolator
from scipy.ndimage import gaussian_filter1d

from pipeline.records import Float
from pipeline.simulate.noise import Array, Random, ripple
from pipeline.simulate.place import AXIS, DEGREES, DIRECTIONS, PER_DEGREE

CENTRAL_POWER = 3  # weight of a direction, as a power of the radius, when the middle of the fan is sought
IN_THE_FAN = 0.6  # of the largest radius: directions that reach as far belong to the fan
FRONT_EASE_DEG = 5.0  # over which a growing front forgets spines and notches
LEAST_APART_DEG = 0.5  # between neighbouring knots
MOST_OUT_OF_FAN_DEG = 25.0  # the front is drawn so far beyond the fan, then the bone has ended in any case


@dataclass(frozen=True, slots=True, kw_only=True)
class MarginCurve:
    """One bone's margin, as shares of the growth axis in each direction from the focus."""

    radius: Float
    """(DIRECTIONS,), 1 on the growth axis."""
    front: Float
    """(DIRECTIONS,) the same within the fan, smooth, and held beyond it: where a mark runs that ends at the edges."""
    half_deg: tuple[float, float]
    """Half openings of the fan on its lower and its upper side, degrees."""


Knots = tuple[tuple[float, float], ...]
"""(degrees, radius), ascending in degrees from -180 to below 180."""


def draw_margin(
    random: Random, knots: Knots, *, turn: float, reach: float, bend: float, ease_deg: float
) -> MarginCurve:
    """A margin through knots that are moved at random.

    `turn`: standard deviation of the knots' directions, degrees; `reach`: of the logarithm of their radii; `bend`: of
    slow waves of the margin between them; `ease_deg`: how much corners are rounded.
    """
    degrees = np.array([d for d, _ in knots]) + random.normal(0, turn, len(knots))
    stretch = random.uniform(0.82, 1.22)  # the whole fan is wider or narrower
    degrees *= np.where(np.abs(degrees) < 90, stretch, 1.0)
    apart = np.arange(len(knots)) * LEAST_APART_DEG
    degrees = np.maximum.accumulate(np.sort(degrees) - apart) + apart
    log_radius = np.log([r for _, r in knots]) + random.normal(0, reach, len(knots))
    radius = _through(degrees, log_radius, DEGREES, ease_deg)
    weight = radius.astype(float) ** CENTRAL_POWER
    angle = np.deg2rad(DEGREES)
    middle = float(np.rad2deg(np.arctan2((weight * np.sin(angle)).sum(), (weight * np.cos(angle)).sum())))
    radius = _through(degrees, log_radius, np.asarray(DEGREES + middle), ease_deg)
    waves = ripple(random, DIRECTIONS, random.uniform(14, 40) * PER_DEGREE)
    radius = radius * (1 + np.float32(bend) * waves)
    radius = np.asarray(radius / radius[AXIS], np.float32)
    return MarginCurve(radius=radius, front=_front(radius), half_deg=fan_of(radius))


def fan_of(radius: Float) -> tuple[float, float]:
    """Half openings of the fan about the axis on its lower and upper side, degrees."""
    wide = radius > IN_THE_FAN * radius.max()
    lower = int(np.argmin(wide[AXIS::-1])) or AXIS
    upper = int(np.argmin(wide[AXIS:])) or AXIS
    return lower / PER_DEGREE, upper / PER_DEGREE


def _through(degrees: Array, log_radius: Array, at: Array, ease_deg: float) -> Float:
    turns = np.concatenate([degrees - 360, degrees, degrees + 360])
    curve = PchipInterpolator(turns, np.tile(log_radius, 3))
    sampled = gaussian_filter1d(curve((at + 180) % 360 - 180), ease_deg * PER_DEGREE, mode="wrap")
    return np.asarray(np.exp(sampled), np.float32)


def _front(radius: Float) -> Float:
    lower, upper = fan_of(radius)
    held = np.clip(DEGREES, -0.92 * lower, 0.92 * upper)
    front = np.interp(held, DEGREES, radius)
    front = gaussian_filter1d(front, FRONT_EASE_DEG * PER_DEGREE, mode="wrap")
    beyond = np.maximum(np.maximum(DEGREES - upper, -lower - DEGREES), 0)
    front = front / front[AXIS] * np.exp(-((beyond / (3 * MOST_OUT_OF_FAN_DEG)) ** 2))
    return np.asarray(front, np.float32)
