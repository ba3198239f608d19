"""Smoothing at every width is that of a Gaussian, and untrusted samples have no say."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.ndimage import gaussian_filter1d

from pipeline.bone.smoothing import smooth, smooth_trusted

RNG = np.random.default_rng(11)


@given(sigma=st.floats(0.6, 40))
@settings(max_examples=20, deadline=None, derandomize=True)
def test_it_is_a_gaussian_mean_at_every_width(sigma: float) -> None:
    value = np.zeros((3, 601), np.float32)
    value[1, 300] = 1.0
    expected = gaussian_filter1d(value[1].astype(float), sigma, mode="nearest", truncate=6)
    assert np.abs(smooth(value, 0.0, sigma)[1] - expected).max() < 0.1 * expected.max()


@given(rows=st.floats(0, 8), columns=st.floats(0, 8))
@settings(max_examples=30, deadline=None, derandomize=True)
def test_a_level_stays_level_and_the_mean_stays(rows: float, columns: float) -> None:
    assert smooth(np.full((40, 50), 0.7, np.float32), rows, columns) == pytest.approx(0.7, abs=1e-5)


def test_each_direction_is_smoothed_by_its_own_width() -> None:
    noise = RNG.normal(0, 1, (200, 200)).astype(np.float32)
    across = smooth(noise, 5.0, 0.0)
    assert smooth(noise.T, 0.0, 5.0) == pytest.approx(across.T, abs=1e-5)
    assert np.std(np.diff(across, axis=0)) < 0.2 * np.std(np.diff(across, axis=1))


def test_untrusted_samples_have_no_say() -> None:
    value = RNG.normal(0, 1, (30, 200)).astype(np.float32)
    trust = np.ones_like(value)
    trust[:, 90:110] = 0
    spoiled = value.copy()
    spoiled[:, 90:110] = 1e3
    assert smooth_trusted(spoiled, trust, 1.0, 5.0) == pytest.approx(smooth_trusted(value, trust, 1.0, 5.0), abs=1e-4)


def test_beside_a_gap_the_mean_is_that_of_what_is_there() -> None:
    trust = np.ones((10, 100), np.float32)
    trust[:, 50:] = 0
    assert smooth_trusted(np.full((10, 100), 2.0, np.float32), trust, 0.0, 6.0)[:, 48] == pytest.approx(2.0, abs=1e-3)
