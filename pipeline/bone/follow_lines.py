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
    at = np.arange(knots)[:, None] + shifts  # (knot, shift)
    inside = (at >= 0) & (at < knots)
    at = np.clip(at, 0, knots - 1)
    unlike = np.abs(here[:, :, None] - there[:, at])  # (ray, knot, shift)
    unlike = np.where(here_known[:, :, None] & there_known[:, at] & inside, unlike, 0.5)
    beside = np.ascontiguousarray(unlike.transpose(0, 2, 1).reshape(rays, -1), np.float32)
    pooled = smooth(beside, BESIDE, 0.0).reshape(-1, knots)
    flat = smooth(pooled, 0.0, WINDOW)
    cost = flat.reshape(rays, len(shifts), knots).transpose(2, 0, 1) + np.float32(STAY) * np.abs(shifts)
    total = cost[0]
    came = np.zeros((knots, rays, len(shifts)), np.int8)
    turn = np.float32(TURN)
    for k in range(1, knots):
        up = np.full_like(total, np.inf)
        up[:, 1:] = total[:, :-1] + turn
        down = np.full_like(total, np.inf)
        down[:, :-1] = total[:, 1:] + turn
        best = np.stack([total, up, down])
        which = best.argmin(0)
        came[k] = np.array([0, -1, 1], np.int8)[which]
        total = np.take_along_axis(best, which[None], 0)[0] + cost[k]
    out = np.empty((rays, knots))
    state = total.argmin(1)
    row = np.arange(rays)
    for k in range(knots - 1, -1, -1):
        out[:, k] = shifts[state]
        state = state + came[k, row, state]
    return out
