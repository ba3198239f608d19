"""The bone ends at the tip of the growth axis: nothing beyond it is a mark, and the axis does not end in a nick."""

from __future__ import annotations

from array import array

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from pipeline.bone.focus import clear_of_nicks, far_margin
from pipeline.bone.margin import RAGGED_PX, within_margin
from pipeline.records import Axis, Mark

AXIS = Axis(focus=(10.0, 20.0), tip=(10.0 + 120.0, 20.0 + 160.0), certainty=1.0)  # 200 px long


def mark_at(radius: float) -> Mark:
    """A mark on the growth axis."""
    x, y = 10.0 + 0.6 * radius, 20.0 + 0.8 * radius
    return Mark(x=x, y=y, radius_px=radius, fraction=radius / 200, evidence=array("d"), arc=())


@given(radii=st.lists(st.floats(1, 260), max_size=12).map(sorted))
@settings(max_examples=60, deadline=None, derandomize=True)
def test_no_mark_lies_beyond_the_tip(radii: list[float]) -> None:
    kept = within_margin([mark_at(r) for r in radii], AXIS)
    assert all(m.radius_px < AXIS.radius_px and m.fraction < 1 for m in kept)
    assert all(np.hypot(m.x - 10, m.y - 20) < AXIS.radius_px for m in kept)
    inside = [r for r in radii if r <= 199]
    assert [m.radius_px for m in kept][: len(inside)] == inside


def test_a_ragged_margin_reaches_beyond_the_tip_by_a_pixel_or_two_and_no_more() -> None:
    (near,) = within_margin([mark_at(200 + 0.8 * RAGGED_PX)], AXIS)
    assert 199 < near.radius_px < 200
    assert within_margin([mark_at(204.0)], AXIS) == ()


def nicked(at: float, depth: float) -> NDArray[np.float32]:
    """(n, 2) outline of a fan of 200 px about (0, 0) that opens towards x, nicked at some degrees."""
    turn = np.linspace(-45, 45, 721)
    radius = 200 - depth * np.exp(-(((turn - at) / 1.5) ** 4))
    arc = np.stack([radius * np.cos(np.deg2rad(turn)), radius * np.sin(np.deg2rad(turn))], axis=1)
    return np.concatenate([[[-5.0, 0.0]], arc]).astype(np.float32)


@given(at=st.floats(-3, 3), depth=st.floats(8, 40))
@settings(max_examples=20, deadline=None, derandomize=True)
def test_the_axis_does_not_end_in_a_nick(at: float, depth: float) -> None:
    outline = nicked(at, depth)
    turned = clear_of_nicks(outline, np.zeros(2), 0.0)
    assert abs(np.rad2deg(turned)) <= 8
    assert np.hypot(*far_margin(outline, np.zeros(2), turned)) > 195


def test_without_a_nick_the_axis_stays() -> None:
    assert clear_of_nicks(nicked(0.0, 0.0), np.zeros(2), 0.05) == 0.05
