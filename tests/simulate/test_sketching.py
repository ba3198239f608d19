"""Bones sketched into pixels: their marks, margins and winters run as they are said to, also when seen aslant."""

from __future__ import annotations

from datetime import date

import numpy as np
import pytest

from pipeline.simulate.fish import SPECIES, draw_fish
from pipeline.simulate.place import AXIS, DEGREES, DIRECTIONS, PER_DEGREE, Place
from pipeline.simulate.sketching.courses import Wander, circle_about, grown, settle, within
from pipeline.simulate.sketching.margins import draw_margin
from pipeline.simulate.sketching.rings import Profile, zone
from pipeline.simulate.sketching.slant import Slant
from pipeline.simulate.truth import DrawnBone, KnownLine, visibility
from pipeline.simulate.variety import CLEAN


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


def test_chance_contrast_of_toner_shows_no_mark():
    random = np.random.default_rng(6)
    circle = np.ones(DIRECTIONS, np.float32)
    line = KnownLine(kind="annulus", number=1, outer=200 * circle, width=12 * circle, strength=circle, edge_px=1.5)
    bone = DrawnBone(
        fish=draw_fish(random, CLEAN, SPECIES[0][0], "Sedge Lake", date(2011, 9, 15), 12.0), outline="disc",
        place=Place(focus=(400.0, 400.0), axis_deg=30.0, mirrored=False), axis_px=380.0, margin=380 * circle,
        lines=(line,), splits=0, damaged=False, bright_winters=True, grainy=True,
    )  # fmt: skip
    toner = np.asarray(0.2 + 0.1 * random.standard_normal((800, 800)), np.float32)
    rows, columns = np.indices(toner.shape)
    ring = np.abs(np.hypot(rows - 400, columns - 400) - 194) < 6
    assert visibility(toner, bone, line) < 0.25 < 0.9 < visibility(toner + np.float32(0.3) * ring, bone, line)
