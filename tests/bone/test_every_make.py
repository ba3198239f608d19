"""Bones of every make of drawings are found, and no candidate lies beyond their margin."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from reading import SETTINGS, scan_of

from pipeline.bone.read_bone import read_bones
from pipeline.records import Specimen
from pipeline.simulate.makes import MAKES, Make
from pipeline.simulate.plan import Plan
from pipeline.simulate.variety import CLEAN, Variety


@pytest.mark.parametrize(("make", "lighting"), [(m, name) for m in MAKES for name, _ in m.LIGHTINGS])
def test_a_promised_bone_is_found_and_no_candidate_lies_beyond_its_margin(make: Make, lighting: str) -> None:
    plan = Plan(name="a.png", bones=1, first=1, level=CLEAN, lighting=lighting, dpi=300, colour=False, bits=8)
    pixels = make.draw_scan(np.random.default_rng(1), plan, Variety(extras=False)).pixels
    grey = pixels.mean(axis=2).round().astype(pixels.dtype) if pixels.ndim == 3 else pixels
    ((_, reading),) = read_bones(scan_of(grey, 300.0), (Specimen(specimen="a", scan="drawn.png"),), SETTINGS)
    assert reading.axis is not None
    outline = np.array(reading.outline, np.float32)
    for mark in reading.marks:
        assert mark.radius_px < reading.axis.radius_px
        assert 0 < mark.fraction < 1
        assert cv2.pointPolygonTest(outline, (mark.x, mark.y), True) > -2
