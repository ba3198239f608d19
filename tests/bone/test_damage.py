"""Damage is a break with steep sides or a slit along the rays; lobes of the margin and winters are none."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from reading import read_natural

from pipeline.bone.damage import find_damage
from pipeline.records import Strip

RAYS, SAMPLES, MARGIN = 85, 400, 388.0
ANGLE = np.arange(-42, 43, dtype=np.float32)


def strip_of(value: NDArray[np.float32], reach: NDArray[np.float64]) -> Strip:
    """A strip of 85 rays a degree apart, each with bone up to its own reach (ray,)."""
    at = np.arange(SAMPLES, dtype=np.float32)
    trust = (at <= reach[:, None]).astype(np.float32)
    ray, sample = np.meshgrid(np.arange(RAYS, dtype=np.float32), at, indexing="ij")
    return Strip(
        value=value, trust=trust, source_x=sample, source_y=ray, angle=ANGLE, samples_per_px=1.0, margin=MARGIN,
        base=0.0, rim=np.zeros(49, np.float32),
    )  # fmt: skip


def plain() -> NDArray[np.float32]:
    """A blade without marks, (ray, radius)."""
    return np.zeros((RAYS, SAMPLES), np.float32)


def whole() -> NDArray[np.float64]:
    """Every ray reaches the margin."""
    return np.full(RAYS, MARGIN)


def test_a_sound_bone_is_not_damaged() -> None:
    assert find_damage(strip_of(plain(), whole())) == (0.0, None)


@pytest.mark.parametrize("waves", [1, 2, 3])
def test_lobes_of_the_margin_are_no_damage(waves: int) -> None:
    lobed = MARGIN * (1 + 0.1 * np.cos(np.deg2rad(ANGLE) * 2 * waves))
    assert find_damage(strip_of(plain(), np.minimum(lobed, SAMPLES - 1.0)))[0] == 0


def test_a_piece_broken_out_of_the_margin_is_damage_and_its_place_is_known() -> None:
    reach = whole()
    reach[48:54] -= 60
    share, place = find_damage(strip_of(plain(), reach))
    assert share == pytest.approx(6 / 51, abs=0.02)
    assert place is not None
    assert place == pytest.approx((MARGIN - 60, 50.5), abs=3)


def test_a_break_far_from_what_was_read_is_left_alone() -> None:
    reach = whole()
    reach[78:82] -= 60
    assert find_damage(strip_of(plain(), reach))[0] == 0


def test_a_slit_along_the_rays_is_damage_and_a_bare_winter_is_none() -> None:
    slit, winter = plain(), plain()
    slit[40:43, 150:260] = 2.2
    winter[:, 200:215] = 2.2
    share, place = find_damage(strip_of(slit, whole()))
    assert share == pytest.approx(3 / 51, abs=0.03)
    assert place is not None
    assert 150 <= place[0] <= 260
    assert 40 <= place[1] <= 43
    assert find_damage(strip_of(winter, whole()))[0] == 0


@pytest.mark.parametrize("outline", ["fan", "notched"])
def test_a_whole_bone_is_read_as_whole(outline: str) -> None:
    _, read = read_natural(6, outline)
    assert "damaged" not in read.reading.reasons
    assert read.reading.damage is None
