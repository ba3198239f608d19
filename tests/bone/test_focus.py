"""The focus is where growth started, the axis runs from it to the far margin; a person's word comes first."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from reading import SETTINGS, read_natural, scan_of

from pipeline.bone.focus import axis_direction, by_hand, far_margin, find_axis, ray_lengths
from pipeline.bone.opacity import opacity_loss
from pipeline.bone.read_bone import read_bones
from pipeline.bone.segment import find_bones
from pipeline.records import Axis, Bone, Specimen


def fan(angle: float, half: float = 40.0, radius: float = 200.0) -> NDArray[np.float32]:
    """(n, 2) outline of a sector about (0, 0) that opens towards `angle` degrees, with a blunt corner behind it."""
    arc = np.deg2rad(np.linspace(angle - half, angle + half, 200))
    back = np.deg2rad(np.linspace(angle + half + 60, angle + 300 - half, 20))
    sides = [np.linspace(0.06, 1, 60)[:, None] * radius * [[np.cos(t), np.sin(t)]] for t in (arc[0], arc[-1])]
    far = radius * np.stack([np.cos(arc), np.sin(arc)], axis=1)
    near = 0.06 * radius * np.stack([np.cos(back), np.sin(back)], axis=1)
    return np.concatenate([sides[0], far, sides[1][::-1], near]).astype(np.float32)


@given(angle=st.floats(0, 360), half=st.floats(25, 55))
@settings(max_examples=30, deadline=None, derandomize=True)
def test_the_axis_is_the_middle_of_the_fan(angle: float, half: float) -> None:
    found = axis_direction(fan(angle, half), np.zeros(2))
    assert abs(np.angle(np.exp(1j * (found - np.deg2rad(angle))), deg=True)) < 3


def test_a_spine_does_not_draw_the_axis_to_itself() -> None:
    outline = fan(0.0)
    spine = np.stack([np.linspace(180, 260, 20), np.full(20, 130.0)], axis=1)
    with_spine = np.insert(outline, 240, spine.astype(np.float32), axis=0)
    assert abs(np.rad2deg(axis_direction(with_spine, np.zeros(2)))) < 10


@given(angle=st.floats(0, 360), off=st.floats(-35, 35))
@settings(max_examples=30, deadline=None, derandomize=True)
def test_the_tip_is_where_the_axis_leaves_the_bone(angle: float, off: float) -> None:
    direction = np.deg2rad(angle + off)
    tip = far_margin(fan(angle), np.zeros(2), direction)
    assert tip == pytest.approx(200 * np.array([np.cos(direction), np.sin(direction)]), abs=0.5)


def test_rays_reach_the_margin_in_every_direction() -> None:
    turn = np.linspace(0, 2 * np.pi, 400, endpoint=False)
    circle = (100 * np.stack([np.cos(turn), np.sin(turn)], axis=1)).astype(np.float32)
    reach = ray_lengths(circle, np.array([[0, 0], [50, 0]], np.float32))
    assert reach[0] == pytest.approx(100, abs=0.5)
    assert (reach[1].min(), reach[1].max()) == pytest.approx((50, 150), abs=1.5)


def only_bone() -> Bone:
    drawn, _ = read_natural(4, "fan")
    (bone,) = find_bones(scan_of(drawn.picture))
    return bone


def test_the_focus_lies_on_the_bone_and_the_tip_on_its_margin() -> None:
    bone = only_bone()
    axis = find_axis(bone, opacity_loss(bone), SETTINGS.focus)
    x, y = np.round(np.subtract(axis.focus, bone.origin)).astype(int)
    assert bone.mask[y, x]
    assert np.hypot(*(bone.outline - axis.tip).T).min() < 1.5
    assert 0 <= axis.certainty <= 1
    assert not axis.by_hand


def test_where_the_crop_begins_does_not_matter() -> None:
    bone = only_bone()
    shift = np.array([40.0, -15.0])
    moved = Bone(
        number=bone.number, origin=(bone.origin[0] + 40, bone.origin[1] - 15), grey=bone.grey, backing=bone.backing,
        mask=bone.mask, outline=np.asarray(bone.outline + shift, np.float32), dark_backing=bone.dark_backing,
        lighting_probability=1.0, likeness=1.0, cut_off=False,
    )  # fmt: skip
    here, there = (find_axis(b, opacity_loss(b), SETTINGS.focus) for b in (bone, moved))
    assert np.subtract(there.focus, here.focus) == pytest.approx(shift, abs=0.05)
    assert np.subtract(there.tip, here.tip) == pytest.approx(shift, abs=0.5)


def test_a_speck_has_an_axis_too() -> None:
    mask = np.zeros((9, 9), bool)
    mask[3:6, 3:6] = True
    outline = np.array([[3, 3], [5, 3], [5, 5], [3, 5]], np.float32)
    speck = Bone(
        number=1, origin=(0.0, 0.0), grey=mask.astype(np.float32), backing=np.zeros((9, 9), np.float32), mask=mask,
        outline=outline, dark_backing=True, lighting_probability=1.0, likeness=0.0, cut_off=False,
    )  # fmt: skip
    axis = find_axis(speck, opacity_loss(speck), SETTINGS.focus)
    assert np.isfinite([*axis.focus, *axis.tip, axis.certainty]).all()


# ------------------------------------------------------------------------------------------------ a person's correction
def test_a_persons_focus_and_axis_are_used_instead() -> None:
    drawn, before = read_natural(4, "fan")
    focus, tip = (drawn.focus[0] + 3.0, drawn.focus[1] - 2.0), (drawn.tip[0] - 4.0, drawn.tip[1] + 1.0)
    row = Specimen(specimen="a", scan="drawn.png", focus=focus, tip=tip)
    ((_, reading),) = read_bones(scan_of(drawn.picture), (row,), SETTINGS)
    assert reading.axis == Axis(focus=focus, tip=tip, certainty=1.0, by_hand=True)
    assert "corrected" in reading.notices
    assert "focus-unsure" not in reading.reasons
    assert before.reading.axis != reading.axis


def test_a_correction_is_put_into_the_pixels_that_the_bone_is_read_at() -> None:
    row = Specimen(specimen="a", scan="a.png", focus=(100.0, 200.0), tip=(900.0, 800.0))
    axis = by_hand(row, 0.5)
    assert axis.focus == pytest.approx((49.75, 99.75))  # centres of pixels, not their corners
    assert axis.radius_px == pytest.approx(500.0)


def test_a_row_without_a_correction_gives_no_axis() -> None:
    with pytest.raises(ValueError, match="nobody gives a focus and an axis"):
        by_hand(Specimen(specimen="a", scan="a.png"), 1.0)
