"""The arc of a mark is drawn where the mark shows, and nowhere else."""

from __future__ import annotations

from array import array

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from reading import read_natural

from pipeline.bone.arcs import end_where_unseen
from pipeline.bone.evidence import EVIDENCE
from pipeline.records import Axis, Mark, RadialProfile, Strip

ANGLE = np.arange(-42, 43, dtype=np.float32)
AXIS = Axis(focus=(0.0, 0.0), tip=(388.0, 0.0), certainty=1.0)
EDGE, WIDTH = 200.0, 14.0


def strip_with(shown: NDArray[np.bool_]) -> Strip:
    """A strip with one ridge that ends at `EDGE`, on the rays where `shown`, in grain."""
    value = np.random.default_rng(3).normal(0, 0.02, (85, 400)).astype(np.float32)
    value[shown, int(EDGE - WIDTH) : int(EDGE)] += 0.4
    at = np.arange(400, dtype=np.float32)
    x, y = at * np.cos(np.deg2rad(ANGLE))[:, None], at * np.sin(np.deg2rad(ANGLE))[:, None]
    return Strip(
        value=value, trust=np.ones_like(value), source_x=x, source_y=y, angle=ANGLE, samples_per_px=1.0, margin=388.0,
        base=0.0, rim=np.zeros(49, np.float32),
    )  # fmt: skip


def arc_degrees(shown: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Degrees of the points that are left of an arc traced every four degrees."""
    strip = strip_with(shown)
    zero = np.zeros(400, np.float32)
    profile = RadialProfile(
        value=zero, standard_error=zero, coverage=zero + 1, blocks=zero[None], block_trust=zero[None],
        block_angle=np.zeros(1, np.float32), margin=388.0, samples_per_px=1.0,
    )  # fmt: skip
    evidence = array("d", [0.0] * len(EVIDENCE))
    evidence[EVIDENCE.index("log_width_px")] = float(np.log(WIDTH))
    arc = tuple((float(strip.source_x[r, int(EDGE)]), float(strip.source_y[r, int(EDGE)])) for r in range(2, 85, 4))
    mark = Mark(x=EDGE, y=0.0, radius_px=EDGE, fraction=EDGE / 388, evidence=evidence, arc=arc)
    (cut,) = end_where_unseen([mark], strip, profile, AXIS)
    return np.array([np.rad2deg(np.arctan2(y, x)) for x, y in cut.arc])


def test_a_mark_seen_all_across_keeps_its_whole_arc() -> None:
    assert len(arc_degrees(np.ones(85, bool))) == 21


@pytest.mark.parametrize(("first", "last"), [(-42, 12), (-20, 42), (-14, 14)])
def test_an_arc_ends_where_the_mark_does(first: float, last: float) -> None:
    kept = arc_degrees((first <= ANGLE) & (last >= ANGLE))
    assert kept.min() == pytest.approx(max(first, -40), abs=6)
    assert kept.max() == pytest.approx(min(last, 40), abs=6)


def test_an_arc_goes_on_beyond_a_crack_and_not_beyond_a_wide_gap() -> None:
    crack, gap = np.abs(ANGLE - 15) > 2, np.abs(ANGLE - 22) > 9
    assert arc_degrees(crack).max() > 36
    assert arc_degrees(gap).max() < 20


@pytest.mark.parametrize("outline", ["fan", "notched", "round"])
@pytest.mark.parametrize("annuli", [3, 8])
def test_arcs_stay_on_the_bone_cross_no_other_and_never_fold_back(annuli: int, outline: str) -> None:
    _, read = read_natural(annuli, outline)
    reading = read.reading
    assert reading.axis is not None
    border = np.array(reading.outline, np.float32)
    (fx, fy), (tx, ty) = reading.axis.focus, reading.axis.tip
    before = np.zeros(len(ANGLE))
    for mark in reading.marks:
        points = np.array(mark.arc).reshape(-1, 2)
        if len(points) < 2:
            continue
        assert all(cv2.pointPolygonTest(border, (float(x), float(y)), True) > -1.5 for x, y in points)
        turn = np.rad2deg(np.arctan2(points[:, 1] - fy, points[:, 0] - fx) - np.arctan2(ty - fy, tx - fx))
        turn = (turn + 180) % 360 - 180
        assert np.all(np.diff(turn) > 0)
        radius = np.interp(ANGLE, turn, np.hypot(points[:, 0] - fx, points[:, 1] - fy), left=np.nan, right=np.nan)
        known = np.isfinite(radius)
        assert np.all(radius[known] >= before[known] - 0.5)
        before = np.where(known, radius, before)
