"""Bones drawn from known marks: what is said of them is what the pictures show."""

from __future__ import annotations

from datetime import date
from itertools import pairwise

import numpy as np
import pytest

from pipeline.simulate.draw import draw_scans
from pipeline.simulate.fish import SPECIES, draw_fish
from pipeline.simulate.makes.layered import NAME, OUTLINES, draw_scan
from pipeline.simulate.marks import draw_marks
from pipeline.simulate.outline import draw_outline
from pipeline.simulate.picture import draw_bone
from pipeline.simulate.place import AXIS, DEGREES, PER_DEGREE
from pipeline.simulate.plan import DrawnScan, Plan
from pipeline.simulate.variety import CLEAN, HARD, TYPICAL, Variety

FAMILIES = [family for family, _ in OUTLINES]
PX_PER_MM = 300 / 25.4


def one_bone(seed: int, family: str = "fan", level=TYPICAL, side: str = "L"):
    random = np.random.default_rng(seed)
    species = SPECIES[seed % len(SPECIES)][0]
    fish = draw_fish(random, level, species, "Sedge Lake", date(2011, 1 + seed % 12, 15), PX_PER_MM)
    return draw_bone(random, fish, level, draw_outline(random, family), side, PX_PER_MM)


def plain(lighting: str, bones: int = 1) -> Plan:
    return Plan(name="a.png", bones=bones, first=1, level=CLEAN, lighting=lighting, dpi=300, colour=False, bits=8)


@pytest.mark.parametrize("family", FAMILIES)
def test_focus_and_annuli_lie_on_the_bone_in_order_from_the_focus(family):
    for seed in range(4):
        bone = one_bone(seed, family, level=HARD if seed % 2 else CLEAN)
        radii = [line.outer[AXIS] for line in bone.marks.lines if line.kind == "annulus"]
        assert len(radii) == bone.fish.annuli
        assert np.all(np.diff([0.0, *radii]) > 0)
        for radius in [0.0, *radii]:
            x, y = bone.place.at(np.array(0.0), np.array(radius))
            assert bone.cover[round(float(y)), round(float(x))] > 0
            assert radius < bone.axis_px


@pytest.mark.parametrize("family", FAMILIES)
def test_no_two_annuli_meet_in_any_direction(family):
    bone = one_bone(5, family)
    gaps = np.diff(bone.marks.years, axis=0)
    assert gaps.min() >= 0
    assert np.all(gaps[:, np.abs(DEGREES) < 15] > 0)


def test_marks_are_no_scaled_copies_of_the_margin():
    random = np.random.default_rng(3)
    fish = draw_fish(random, CLEAN, SPECIES[0][0], "Sedge Lake", date(2011, 9, 15), PX_PER_MM)
    outline = draw_outline(random, "fan")
    marks = draw_marks(random, fish, CLEAN, outline, 300.0)
    shape = marks.years[1:-1] / marks.years[1:-1, AXIS : AXIS + 1]
    fan = np.abs(DEGREES) < 30
    assert np.ptp(shape[:, fan], axis=0).max() > 0.01


def test_a_round_bone_has_marks_on_three_sides_of_its_focus_and_a_narrow_one_has_not():
    random = np.random.default_rng(8)
    at_the_side = int(AXIS + 90 * PER_DEGREE), int(AXIS - 90 * PER_DEGREE)
    assert min(draw_outline(random, "round").margin(1.0)[list(at_the_side)]) > 0.25
    assert max(draw_outline(random, "narrow").margin(1.0)[list(at_the_side)]) < 0.2


def test_the_right_bone_is_the_mirror_image_of_the_left():
    left, right = one_bone(7, side="L"), one_bone(7, side="R")
    turn = np.array(30.0)
    for bone, sign in ((left, 1), (right, -1)):
        x, y = bone.place.at(turn, np.array(1.0))
        direction = np.rad2deg(np.arctan2(y - bone.place.focus[1], x - bone.place.focus[0]))
        assert (direction - bone.place.axis_deg - sign * 30 + 180) % 360 - 180 == pytest.approx(0, abs=1e-3)


# Calendar: a birthday on 1 January, and an annulus that is complete once new growth shows, from April to early July in
# percids of northern waters (trade facts: late spring to early summer).
def test_the_count_is_the_age_in_autumn_and_one_less_before_growth_resumes():
    random = np.random.default_rng(1)
    for month, behind in ((2, 1), (3, 1), (9, 0), (11, 0)):
        for _ in range(10):
            fish = draw_fish(random, TYPICAL, SPECIES[1][0], "Tallow Bay", date(2015, month, 20), PX_PER_MM)
            assert fish.annuli == fish.age_class - behind


def test_old_fish_resume_growth_later_than_young_ones():
    random = np.random.default_rng(2)
    behind = {"young": [], "old": []}
    for _ in range(150):
        fish = draw_fish(random, HARD, SPECIES[0][0], "Tallow Bay", date(2015, 5, 14), 50.0)
        behind["young" if fish.age_class <= 5 else "old"].append(fish.age_class - fish.annuli)
    assert np.mean(behind["old"]) > np.mean(behind["young"]) + 0.1


def test_growth_beyond_the_last_annulus_increases_through_the_season():
    shares = {}
    for month in (5, 7, 9):
        random = np.random.default_rng(4)
        fish = [draw_fish(random, CLEAN, SPECIES[0][0], "Sedge Lake", date(2015, month, 28), 50.0) for _ in range(30)]
        last = [f.annuli_mm[-1] for f in fish]
        shares[month] = np.mean([(f.margin_mm - r) / (f.next_mm - r) for f, r in zip(fish, last, strict=True)])
    assert shares[5] < shares[7] < shares[9] < 1


def test_good_and_poor_years_follow_the_series_asked_for():
    # On a von Bertalanffy curve each increment after the first is the same share of the one before.
    series = np.array((1.0, 2.5, 0.8, 1.7, 0.6, 2.2, 1.1, 0.9, 1.9, 1.3, 0.7, 1.6))
    runs = 0
    for scan in draw_scans(
        8, 3, Variety(makes=[NAME], increments=series, levels=["clean"], dpis=[300], tray_share=0.0)
    ):
        radii = [row["radius_px"] for row in scan.tables.truth_annuli if row["kind"] == "annulus"]
        years = np.log(np.diff(radii))
        if len(years) < 3:
            continue
        bends = [np.diff(years - np.log(series[k : k + len(years)]), 2) for k in range(1, len(series) - len(years) + 1)]
        assert min(np.abs(b).max() for b in bends) < 0.03
        runs += 1
    assert runs > 1


def sampled(scan: DrawnScan, share_of_step: float) -> list[float]:
    """Grey, 0 to 1, on the growth axis at a share of the increment inside each annulus (negative: outside)."""
    truth = scan.tables.truth[0]
    focus, tip = np.array([truth["focus_x"], truth["focus_y"]]), np.array([truth["axis_x"], truth["axis_y"]])
    along = (tip - focus) / np.hypot(*(tip - focus))
    radii = [row["radius_px"] for row in scan.tables.truth_annuli if row["kind"] == "annulus"]
    steps = np.diff([0.0, *radii])
    points = [focus + along * (r - share_of_step * s) for r, s in zip(radii, steps, strict=True)]
    return [float(scan.pixels[round(y), round(x)]) / 255 for x, y in points]


def test_annuli_are_dark_on_a_black_bed_and_bright_on_a_light_table():
    contrast = {}
    for lighting in ("dark", "white", "transmitted"):
        differences = []
        for seed in range(5):
            scan = draw_scan(np.random.default_rng(seed), plain(lighting), Variety(extras=False, outlines=["fan"]))
            zone, summer = np.array(sampled(scan, 0.06)), np.array(sampled(scan, 0.5))
            differences += list((zone - summer)[1:])  # the thick base dims the first
        contrast[lighting] = np.median(differences)
    assert contrast["dark"] < -0.02
    assert contrast["white"] > 0.02
    assert contrast["transmitted"] > 0.02


def test_a_seed_gives_the_same_pixels_and_another_seed_gives_others():
    variety = Variety(makes=[NAME], dpis=[300])
    first, again, other = (next(iter(draw_scans(1, seed, variety))) for seed in (11, 11, 12))
    assert np.array_equal(first.pixels, again.pixels)
    assert first.tables == again.tables
    assert first.pixels.shape != other.pixels.shape or not np.array_equal(first.pixels, other.pixels)


def test_a_scan_depends_on_its_place_in_the_set_alone():
    variety = Variety(makes=[NAME], dpis=[300], tray_share=0.0)
    few, many = list(draw_scans(2, 5, variety)), list(draw_scans(3, 5, variety))
    assert np.array_equal(few[1].pixels, many[1].pixels)


def test_bones_of_a_tray_are_numbered_by_rows_and_do_not_overlap():
    scan = draw_scan(np.random.default_rng(2), plain("dark", bones=7), Variety())
    assert [row["bone"] for row in scan.tables.specimens] == list(range(1, 8))
    middles = np.array(
        [[(t["focus_x"] + t["axis_x"]) / 2, (t["focus_y"] + t["axis_y"]) / 2] for t in scan.tables.truth]
    )
    for before, after in pairwise(middles):
        next_row = after[1] > before[1] + 50
        assert next_row or after[0] > before[0] + 50


def test_levels_grow_harder_to_see():
    seen = {}
    for level in ("clean", "hard"):
        rows = [row for scan in draw_scans(6, 21, Variety(makes=[NAME], levels=[level], dpis=[300], tray_share=0.0))
                for row in scan.tables.truth_annuli if row["kind"] == "annulus"]  # fmt: skip
        seen[level] = np.mean([row["visibility"] for row in rows])
    assert seen["hard"] < seen["clean"] - 0.1
