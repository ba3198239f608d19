"""Bones that belong to their fish are left alone; swapped ones, wrong species and impossible growth are seen."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.records import Mask
from pipeline.settings.files import read_settings
from pipeline.together.plausible import (
    Measured,
    joined,
    measures,
    sides_that_differ,
    size_mismatches,
    unlikely_growth,
)

SETTINGS = read_settings()
DPI = 600.0


def of_odd_size(bones: list[Measured]) -> Mask:
    return size_mismatches(measures(bones, SETTINGS), SETTINGS.review)


def of_odd_growth(bones: list[Measured]) -> Mask:
    return unlikely_growth(measures(bones, SETTINGS), SETTINGS.review)


def of_odd_sides(bones: list[Measured]) -> Mask:
    return sides_that_differ(measures(bones, SETTINGS))


def right_bones(
    number: int,
    seed: int,
    *,
    species: str = "walleye",
    share: float = 0.06,
    power: float = 1.05,
    spread: float = 0.04,
    slow: float = 1.0,
) -> list[Measured]:
    """Bones of invented fish that grow on the species' curve, times `slow`, with good and poor years."""
    rng = np.random.default_rng(seed)
    growth = SETTINGS.species_of(species).growth
    bones = []
    for i in range(number):
        n = int(rng.integers(1, 12))
        first = growth.first_year_length_mm * slow * np.exp(rng.normal(0, 0.15))
        largest = growth.largest_length_mm * slow * np.exp(rng.normal(0, 0.08))
        ages = np.arange(1, n + 2)
        lengths = largest - (largest - first) * np.exp(-growth.growth_rate * (ages - 1))
        steps = np.diff(lengths, prepend=0) * np.exp(rng.normal(0, 0.2, n + 1))
        steps[-1] *= 0.5
        lengths = np.cumsum(steps)
        size_mm = share * lengths[-1] * (lengths[-1] / 400) ** (power - 1) * np.exp(rng.normal(0, spread))
        radius = size_mm / 25.4 * DPI
        bones.append(Measured(
            fish=f"{species}{i}", scan=f"{i}.png", species=species, water="Otter Lake", length_mm=round(lengths[-1]),
            dpi=DPI, radius_px=radius, radii_px=tuple(lengths[:-1] / lengths[-1] * radius), annuli=n, margin_share=0.5,
        ))  # fmt: skip
    return bones


def swapped(bones: list[Measured], ratio: float = 1.4) -> tuple[list[Measured], int, int]:
    """The same run with the lengths of two fish exchanged, the longer `ratio` times as long as the shorter, or more."""
    pairs = [
        (bones[i].length_mm / bones[j].length_mm, i, j)  # type: ignore[operator]
        for i in range(len(bones))
        for j in range(len(bones))
        if bones[i].length_mm >= ratio * bones[j].length_mm  # type: ignore[operator]
    ]
    _, i, j = min(pairs)
    out = list(bones)
    out[i] = replace(bones[i], length_mm=bones[j].length_mm)
    out[j] = replace(bones[j], length_mm=bones[i].length_mm)
    return out, i, j


# ------------------------------------------------------------------------------------------------ size
@pytest.mark.parametrize("power", [0.95, 1.0, 1.08])
def test_bones_of_their_own_fish_are_left_alone(power: float) -> None:
    # Under 1 % of right bones may be sent to a person by a check of size or growth.
    bones = right_bones(600, 1, power=power)
    assert of_odd_size(bones).mean() < 0.005
    assert of_odd_growth(bones).mean() < 0.01


@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize("number", [8, 40])
def test_two_fish_swapped_are_both_seen_and_no_other(number: int, seed: int) -> None:
    run, i, j = swapped(right_bones(number, seed))
    assert set(np.flatnonzero(of_odd_size(run))) == {i, j}


def test_a_water_where_all_opercles_are_small_is_no_water_of_swapped_fish() -> None:
    bones = right_bones(30, 2, share=0.04)
    assert not of_odd_size(bones).any()
    assert not of_odd_size(right_bones(3, 2, share=0.045)).any()


def test_few_bones_are_judged_by_the_species_settings() -> None:
    bones = right_bones(3, 3, share=0.057)
    tiny = replace(bones[0], length_mm=bones[0].length_mm * 2.2)  # type: ignore[operator]
    assert of_odd_size([tiny, *bones[1:]]).tolist() == [True, False, False]


def test_a_few_bones_of_a_second_species_are_judged_with_the_run() -> None:
    run, i, j = swapped(right_bones(4, 4, species="yellow perch", share=0.0590))
    run = [*run, *right_bones(20, 5)]
    assert set(np.flatnonzero(of_odd_size(run))) == {i, j}


def test_without_resolution_bones_are_compared_on_their_own_tray() -> None:
    tray = [replace(b, dpi=None, scan="tray.png") for b in right_bones(10, 6)]
    run, i, j = swapped(tray)
    assert set(np.flatnonzero(of_odd_size(run))) == {i, j}
    scattered = [replace(b, scan=f"{k}.png", radius_px=100.0 * k + 50) for k, b in enumerate(run)]
    assert not of_odd_size(scattered).any()


def test_bones_without_length_or_axis_are_never_flagged() -> None:
    bones = right_bones(8, 7)
    bones[0] = replace(bones[0], length_mm=None)
    bones[1] = replace(bones[1], radius_px=None)
    assert not of_odd_size(bones)[:2].any()
    assert of_odd_size([]).shape == (0,)


@given(scale=st.floats(0.5, 2.0))
@settings(max_examples=20, deadline=None)
def test_scanning_at_another_resolution_changes_nothing(scale: float) -> None:
    run, _, _ = swapped(right_bones(12, 8))
    finer = [
        replace(b, dpi=DPI * scale, radius_px=(b.radius_px or 0) * scale, radii_px=tuple(r * scale for r in b.radii_px))
        for b in run
    ]
    assert of_odd_size(finer).tolist() == of_odd_size(run).tolist()
    assert of_odd_growth(finer).tolist() == of_odd_growth(run).tolist()


# ------------------------------------------------------------------------------------------------ growth
def one(radii: tuple[float, ...], radius: float, length: float | None, annuli: int | None = None) -> Measured:
    return Measured(
        fish="f", scan="s", species="yellow perch", water="", length_mm=length, dpi=DPI, radius_px=radius,
        radii_px=radii, annuli=len(radii) if annuli is None else annuli, margin_share=0.5,
    )  # fmt: skip


def flagged(bone: Measured) -> bool:
    return bool(of_odd_growth([bone])[0])


def test_more_annuli_than_the_species_carries_are_unlikely() -> None:
    most = SETTINGS.species_of("yellow perch").growth.most_annuli
    radii = tuple(400 * (1 - np.exp(-0.3 * np.arange(1, most + 2))))
    assert not flagged(one(radii[:most], 402, 320))
    assert flagged(one(radii, 402, 320))


def test_increments_that_grow_every_year_are_unlikely_and_irregular_ones_are_not() -> None:
    assert flagged(one((40, 90, 160, 260, 400), 440, 250))
    assert not flagged(one((130, 220, 270, 340, 370), 390, 250))
    assert not flagged(one((130, 150, 260, 280, 370), 390, 250))


def test_a_first_year_of_a_full_grown_fish_is_unlikely() -> None:
    assert flagged(one((395.0,), 405, 350))


def test_a_fish_without_a_winter_may_be_small_but_not_long() -> None:
    assert not flagged(one((), 20, 25))
    assert not flagged(one((), 120, 90))
    assert flagged(one((), 500, 400))


def test_a_walleye_catalogued_as_a_perch_is_seen_by_its_length() -> None:
    assert flagged(one((300, 480), 600, 560))


def test_a_water_of_slow_growth_is_measured_by_its_own_fish() -> None:
    # stunted waters exist: half the species' size at every age is no error in a whole run
    assert of_odd_growth(right_bones(80, 9, slow=0.5)).mean() < 0.03


def test_bones_that_are_not_aged_are_never_unlikely() -> None:
    bone = replace(one((), 500, 400), annuli=None)
    assert not flagged(bone)


# ------------------------------------------------------------------------------------------------ sides
def test_two_bones_of_one_fish_with_different_counts_are_both_flagged() -> None:
    left = replace(one((100, 160), 200, 200), fish="a")
    right, other = replace(left, annuli=3), replace(left, fish="b", annuli=3)
    assert of_odd_sides([left, other, right]).tolist() == [True, False, True]
    assert not of_odd_sides([left, replace(right, annuli=2), other]).any()


def test_a_bone_that_is_not_aged_contradicts_none() -> None:
    left, right = one((100, 160), 200, 200), replace(one((100, 160), 200, 200), annuli=None)
    assert not of_odd_sides([left, right]).any()


# ------------------------------------------------------------------------------------------------ parts
def test_bones_measured_a_few_at_a_time_are_compared_as_one_run() -> None:
    run, *_ = swapped([*right_bones(40, 3), *right_bones(20, 4, species="sauger")])
    parts = joined([measures(run[at : at + 7], SETTINGS) for at in range(0, len(run), 7)])
    assert size_mismatches(parts, SETTINGS.review).tolist() == of_odd_size(run).tolist()
    assert unlikely_growth(parts, SETTINGS.review).tolist() == of_odd_growth(run).tolist()
    assert sides_that_differ(parts).tolist() == of_odd_sides(run).tolist()
