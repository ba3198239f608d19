"""Makes drawn through knots: white lid, photocopy, black card, phone, low lamp. Each is what its truth says."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from pipeline.simulate.makes import MAKES, Make
from pipeline.simulate.makes.courses import Wander, circle_about, grown, settle, within
from pipeline.simulate.makes.margins import draw_margin
from pipeline.simulate.makes.rings import Profile, zone
from pipeline.simulate.makes.slant import Slant
from pipeline.simulate.place import AXIS, DEGREES, DIRECTIONS, PER_DEGREE
from pipeline.simulate.plan import DrawnScan, Plan
from pipeline.simulate.variety import CLEAN, HARD, Level, Variety

HERE = [make for make in MAKES if make.NAME in ("lid", "photocopy", "card", "phone", "relief", "mixed")]
each_make = pytest.mark.parametrize("make", HERE, ids=[make.NAME for make in HERE])


def drawn(make: Make, seed: int, level: Level = CLEAN, bones: int = 1, dpi: int = 300) -> DrawnScan:
    plan = Plan(
        name="a.png", bones=bones, first=1, level=level, lighting=make.LIGHTINGS[0][0], dpi=dpi, colour=False, bits=8
    )
    return make.draw_scan(np.random.default_rng([seed, 5]), plan, Variety(dpis=[dpi]))


def grey(scan: DrawnScan) -> np.ndarray:
    return scan.pixels.reshape(*scan.pixels.shape[:2], -1).mean(axis=2)


@each_make
def test_a_seed_gives_the_same_pixels_and_the_same_truth(make):
    first, again, other = drawn(make, 4), drawn(make, 4), drawn(make, 5)
    assert np.array_equal(first.pixels, again.pixels)
    assert first.tables == again.tables
    assert first.tables.truth != other.tables.truth


@each_make
def test_annuli_lie_in_order_between_focus_and_margin_and_within_the_scan(make):
    for seed in range(3):
        scan = drawn(make, seed, HARD if seed == 2 else CLEAN)
        height, width = scan.pixels.shape[:2]
        (truth,) = scan.tables.truth
        annuli = [row for row in scan.tables.truth_annuli if row["kind"] == "annulus"]
        assert [row["number"] for row in annuli] == list(range(1, truth["annuli"] + 1))
        assert all(b["radius_px"] > a["radius_px"] for a, b in pairwise(annuli))
        assert all(0 < row["fraction"] < 1 for row in annuli)
        for x, y in [(truth["focus_x"], truth["focus_y"]), *((row["x"], row["y"]) for row in annuli)]:
            assert 0 <= x < width
            assert 0 <= y < height


@each_make
def test_annuli_of_clean_bones_show_in_the_finished_scan(make):
    seen = [
        row["visibility"]
        for seed in range(4)
        for row in drawn(make, seed).tables.truth_annuli
        if row["kind"] == "annulus" and row["number"] > 1
    ]
    assert len(seen) > 5
    assert np.median(seen) > 0.5
    assert np.mean(np.array(seen) > 0.25) > 0.9


@each_make
def test_bones_of_a_tray_are_told_in_reading_order(make):
    scan = drawn(make, 11, bones=7)
    assert [row["bone"] for row in scan.tables.specimens] == list(range(1, 8))
    middle = [((t["focus_x"] + t["axis_x"]) / 2, (t["focus_y"] + t["axis_y"]) / 2) for t in scan.tables.truth]
    tall = np.mean([np.hypot(t["focus_x"] - t["axis_x"], t["focus_y"] - t["axis_y"]) for t in scan.tables.truth])
    for (x, y), (next_x, next_y) in pairwise(middle):
        assert next_x > x or next_y > y + tall / 2


@each_make
def test_growth_is_uneven(make):
    ratios = []
    for seed in range(6):
        radii = [r["radius_px"] for r in drawn(make, seed, HARD).tables.truth_annuli if r["kind"] == "annulus"]
        ratios += list(np.diff(np.log(np.diff(radii))))
    assert 0.08 < np.std(ratios) < 0.8


def test_winters_are_bright_on_the_lid_and_on_copies_and_dark_on_the_card_and_in_photographs():
    for make in HERE:
        if make.NAME in ("relief", "mixed"):
            continue
        scan = drawn(make, 3)
        (truth,) = scan.tables.truth
        focus = np.array([truth["focus_x"], truth["focus_y"]])
        tip = np.array([truth["axis_x"], truth["axis_y"]])
        along = np.linspace(0, 1, 400)[:, None] * (tip - focus) + focus
        profile = grey(scan)[along[:, 1].round().astype(int), along[:, 0].round().astype(int)]
        gains = []
        for row in scan.tables.truth_annuli:
            if row["kind"] == "annulus" and row["number"] > 1:
                place = int(row["fraction"] * 399)
                gains.append(profile[place - 6 : place + 1].max() - profile[place + 3 : place + 12].mean())
                if make.LIGHTINGS[0][0] == "dark":
                    gains[-1] = profile[place + 3 : place + 12].mean() - profile[place - 6 : place + 1].min()
        assert np.median(gains) > 3, make.NAME


def test_a_circle_about_the_focus_is_as_far_in_every_direction_and_one_about_another_centre_passes_the_same_tip():
    assert circle_about(0, 0) == pytest.approx(np.ones(DIRECTIONS))
    aside = circle_about(0.3, 0.1)
    assert aside[AXIS] == pytest.approx(1)
    assert aside[0] == pytest.approx(np.sqrt(0.7**2 + 0.1**2 - 0.1**2) - 0.3)


def test_marks_keep_apart_and_lie_at_their_sizes_on_the_growth_axis():
    random = np.random.default_rng(2)
    sizes = np.array([0.3, 0.5, 0.62, 0.7, 0.95, 1.1])
    old = circle_about(-0.2, 0.1)
    years = settle(
        random, grown(sizes, circle_about(0.2, 0), old, 1.0), sizes, Wander(shared=0.2, own=0.2, wave_deg=10)
    )
    assert years[:, AXIS] == pytest.approx(sizes)
    assert np.diff(years, axis=0).min() > 0


def test_the_growth_axis_runs_through_the_middle_of_the_fan():
    knots = ((-170, 0.1), (-60, 0.2), (-20, 0.9), (30, 1.0), (60, 1.0), (90, 0.2), (140, 0.1))
    margin = draw_margin(np.random.default_rng(1), knots, turn=0.0, reach=0.0, bend=0.0, ease_deg=1.0)
    assert margin.radius[AXIS] == pytest.approx(1)
    assert margin.half_deg[0] == pytest.approx(margin.half_deg[1], rel=0.25)
    beyond = AXIS + int((margin.half_deg[1] + 15) * PER_DEGREE)
    assert margin.front[beyond] > margin.radius[beyond]  # marks end at the edges of the fan


def test_marks_bend_around_a_notch_of_the_margin_and_run_out_at_the_edges_of_the_fan():
    knots = ((-170, 0.1), (-60, 0.5), (-40, 1.0), (10, 1.0), (20, 0.7), (30, 1.0), (50, 1.0), (70, 0.4), (140, 0.1))
    margin = draw_margin(np.random.default_rng(1), knots, turn=0.0, reach=0.0, bend=0.0, ease_deg=0.5)
    sizes = np.array([0.5, 0.9, 1.05])
    years = within(np.asarray(sizes[:, None] * margin.front, np.float32), sizes, margin)
    fan = (-0.8 * margin.half_deg[0] < DEGREES) & (0.8 * margin.half_deg[1] > DEGREES)
    assert np.all(years[:2, fan] < margin.radius[fan])
    assert np.any(years[1, ~fan] > margin.radius[~fan])


def test_a_winter_ends_where_its_annulus_lies():
    beyond = np.linspace(-2, 1, 3001, dtype=np.float32)
    across = zone(beyond, np.full_like(beyond, 20), Profile(inner=0.4, outer=0.2))
    assert across[np.argmin(np.abs(beyond))] == pytest.approx(0.5, abs=0.01)
    assert across[beyond > 0.11].max() == 0
    assert across[(beyond > -0.6) & (beyond < -0.15)].min() == pytest.approx(1)


def test_a_mark_seen_aslant_is_where_its_points_are_seen():
    slant = Slant.drawn(np.random.default_rng(4), (600, 400), 0.1)
    table = np.zeros((400, 600, 1), np.float32)
    table[198:203, 298:303] = 1
    x, y = slant.points(np.array(300.0), np.array(200.0))
    seen = slant.view(table, (0, 0))[..., 0]
    rows, columns = np.nonzero(seen > 0.5 * seen.max())
    assert (columns.mean(), rows.mean()) == pytest.approx((float(x), float(y)), abs=0.7)
    assert DEGREES[AXIS] == 0
