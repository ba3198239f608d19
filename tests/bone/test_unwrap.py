"""A bone unwrapped about its focus shows its marks as straight lines."""

from __future__ import annotations

import numpy as np
import pytest
from drawing import Drawn
from numpy.typing import NDArray
from reading import SETTINGS, natural_bone, scan_of

from pipeline.bone.opacity import opacity_loss
from pipeline.bone.segment import find_bones
from pipeline.bone.unwrap import follow_slopes, margin_radius, register, smooth_envelope, unwrap
from pipeline.records import Axis, Bone, Strip

COPIES = ("fan", "round", "narrow")  # outlines whose marks are drawn as exact copies of the margin
NEAR_DEG = 24.0  # to each side of the axis: the far margin of the narrow outline
SAMPLES, RAYS = 500, 161
Array = NDArray[np.float64]


def bone_of(drawn: Drawn) -> Bone:
    (bone,) = find_bones(scan_of(drawn.picture))
    return bone


def unwrapped(drawn: Drawn, axis: Axis | None = None) -> Strip:
    """The strip about the true focus, or about another axis."""
    bone = bone_of(drawn)
    axis = axis or Axis(focus=drawn.focus, tip=drawn.tip, certainty=1.0)
    return unwrap(bone, opacity_loss(bone), axis, SETTINGS.unwrap)


def edges(value: Array, about: float, reach: float) -> Array:
    """Where each ray falls most steeply within `reach` samples about a place, to a part of a sample, (ray,)."""
    start = int(about - reach)
    window = value[:, start : int(about + reach) + 2]
    fall = np.clip(window[:, :-1] - window[:, 1:], 0, None) ** 2
    return np.asarray(start + 0.5 + (fall * np.arange(fall.shape[1])).sum(1) / fall.sum(1))


@pytest.mark.parametrize("outline", COPIES)
@pytest.mark.parametrize("lighting", ["reflected", "transmitted"])
def test_marks_that_copy_the_margin_run_straight(outline: str, lighting: str) -> None:
    drawn = natural_bone(4, outline, lighting=lighting, angle_deg=200.0)
    strip = unwrapped(drawn)
    near = np.abs(strip.angle) < NEAR_DEG
    for radius in drawn.radii_px:
        where = edges(np.asarray(strip.value[near], float), radius * strip.samples_per_px, 5 * strip.samples_per_px)
        assert np.std(where) < 1.0 * strip.samples_per_px  # a pixel
        assert np.mean(where) == pytest.approx(radius * strip.samples_per_px, abs=1.5 * strip.samples_per_px)


def test_marks_that_are_circles_under_a_notched_margin_run_straight_too() -> None:
    drawn = natural_bone(4, "notched")
    strip = unwrapped(drawn)
    near = np.abs(strip.angle) < 15  # the notch begins at 17 degrees and cuts the last mark
    for radius in drawn.radii_px:
        where = edges(np.asarray(strip.value[near], float), radius * strip.samples_per_px, 8 * strip.samples_per_px)
        assert np.std(where) < 1.0 * strip.samples_per_px


@pytest.mark.parametrize("outline", COPIES)
def test_a_focus_missed_by_a_little_is_flattened_out(outline: str) -> None:
    drawn = natural_bone(4, outline)
    radius = float(np.hypot(*np.subtract(drawn.tip, drawn.focus)))
    off = (drawn.focus[0] + 0.03 * radius, drawn.focus[1] - 0.03 * radius)
    strip = unwrapped(drawn, Axis(focus=off, tip=drawn.tip, certainty=0.5))
    near = np.abs(strip.angle) < NEAR_DEG
    reach = 9 * strip.samples_per_px
    along = np.hypot(strip.source_x[near] - drawn.focus[0], strip.source_y[near] - drawn.focus[1])
    centre = along[len(along) // 2]
    for true in drawn.radii_px[1:]:
        about = float(np.interp(true, centre, np.arange(len(centre))))
        assert np.std(edges(np.asarray(strip.value[near], float), about, reach)) < 1.5 * strip.samples_per_px


def test_every_sample_tells_the_scan_pixel_that_it_came_from() -> None:
    drawn = natural_bone(3)
    strip = unwrapped(drawn)
    centre = len(strip.angle) // 2
    at_margin = int(strip.margin)
    assert (strip.source_x[centre, at_margin], strip.source_y[centre, at_margin]) == pytest.approx(drawn.tip, abs=2.0)
    along = np.hypot(strip.source_x[centre] - drawn.focus[0], strip.source_y[centre] - drawn.focus[1])
    unmoved = np.arange(len(along)) / strip.samples_per_px
    assert np.abs(along - unmoved).max() < 0.04 * strip.margin / strip.samples_per_px  # flattening moves a little only
    turn = np.deg2rad(strip.angle) + np.arctan2(drawn.tip[1] - drawn.focus[1], drawn.tip[0] - drawn.focus[0])
    dx, dy = strip.source_x - drawn.focus[0], strip.source_y - drawn.focus[1]
    assert np.abs(np.angle(np.exp(1j * (np.arctan2(dy[:, -1], dx[:, -1]) - turn)))).max() < 1e-3
    outward = np.diff(dx * np.cos(turn)[:, None] + dy * np.sin(turn)[:, None], axis=1)
    assert outward.min() > -1e-3  # marks never cross: farther along the strip is farther from the focus


def test_nothing_beyond_the_margin_is_trusted() -> None:
    drawn = natural_bone(3, "notched")
    strip = unwrapped(drawn)
    rows, columns = drawn.mask.shape
    x = np.clip(np.round(strip.source_x), 0, columns - 1).astype(int)
    y = np.clip(np.round(strip.source_y), 0, rows - 1).astype(int)
    on_bone = drawn.mask[y, x]
    assert strip.trust[~on_bone].max() < 0.5
    assert strip.trust[on_bone].mean() > 0.9


def test_strips_of_one_bone_at_two_resolutions_are_one_picture() -> None:
    small, large = (unwrapped(natural_bone(3, dpi=dpi, noise=0.0)) for dpi in (250.0, 500.0))
    share = np.linspace(0.15, 0.9, 200)

    def mean(strip: Strip) -> Array:
        at = share * strip.margin
        return np.interp(at, np.arange(strip.value.shape[1]), strip.value[np.abs(strip.angle) <= 12].mean(0))

    assert np.corrcoef(mean(small), mean(large))[0, 1] > 0.97


# ------------------------------------------------------------------------------------------------ margin
@pytest.mark.parametrize("outline", ["fan", "narrow"])
def test_the_margin_is_found_to_a_pixel(outline: str) -> None:
    drawn = natural_bone(3, outline)
    angle = np.linspace(-20, 20, 81, dtype=np.float32)
    axis = Axis(focus=drawn.focus, tip=drawn.tip, certainty=1.0)
    found = margin_radius(bone_of(drawn), axis, angle, SETTINGS.unwrap)
    radius = axis.radius_px
    true = np.full(81, radius) if outline == "fan" else radius / np.cos(np.deg2rad(angle))
    assert np.abs(found - true).max() < 1.5
    assert abs(float(np.mean(found - true))) < 0.8


def test_nicks_and_spines_do_not_bend_the_envelope() -> None:
    angle = np.arange(-84, 85) * SETTINGS.unwrap.ray_spacing
    whole = 300 + 20 * np.cos(np.deg2rad(2 * angle))
    nicked = whole.copy()
    nicked[60:68] -= 60
    nicked[110:113] += 25
    assert np.abs(smooth_envelope(nicked, SETTINGS.unwrap) - smooth_envelope(whole, SETTINGS.unwrap)).max() < 5


# ------------------------------------------------------------------------------------------------ flattening
RADII = (110.0, 190.0, 260.0, 320.0, 370.0, 410.0)


def wavy(swing: float, waves: float, noise: float = 0.02) -> NDArray[np.float32]:
    """A strip whose marks swing together by so many samples, so many waves across the rays."""
    ray, at = np.arange(RAYS)[:, None], np.arange(SAMPLES)[None, :]
    moved = at - swing * np.sin(2 * np.pi * waves * (ray / RAYS - 0.5))
    value = sum(0.4 * np.exp(-0.5 * ((moved - r) / 6.0) ** 2) for r in RADII)
    return np.asarray(value + np.random.default_rng(3).normal(0, noise, (RAYS, SAMPLES)), np.float32)


def resampled(value: NDArray[np.float32], shift: NDArray[np.float32]) -> NDArray[np.float32]:
    at = np.arange(SAMPLES)
    return np.array([np.interp(at + s, at, v) for v, s in zip(value, shift, strict=True)], np.float32)


def spread(value: NDArray[np.float32]) -> float:
    """Standard deviation over the rays of where each mark lies, samples, the mean of all marks."""
    at = np.arange(SAMPLES)
    out = []
    for r in RADII:
        window = slice(int(r) - 22, int(r) + 23)
        weight = np.clip(value[:, window] - 0.12, 0, None) ** 2
        out.append(np.std((weight * at[window]).sum(1) / weight.sum(1)))
    return float(np.mean(out))


@pytest.mark.parametrize(("swing", "waves"), [(6.0, 1.0), (10.0, 0.7), (4.0, 2.0)])
def test_following_slopes_straightens_marks_that_swing(swing: float, waves: float) -> None:
    value, trust = wavy(swing, waves), np.ones((RAYS, SAMPLES), np.float32)
    shift = follow_slopes(value, trust, np.zeros_like(value), 6.0, 0.008 * SAMPLES)
    assert spread(resampled(value, shift)) < 0.35 * spread(value)
    assert np.abs(shift[RAYS // 2]).max() < 1e-6  # the axis stays where it is


@pytest.mark.parametrize(("swing", "waves"), [(3.0, 1.0), (2.0, 3.0)])
def test_registering_brings_every_ray_nearer_to_the_mean(swing: float, waves: float) -> None:
    value, trust = wavy(swing, waves), np.ones((RAYS, SAMPLES), np.float32)
    before = spread(value)
    for _ in range(3):
        value = resampled(value, register(value, trust, 3.0, 0.014 * SAMPLES, 0.15, 0.02 * SAMPLES))
    assert spread(value) < 0.5 * before


def test_straight_marks_stay_where_they_are() -> None:
    value, trust = wavy(0.0, 1.0), np.ones((RAYS, SAMPLES), np.float32)
    before = spread(value)
    slopes = follow_slopes(value, trust, np.zeros_like(value), 6.0, 0.008 * SAMPLES)
    step = register(value, trust, 3.0, 0.014 * SAMPLES, 0.15, 0.02 * SAMPLES)
    assert spread(resampled(value, slopes)) < before + 0.5
    assert spread(resampled(value, step)) < before + 0.1


def test_a_strip_that_shows_nothing_is_not_bent() -> None:
    value = np.random.default_rng(7).normal(0, 0.02, (RAYS, SAMPLES)).astype(np.float32)
    trust = np.ones_like(value)
    assert np.abs(follow_slopes(value, trust, np.zeros_like(value), 6.0, 4.0)).mean() < 0.02 * SAMPLES
    assert np.abs(register(value, trust, 3.0, 7.0, 0.15, 0.02 * SAMPLES)).max() <= 0.02 * SAMPLES
