"""How far marks move from each ray to the next: what an eye does that follows a line across the bone.

A thin line that turns steeply moves by more than its own width between two rays, so that no local slope shows where it
goes on. Here each ray is laid whole onto the next one: every place of it is shifted a little, neighbouring places by
nearly the same, so that the two look most alike (dynamic programming over the radius; Sakoe and Chiba 1978).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.bone.smoothing import smooth, smooth_trusted
from pipeline.records import Float, Numbers

KNOTS = 300
"""Places along the radius that are matched."""
MOST_STEP = 11
"""Knots by which a mark may move between two rays: .037 of the radius."""
SLOW = 0.03
"""Share of the radius; standard deviation of the slow trend, in which no mark is seen."""
MOST_ALIKE = 3.0
"""Typical contrasts at which departures are cut, so that a glaring spot leads nothing astray."""
WINDOW = 1.0
"""Knots, standard deviation: over so many the likeness is taken."""
BESIDE = 0.6
"""Rays, standard deviation: and over so many of them, since lines go on as they went."""
TURN = 0.5
"""Cost of shifting a place by one knot more than its neighbour, in typical contrasts."""
UNKNOWN = 0.5
"""Unlikeness of places of which one is not known, in typical contrasts."""
STAY = 0.03
"""Cost of each knot of shift: where nothing is seen the ray stays as it is."""


def steps_from_axis(value: Float, trust: Float) -> Float:
    """Samples by which what lies at a radius of the ray before, nearer to the axis, lies farther out on each ray.

    value, trust : (ray, radius), the axis in the middle. Returns (ray, radius); the radius is that on the ray before.
    """
    rays, samples = value.shape
    knot = np.linspace(0, samples - 1, KNOTS)
    own = value - smooth_trusted(value, trust, 0.0, SLOW * samples)
    own = smooth(own * trust, 0.0, max(0.5 * samples / KNOTS, 0.5))
    column = np.round(knot).astype(int)
    seen, known = own[:, column], trust[:, column] > 0.5
    usual = float(np.std(seen[known])) if known.any() else 1.0
    seen = np.clip(seen / max(usual, 1e-6), -MOST_ALIKE, MOST_ALIKE)
    before = towards_axis(rays)
    shift = _best_shifts(seen[before], known[before], seen, known)
    step = smooth(shift.astype(np.float32), 0.0, 1.0) * np.float32((samples - 1) / (KNOTS - 1))
    every = np.arange(samples)
    return np.stack([np.interp(every, knot, s) for s in step]).astype(np.float32)


def towards_axis(rays: int) -> NDArray[np.int64]:
    """(ray,) the neighbour of each ray that is nearer to the axis; the axis itself has none but itself."""
    ray = np.arange(rays)
    return ray - np.sign(ray - rays // 2)


def _best_shifts(here: Float, here_known: NDArray[np.bool_], there: Float, there_known: NDArray[np.bool_]) -> Numbers:
    """Knots by which each place of every ray is shifted on the other ray, (ray, knot)."""
    rays, knots = here.shape
    shifts = np.arange(-MOST_STEP, MOST_STEP + 1)
    unlike = np.full((rays, len(shifts), knots), UNKNOWN, np.float32)
    sides = ((0, 0), (MOST_STEP, MOST_STEP))
    other, other_known = np.pad(there, sides), np.pad(there_known, sides)
    for n in range(len(shifts)):
        both = here_known & other_known[:, n : n + knots]
        np.copyto(unlike[:, n], np.abs(here - other[:, n : n + knots]), where=both)
    pooled = smooth(unlike.reshape(rays, -1), BESIDE, 0.0).reshape(-1, knots)
    alike = smooth(pooled, 0.0, WINDOW).reshape(rays, len(shifts), knots)
    cost = np.ascontiguousarray(alike.transpose(2, 0, 1)) + np.float32(STAY) * np.abs(shifts)
    came, total = _cheapest(cost)
    out = np.empty((rays, knots))
    state = total.argmin(1)
    row = np.arange(rays) * len(shifts)
    for k in range(knots - 1, -1, -1):
        out[:, k] = shifts[state]
        state = state + came[k].take(row + state)
    return out


def _cheapest(cost: Numbers) -> tuple[NDArray[np.int8], Numbers]:
    """The cheapest way to each shift of each knot.

    cost : (knot, ray, shift). Returns the step in shifts back to the knot before, (knot, ray, shift), and the cost of
    the whole way to the last knot, (ray, shift). Of ways that cost the same the one that keeps its shift is taken.
    """
    knots, rays, shifts = cost.shape
    reached = np.full((rays, shifts + 2), np.inf, cost.dtype)  # no way leads in from beyond the first and last shift
    reached[:, 1:-1] = cost[0]
    stays, below, above = reached[:, 1:-1], reached[:, :-2], reached[:, 2:]
    rises, falls = np.zeros((2, *cost.shape), np.bool_)
    turn = np.float32(TURN)
    for k in range(1, knots):
        best, from_above = below + turn, above + turn
        np.less(best, stays, out=rises[k])
        np.minimum(stays, best, out=best)
        np.less(from_above, best, out=falls[k])
        np.minimum(best, from_above, out=best)
        np.add(best, cost[k], out=stays)
    return np.where(falls, np.int8(1), -rises.view(np.int8)), stays
