"""The second way to draw bones, which tests of the reader use: it must keep its own promises."""

from __future__ import annotations

import numpy as np
import pytest
from drawing import OUTLINES, draw_bone


@pytest.mark.parametrize("outline", OUTLINES)
@pytest.mark.parametrize("lighting", ["reflected", "transmitted"])
def test_marks_show_just_inside_the_radii_it_tells(outline, lighting):
    bone = draw_bone((4.0, 7.5, 10.0), outline, lighting=lighting, noise=0.0)
    px_per_mm = 600 / 25.4
    for radius in bone.radii_px:
        zone = bone.place(radius - 0.2 * px_per_mm)
        summer = bone.place(radius + 0.5 * px_per_mm)
        inside, outside = (int(bone.picture[round(y), round(x)]) for x, y in (zone, summer))
        assert (inside < outside) == (lighting == "reflected")
        assert abs(inside - outside) > 20


def test_its_pictures_turn_and_mirror_as_asked():
    straight = draw_bone(3, "notched", angle_deg=0, noise=0.0)
    turned = draw_bone(3, "notched", angle_deg=90, noise=0.0)
    mirrored = draw_bone(3, "notched", angle_deg=0, mirror=True, noise=0.0)
    assert np.mean(np.rot90(straight.mask, -1)) == pytest.approx(np.mean(turned.mask), abs=0.01)
    assert np.mean(straight.mask[::-1][: mirrored.mask.shape[0]]) == pytest.approx(np.mean(mirrored.mask), abs=0.01)
    assert turned.tip[1] - turned.focus[1] == pytest.approx(straight.tip[0] - straight.focus[0])


def test_its_size_follows_the_resolution():
    small, large = draw_bone(3, dpi=300), draw_bone(3, dpi=600)
    assert np.array(large.radii_px) == pytest.approx(2 * np.array(small.radii_px))
