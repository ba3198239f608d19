"""Opacity loss depends on the bone alone, not on how it was lit and exposed."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from pipeline.bone.opacity import opacity_loss
from pipeline.records import Bone

ROWS, COLUMNS = 40, 60
HALF = 1.35  # thickness at which half the light comes back
GAMMA = 2.2  # of a display: what scanners store
# Thickness of a bone that thins to its margin, with four winter zones.
RADIUS = np.linspace(0, 1, COLUMNS)
PLATE = np.tile(1.2 - 0.5 * RADIUS - 0.35 * (np.sin(8 * np.pi * RADIUS) > 0.6), (ROWS, 1))


def bone_of(light: NDArray[np.float64], backing: float, dark: bool) -> Bone:
    """A plate on a backing, light as it reaches the sensor, stored as scanners do."""
    grey = np.asarray(np.clip(light, 0, 1) ** (1 / GAMMA), np.float32)
    return Bone(
        number=1, origin=(0.0, 0.0), grey=grey, backing=np.full(grey.shape, backing ** (1 / GAMMA), np.float32),
        mask=np.ones(grey.shape, bool), outline=np.zeros((4, 2), np.float32), dark_backing=dark,
        lighting_probability=1.0, likeness=1.0, cut_off=False,
    )  # fmt: skip


def on_black(thickness: NDArray[np.float64], exposure: float = 1.0) -> Bone:
    """Light scattered back by a sheet that absorbs nothing: X / (1 + X), over black (Kubelka and Munk 1931)."""
    scattering = thickness / HALF
    return bone_of(exposure * scattering / (1 + scattering), 1e-6, dark=True)


def on_light(thickness: NDArray[np.float64], exposure: float = 1.0) -> Bone:
    """Light that passes: exp(-thickness) of the backing's (Beer 1852)."""
    return bone_of(exposure * np.exp(-thickness), exposure, dark=False)


def test_both_lightings_give_one_scale() -> None:
    assert opacity_loss(on_black(PLATE)) == pytest.approx(opacity_loss(on_light(PLATE)), abs=5e-3)


def test_noise_of_the_sensor_moves_both_by_its_own_size_only() -> None:
    noise = np.random.default_rng(4).normal(0, 0.004, PLATE.shape)
    for bone, dark in ((on_black(PLATE), True), (on_light(PLATE), False)):
        light = np.asarray(bone.grey, np.float64) ** GAMMA + noise
        noisy = opacity_loss(bone_of(light, 1e-6 if dark else 1.0, dark))
        assert float(np.std(noisy - opacity_loss(bone))) < 0.03  # winter zones stand out by ten times that


@given(exposure=st.floats(0.3, 1.0))
@settings(max_examples=20, deadline=None, derandomize=True)
def test_a_longer_exposure_of_light_that_passes_changes_nothing(exposure: float) -> None:
    assert opacity_loss(on_light(PLATE, exposure)) == pytest.approx(opacity_loss(on_light(PLATE)), abs=2e-3)


@given(exposure=st.floats(0.5, 1.0))
@settings(max_examples=20, deadline=None, derandomize=True)
def test_a_longer_exposure_over_black_keeps_order_and_nearly_the_depth_of_winter_zones(exposure: float) -> None:
    # Over black the theory needs the light as a share of what fell in; a scanner's exposure stretches that a little.
    full, other = (opacity_loss(on_black(PLATE, e)).mean(0) for e in (1.0, exposure))
    assert np.corrcoef(full, other)[0, 1] > 0.995
    assert (np.argsort(full, kind="stable") == np.argsort(other, kind="stable")).mean() > 0.8
    assert np.ptp(other) == pytest.approx(np.ptp(full), rel=0.25)


def test_more_translucent_is_larger_and_the_median_is_nought() -> None:
    for bone in (on_black(PLATE), on_light(PLATE)):
        loss = opacity_loss(bone)
        assert abs(float(np.median(loss))) < 0.1
        assert np.corrcoef(loss.ravel(), PLATE.ravel())[0, 1] < -0.9


@pytest.mark.parametrize("dark", [True, False])
def test_black_white_and_glare_give_numbers(dark: bool) -> None:
    light = np.tile(np.linspace(0, 1, COLUMNS), (ROWS, 1))
    assert np.isfinite(opacity_loss(bone_of(light, 0.0, dark))).all()
    assert np.isfinite(opacity_loss(bone_of(light, 1.0, dark))).all()
