"""A line is followed across the bone however steeply it turns; where nothing is seen, nothing is moved."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from pipeline.bone.follow_lines import KNOTS, MOST_STEP, steps_from_axis

SAMPLES, RAYS = 600, 43
KNOT = SAMPLES / KNOTS
WIDTH = 5.0  # samples, standard deviation of a line's profile
BREADTH = 3 * WIDTH  # registration brings together what is no farther apart
Array = NDArray[np.float64]


def lines(seed: int, steepest: float, noise: float = 0.05) -> tuple[NDArray[np.float32], Array]:
    """Rays with lines that wander each in its own way, and where each lies: (ray, radius), (line, ray).

    steepest : samples that a line moves from ray to ray at most.
    """
    random = np.random.default_rng(seed)
    ray = np.arange(RAYS) - RAYS // 2
    start = np.array([110.0, 200.0, 300.0, 400.0, 490.0])
    phase, waves = random.uniform(0, 2 * np.pi, (5, 1)), random.uniform(3.0, 5.0, (5, 1))
    height = steepest * waves
    where = start[:, None] + np.clip(height * np.sin(ray / waves + phase), -35, 35)
    at = np.arange(SAMPLES)
    value = np.exp(-0.5 * ((at - where[..., None]) / WIDTH) ** 2).sum(0)
    return (value + random.normal(0, noise, value.shape)).astype(np.float32), where


def followed(step: Array, start: float, ray: int) -> float:
    """Where a line that crosses the axis at `start` is found on a ray."""
    middle, at = RAYS // 2, start
    for r in range(middle + 1, ray + 1) if ray > middle else range(middle - 1, ray - 1, -1):
        at += float(np.interp(at, np.arange(SAMPLES), step[r]))
    return at


@given(seed=st.integers(0, 10_000), steepest=st.floats(0.0, 0.5 * MOST_STEP * KNOT))
@settings(max_examples=25, deadline=None)
def test_lines_that_turn_by_more_than_their_width_are_followed(seed: int, steepest: float) -> None:
    value, where = lines(seed, steepest)
    step = np.asarray(steps_from_axis(value, np.ones_like(value)), float)
    for line in where:
        for ray in (8, 15, 28, 35):
            assert followed(step, line[RAYS // 2], ray) == pytest.approx(line[ray], abs=BREADTH)


def test_noise_alone_moves_less_than_the_width_of_a_line() -> None:
    value = np.random.default_rng(3).normal(0, 0.1, (RAYS, SAMPLES)).astype(np.float32)
    step = steps_from_axis(value, np.ones_like(value))
    assert np.abs(step).mean() < WIDTH


def test_a_bone_without_texture_is_not_moved_at_all() -> None:
    value = np.broadcast_to(np.linspace(1, 0, SAMPLES, dtype=np.float32), (RAYS, SAMPLES)).copy()
    assert not steps_from_axis(value, np.ones_like(value)).any()


def test_one_glaring_ray_moves_no_line() -> None:
    value, where = lines(5, 0.0)
    glaring = value.copy()
    glaring[12] = 3.0
    step = np.asarray(steps_from_axis(glaring, np.ones_like(value)), float)
    for line in where:
        assert followed(step, line[RAYS // 2], 5) == pytest.approx(line[5], abs=BREADTH)
