"""What is read of a reduced bone comes back to the scan pixels it lies on."""

from __future__ import annotations

from array import array

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from pipeline.bone.reduce import enlarge, reduce
from pipeline.records import Axis, Bone, BoneReading, Mark


def disc(rows: int, columns: int, origin: tuple[float, float]) -> Bone:
    """A bright ellipse on black that fills most of its crop."""
    y, x = np.mgrid[:rows, :columns]
    far = ((x - 0.5 * columns) / (0.4 * columns)) ** 2 + ((y - 0.55 * rows) / (0.35 * rows)) ** 2
    mask = far < 1
    turn = np.linspace(0, 2 * np.pi, 60, endpoint=False)
    outline = np.stack([0.5 * columns + 0.4 * columns * np.cos(turn), 0.55 * rows + 0.35 * rows * np.sin(turn)], axis=1)
    return Bone(
        number=1, origin=origin, grey=mask.astype(np.float32), backing=np.zeros(mask.shape, np.float32), mask=mask,
        outline=np.asarray(outline + origin, np.float32), dark_backing=True, lighting_probability=1.0, likeness=1.0,
        cut_off=False,
    )  # fmt: skip


def reading_of(bone: Bone, points: NDArray[np.floating]) -> BoneReading:
    """A reading whose outline, axis, mark and arc are points of the bone's own coordinates."""
    p = [(float(x), float(y)) for x, y in points]
    mark = Mark(x=p[2][0], y=p[2][1], radius_px=float(np.hypot(*(points[2] - points[0]))), fraction=0.5,
                evidence=array("d"), arc=tuple(p))  # fmt: skip
    axis = Axis(focus=p[0], tip=p[1], certainty=0.9)
    return BoneReading(scan="a", number=1, outline=tuple(p), lighting="reflected", dpi=None, axis=axis, marks=(mark,))


@given(
    rows=st.integers(150, 330), columns=st.integers(150, 330), x=st.integers(0, 5000), y=st.integers(0, 5000),
    longest=st.floats(60, 140),
)  # fmt: skip
@settings(max_examples=30, deadline=None, derandomize=True)
def test_a_point_goes_there_and_back(rows: int, columns: int, x: int, y: int, longest: float) -> None:
    bone = disc(rows, columns, (float(x), float(y)))
    small, scale = reduce(bone, longest)
    assert max(small.grey.shape) <= longest + 1
    back = enlarge(reading_of(small, small.outline), scale)
    assert np.array(back.outline) == pytest.approx(bone.outline, abs=0.02)
    assert back.axis is not None
    assert back.axis.focus == pytest.approx(bone.outline[0], abs=0.02)
    assert (back.marks[0].x, back.marks[0].y) == pytest.approx(bone.outline[2], abs=0.02)
    assert back.marks[0].radius_px == pytest.approx(float(np.hypot(*(bone.outline[2] - bone.outline[0]))), abs=0.02)
    assert back.axis.radius_px == pytest.approx(float(np.hypot(*(bone.outline[1] - bone.outline[0]))), abs=0.02)


@given(rows=st.integers(150, 330), columns=st.integers(150, 330), longest=st.floats(60, 140))
@settings(max_examples=30, deadline=None, derandomize=True)
def test_the_reduced_pixels_lie_where_the_coordinates_say(rows: int, columns: int, longest: float) -> None:
    bone = disc(rows, columns, (700.0, 300.0))
    small, scale = reduce(bone, longest)

    def middle(b: Bone) -> NDArray[np.float64]:
        y, x = np.indices(b.grey.shape)
        weight = b.grey / b.grey.sum()
        return np.array([(x * weight).sum(), (y * weight).sum()]) + b.origin

    back = (middle(small) + 0.5) / scale - 0.5
    assert back == pytest.approx(middle(bone), abs=0.5 / scale)  # half a reduced pixel: sizes are whole numbers


def test_a_small_bone_stays_as_it_is() -> None:
    bone = disc(100, 80, (3.0, 4.0))
    small, scale = reduce(bone, 100)
    assert small is bone
    reading = reading_of(bone, bone.outline)
    assert enlarge(reading, scale) is reading


def test_a_reduced_bone_cannot_be_changed_from_afar() -> None:
    small, _ = reduce(disc(200, 200, (0.0, 0.0)), 100)
    for own in (small.grey, small.backing, small.mask, small.outline):
        assert not own.flags.writeable
