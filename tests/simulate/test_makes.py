"""Every make of drawings keeps the same promises, however unlike the others it looks."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from scipy.ndimage import map_coordinates

from pipeline.simulate.draw import draw_scans
from pipeline.simulate.makes import MAKES
from pipeline.simulate.plan import DrawnScan, Plan
from pipeline.simulate.variety import CLEAN, HARD, Variety

BY_NAME = {make.NAME: make for make in MAKES}
LIT = [(make.NAME, lighting) for make in MAKES for lighting, _ in make.LIGHTINGS]
ON_BLACK = {"dark"}
"""Lightings in which winter zones are darker than summer bone; in all others they are brighter."""


def scan_of(make: str, seed: int, *, lighting: str | None = None, bones: int = 1, level=CLEAN) -> DrawnScan:
    wanted = lighting or BY_NAME[make].LIGHTINGS[0][0]
    plan = Plan(name="a.png", bones=bones, first=1, level=level, lighting=wanted, dpi=300, colour=False, bits=8)
    return BY_NAME[make].draw_scan(np.random.default_rng(seed), plan, Variety(extras=False))


def increments(scan: DrawnScan) -> np.ndarray:
    return np.diff([0.0, *(r["radius_px"] for r in scan.tables.truth_annuli if r["kind"] == "annulus")])


@pytest.mark.parametrize("make", BY_NAME)
def test_a_seed_gives_the_same_pixels(make):
    first, again = scan_of(make, 7, level=HARD), scan_of(make, 7, level=HARD)
    assert np.array_equal(first.pixels, again.pixels)
    assert first.tables == again.tables
    assert first.tables.truth[0]["make"] == make


@pytest.mark.parametrize("make", BY_NAME)
def test_annuli_lie_in_order_between_focus_and_margin_in_every_direction_written_down(make):
    for seed in range(6):
        scan = scan_of(make, seed, level=HARD if seed % 2 else CLEAN)
        truth = scan.tables.truth[0]
        axis = np.hypot(truth["axis_x"] - truth["focus_x"], truth["axis_y"] - truth["focus_y"])
        height, width = scan.pixels.shape[:2]
        for x, y in ((truth["focus_x"], truth["focus_y"]), (truth["axis_x"], truth["axis_y"])):
            assert 0 < x < width
            assert 0 < y < height
        assert len(increments(scan)) == truth["annuli"]
        assert np.all(increments(scan) > 0)
        assert increments(scan).sum() < axis
        arcs: dict[float, list[float]] = {}
        for row in scan.tables.truth_arcs:
            if row["kind"] == "annulus":
                arcs.setdefault(row["deg"], []).append(row["radius_px"])
        assert all(b > a for radii in arcs.values() for a, b in pairwise(radii))


@pytest.mark.parametrize(("make", "lighting"), LIT)
def test_opaque_growth_resumes_where_the_truth_says(make, lighting):
    jumps = []
    for seed in range(8):
        scan = scan_of(make, 100 + seed, lighting=lighting)
        grey = scan.pixels.astype(float) / np.iinfo(scan.pixels.dtype).max
        grey = grey if grey.ndim == 2 else grey.mean(axis=2)
        truth = scan.tables.truth[0]
        fx, fy = truth["focus_x"], truth["focus_y"]
        along = np.arctan2(truth["axis_y"] - fy, truth["axis_x"] - fx)
        room = dict(enumerate(np.minimum(increments(scan), [*increments(scan)[1:], np.inf]), start=1))
        for number in list(room)[1:-1]:  # the base dims the first, and the last may lie at the margin
            arc = [r for r in scan.tables.truth_arcs
                   if (r["kind"], r["number"]) == ("annulus", number) and abs(r["deg"]) <= 20]  # fmt: skip
            angle = along + np.deg2rad([r["deg"] for r in arc])
            radius = np.array([r["radius_px"] for r in arc])
            mean = []
            for radii in (radius - min(0.08 * room[number], 1.5), radius + max(0.16 * room[number], 1.5)):
                places = [fy + radii * np.sin(angle), fx + radii * np.cos(angle)]
                mean.append(map_coordinates(grey, places, order=1).mean())
            jumps.append(mean[1] - mean[0])
    assert len(jumps) > 8
    assert np.mean(np.sign(jumps) == (1 if lighting in ON_BLACK else -1)) > 0.9
    assert abs(np.median(jumps)) > 0.02


@pytest.mark.parametrize(("make", "lighting"), LIT)
def test_nearly_all_annuli_of_clean_bones_show(make, lighting):
    seen = [r["visibility"] for seed in range(8) for r in scan_of(make, seed, lighting=lighting).tables.truth_annuli
            if r["kind"] == "annulus"]  # fmt: skip
    assert np.mean(np.array(seen) > 0.25) > 0.9


@pytest.mark.parametrize("make", BY_NAME)
def test_bones_of_a_tray_are_numbered_by_rows(make):
    scan = scan_of(make, 3, bones=7)
    assert [row["bone"] for row in scan.tables.specimens] == list(range(1, 8))
    middles = [((t["focus_x"] + t["axis_x"]) / 2, (t["focus_y"] + t["axis_y"]) / 2) for t in scan.tables.truth]
    for before, after in pairwise(middles):
        next_row = after[1] > before[1] + 30
        assert next_row or after[0] > before[0] + 30


@pytest.mark.parametrize("make", BY_NAME)
def test_good_and_poor_years_are_uneven(make):
    steps = [np.diff(np.log(increments(scan_of(make, seed))))[1:] for seed in range(12)]
    assert np.concatenate(steps).std() > 0.1


def test_a_set_holds_scans_of_the_makes_asked_for_and_each_scan_is_of_one():
    wanted = list(BY_NAME)[1::6]
    scans = list(draw_scans(12, 4, Variety(makes=wanted, levels=["clean"], dpis=[300])))
    assert {s.tables.truth[0]["make"] for s in scans} == set(wanted)
    assert all(len({row["make"] for row in s.tables.truth}) == 1 for s in scans)


def test_every_make_has_a_name_of_its_own():
    assert len(BY_NAME) == len(MAKES)


def test_what_no_make_offers_is_refused():
    with pytest.raises(ValueError, match="no make"):
        next(draw_scans(1, 1, Variety(lightings=["moonlight"])))
