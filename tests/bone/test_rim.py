"""The bevel at the margin: bare, or with a winter zone on it."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from reading import SETTINGS, natural_bone, scan_of

from pipeline.bone.opacity import opacity_loss
from pipeline.bone.rim import HOLLOWS_PX, INNERMOST_PX, LEVELS_PX, STEPS_PX, hollows, levels
from pipeline.bone.segment import find_bones
from pipeline.bone.unwrap import unwrap
from pipeline.records import Axis

ALL = np.array([INNERMOST_PX])


def bevel(width: float, zone: float | None = None, depth: float = 0.25) -> NDArray[np.float32]:
    """Opacity loss of a bone that thins evenly over `width` pixels to the margin; a winter zone 2 px wide at `zone`."""
    thickness = np.clip((STEPS_PX + 1) / (width + 1), 0, 1)
    loss = -np.log(thickness)
    if zone is not None:
        loss = loss + depth * np.exp(-0.5 * ((STEPS_PX - zone) / 1.0) ** 2)
    return np.asarray(loss, np.float32)


@given(width=st.floats(1, 12), radius=st.floats(60, 900))
@settings(max_examples=40, deadline=None, derandomize=True)
def test_a_bare_bevel_has_no_hollow_whatever_its_width(width: float, radius: float) -> None:
    assert hollows(bevel(width), radius, ALL).max() < 0.01


@given(width=st.floats(3, 8), zone=st.floats(2.5, 8))
@settings(max_examples=40, deadline=None, derandomize=True)
def test_a_winter_zone_on_the_bevel_is_a_hollow(width: float, zone: float) -> None:
    assume(abs(zone - width) > 2)  # a zone where the bevel begins only looks like a wider bevel
    bare, marked = (hollows(bevel(width, z), 400, ALL)[0] for z in (None, zone))
    assert marked.max() > bare.max() + 0.02


def test_a_hollow_beyond_a_mark_is_not_the_mark_s_own() -> None:
    rim = bevel(4.0, zone=8.0)
    inside_it, at_it = hollows(rim, 400, np.array([12.0, 5.0]))
    assert inside_it.max() > 0.05
    assert at_it.max() < 0.02


def test_levels_rise_towards_the_margin_and_more_with_a_zone() -> None:
    bare, marked = levels(bevel(6.0), 400), levels(bevel(6.0, zone=3.0), 400)
    assert list(bare) == sorted(bare, reverse=True)
    assert marked[LEVELS_PX.index(3.0)] > bare[LEVELS_PX.index(3.0)] + 0.2


def test_a_winter_zone_under_way_at_the_margin_raises_its_levels() -> None:
    under_way = bevel(1.0) + np.asarray(0.25 * np.clip(1 - STEPS_PX / 10, 0, 1), np.float32)
    assert max(levels(under_way, 400)) > max(levels(bevel(1.0), 400)) + 0.1


@pytest.mark.parametrize("outline", ["fan", "narrow"])
def test_the_rim_of_a_bone_is_flat_inside_its_margin(outline: str) -> None:
    # Drawn without a bevel: whatever lies beyond the blur of the scan is the last summer's growth.
    drawn = natural_bone(3, outline, noise=0.0)
    (bone,) = find_bones(scan_of(drawn.picture))
    axis = Axis(focus=drawn.focus, tip=drawn.tip, certainty=1.0)
    strip = unwrap(bone, opacity_loss(bone), axis, SETTINGS.unwrap)
    assert strip.rim.shape == STEPS_PX.shape
    assert np.ptp(strip.rim[(STEPS_PX > 4) & (STEPS_PX < 7)]) < 0.1
    assert hollows(strip.rim, 300, ALL).shape == (1, len(HOLLOWS_PX))
