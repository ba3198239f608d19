"""The radial profile is the mean of the rays, with an error that says how well it is known."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from reading import SETTINGS

from pipeline.bone.radial_profile import MARGIN_BEYOND_PX, radial_profile
from pipeline.bone.rim import STEPS_PX
from pipeline.records import RadialProfile, Strip

SAMPLES = 400
MARGIN = 380.0
AT = np.arange(SAMPLES)
DEPTH = 0.3
TRUE = 0.5 - AT / 800 + sum(DEPTH * np.exp(-0.5 * ((AT - r) / 5.0) ** 2) for r in (120, 200, 270, 330))
INSIDE = slice(60, 340)


def strip_of(value: NDArray[np.floating], half_angle: float = 42.0, trust: NDArray[np.floating] | None = None) -> Strip:
    """A strip of value (ray, radius) whose rays reach from -`half_angle` to `half_angle` degrees."""
    inside = np.broadcast_to(np.float32(MARGIN) >= AT, value.shape)
    return Strip(
        value=np.asarray(value, np.float32),
        trust=np.asarray(inside if trust is None else trust * inside, np.float32),
        source_x=np.zeros(value.shape, np.float32),
        source_y=np.zeros(value.shape, np.float32),
        angle=np.linspace(-half_angle, half_angle, len(value), dtype=np.float32),
        samples_per_px=1.3,
        margin=MARGIN,
        base=0.0,
        rim=np.zeros(len(STEPS_PX), np.float32),
    )


def noisy(rays: int, seed: int, sigma: float = 0.2) -> NDArray[np.float64]:
    return TRUE + np.random.default_rng(seed).normal(0, sigma, (rays, SAMPLES))


def profile_of(strip: Strip) -> RadialProfile:
    return radial_profile(strip, SETTINGS.profile)


def error(strip: Strip) -> float:
    return float(np.median(profile_of(strip).standard_error[INSIDE]))


def test_it_is_the_mean_of_the_rays() -> None:
    assert np.abs(profile_of(strip_of(noisy(168, 0, sigma=0.0))).value[INSIDE] - TRUE[INSIDE]).max() < 0.05 * DEPTH
    found = profile_of(strip_of(noisy(168, 0))).value[INSIDE] - TRUE[INSIDE]
    assert float(np.std(found)) < 0.2 / np.sqrt(168) * 2


def test_four_times_the_rays_halve_its_error() -> None:
    few, many = (error(strip_of(noisy(rays, 1))) for rays in (84, 336))
    assert few / many == pytest.approx(2.0, rel=0.25)


def test_a_wider_fan_lowers_its_error() -> None:
    narrow, wide = (error(strip_of(noisy(round(2 * half / 0.5), 2), half)) for half in (15.0, 42.0))
    assert wide < 0.85 * narrow


def test_its_error_is_that_of_bones_drawn_again() -> None:
    found = np.array([profile_of(strip_of(noisy(168, seed))).value[INSIDE] for seed in range(12)])
    told = np.mean([error(strip_of(noisy(168, seed))) for seed in range(4)])
    assert told == pytest.approx(float(np.median(found.std(0, ddof=1))), rel=0.35)


def test_dust_and_glare_on_a_few_rays_are_no_marks() -> None:
    value = noisy(168, 5, sigma=0.02)
    clean = profile_of(strip_of(value)).value
    value[20:24, 150:170] += 1.5
    value[100:103, 230:250] -= 1.5
    moved = (profile_of(strip_of(value)).value - clean)[INSIDE]
    assert np.abs(moved).max() < 0.2 * DEPTH
    assert np.abs(np.diff(moved)).max() < 0.02 * DEPTH  # what is left is too smooth to be a mark


def test_a_light_that_falls_unevenly_leaves_no_steps() -> None:
    rays = 168
    slope = np.linspace(-0.4, 0.4, rays)[:, None]
    trust = np.ones((rays, SAMPLES))
    trust[: rays // 3, 240:] = 0  # a piece is broken off on the brighter side
    found = profile_of(strip_of(noisy(rays, 6, sigma=0.0) + slope, trust=trust)).value
    jump = np.abs(np.diff(found - TRUE)[INSIDE]).max()
    assert jump < 0.1 * DEPTH


def test_the_margin_lies_where_most_rays_end() -> None:
    trust = np.ones((168, SAMPLES))
    trust[:, 351:] = 0
    trust[:8] = AT < 200  # a nick far from the axis
    profile = profile_of(strip_of(noisy(168, 7), trust=trust))
    assert profile.margin == pytest.approx(350 + MARGIN_BEYOND_PX * 1.3, abs=1.0)
    assert profile.coverage[100] > profile.coverage[300] > profile.coverage[360] == 0


def test_a_piece_broken_off_costs_certainty_there_alone() -> None:
    trust = np.ones((168, SAMPLES))
    trust[:110, 250:] = 0
    whole, broken = profile_of(strip_of(noisy(168, 8))), profile_of(strip_of(noisy(168, 8), trust=trust))
    inner, outer = slice(60, 200), slice(270, 340)
    assert np.median(broken.standard_error[inner]) == pytest.approx(np.median(whole.standard_error[inner]), rel=0.1)
    assert np.median(broken.standard_error[outer]) > 1.3 * np.median(whole.standard_error[outer])


def test_no_ray_at_all_gives_numbers() -> None:
    profile = profile_of(strip_of(noisy(168, 9), trust=np.zeros((168, SAMPLES))))
    assert np.isfinite(profile.value).all()
    assert np.isfinite(profile.standard_error).all()
    assert profile.coverage.max() == 0
