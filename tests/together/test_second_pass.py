"""The ages of a run: told whole, alike whatever the order, and never sure of what is no bone."""

from __future__ import annotations

from array import array
from collections.abc import Callable
from dataclasses import replace
from itertools import chain

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from reading import SETTINGS, read_natural, scan_of
from whole_run import age_bones

from pipeline.bone.read_bone import read_bones
from pipeline.codes import NOTICES, REASONS
from pipeline.records import Age, BoneReading, Captured, Specimen
from pipeline.together.age_of_bone import LEAST_COVER, Placed
from pipeline.together.second_pass import age_in_parts

steady = settings(max_examples=12, deadline=None, derandomize=True)
Thing = Callable[[NDArray[np.uint8], int], None]
LIGHTINGS = ("reflected", "transmitted")
BED = {"reflected": 15, "transmitted": 237}  # grey values of velvet and of a light table
GRAIN = 1.5  # grey values; noise of a flatbed


def worse(reading: BoneReading, seed: int, by: float) -> BoneReading:
    """The reading as a worse scan would give it: noise on the evidence, in units of its spread among candidates."""
    random, scale = np.random.default_rng(seed), by * np.array(SETTINGS.evidence.scale)
    marks = tuple(
        replace(m, evidence=array("d", np.array(m.evidence) + random.normal(0, 1, len(scale)) * scale))
        for m in reading.marks
    )
    return replace(reading, marks=marks)


def run(seed: int, by: float, bones: int = 6) -> list[tuple[Specimen, BoneReading]]:
    return [
        (Specimen(specimen=f"B{n}", fish=f"B{n}", scan=f"{n}.png", captured=Captured(year=2019, month=9, day=3)),
         worse(read_natural(n)[1].reading, 10 * seed + n, by))
        for n in range(bones)
    ]  # fmt: skip


def narrowest(age: Age) -> tuple[int, float]:
    """Width and probability of the best range of counts that holds `LEAST_COVER`, by trying all."""
    p = dict(age.count_probabilities)
    assert age.annuli is not None
    top = max(p)
    ranges = [
        (high - low, -sum(p.get(k, 0.0) for k in range(low, high + 1)))
        for low in range(age.annuli + 1)
        for high in range(age.annuli, top + 1)
    ]
    width, cover = min(r for r in ranges if -r[1] >= LEAST_COVER)
    return width, -cover


@given(seed=st.integers(0, 99), by=st.sampled_from([0.0, 0.3, 0.8]))
@steady
def test_the_range_of_counts_is_the_narrowest_that_nine_in_ten_lie_in(seed: int, by: float) -> None:
    for age in age_bones(run(seed, by), SETTINGS):
        assert age.annuli is not None
        assert age.annuli_low is not None
        assert age.annuli_high is not None
        assert age.annuli_low <= age.annuli <= age.annuli_high
        width, cover = narrowest(age)
        assert age.annuli_high - age.annuli_low == width
        held = sum(p for k, p in age.count_probabilities if age.annuli_low <= k <= age.annuli_high)
        assert held == pytest.approx(cover, abs=1e-3)  # counts too improbable to be told are left out of the table


@given(seed=st.integers(0, 99), by=st.sampled_from([0.0, 0.3, 0.8]))
@steady
def test_every_figure_of_an_age_agrees_with_the_others(seed: int, by: float) -> None:
    for age in age_bones(run(seed, by), SETTINGS):
        p = dict(age.count_probabilities)
        assert sum(p.values()) == pytest.approx(1)
        assert age.annuli == max(p, key=lambda k: p[k])
        assert age.confidence == p[age.annuli]
        assert sum(m.counted for m in age.marks) == age.annuli
        assert (age.hidden_first_px is not None) == (age.first_year == "ambiguous")
        assert ("first-year" in age.reasons) == (age.first_year == "ambiguous")
        assert ("low-confidence" in age.reasons) == (age.confidence < SETTINGS.review.least_confidence)
        assert set(age.reasons) <= REASONS.keys()
        assert set(age.notices) <= NOTICES.keys()
        assert age.year_class is None or age.age_class is None or age.year_class == 2019 - age.age_class


@given(seed=st.integers(0, 99))
@steady
def test_the_order_of_the_bones_of_a_run_does_not_matter(seed: int) -> None:
    bones = run(seed, 0.3)
    backwards = age_bones(bones[::-1], SETTINGS)[::-1]
    for here, there in zip(age_bones(bones, SETTINGS), backwards, strict=True):
        assert dict(there.count_probabilities) == pytest.approx(dict(here.count_probabilities))
        assert (there.specimen, there.annuli, there.age_class, there.reasons) == (
            here.specimen,
            here.annuli,
            here.age_class,
            here.reasons,
        )


@given(seed=st.integers(0, 99), size=st.integers(1, 9))
@settings(max_examples=6, deadline=None, derandomize=True)
def test_a_run_aged_a_few_bones_at_a_time_has_the_ages_of_one_aged_whole(seed: int, size: int) -> None:
    # Every fish has two sides, whose counts agree too seldom; sizes and growth are compared over all parts.
    bones = [
        (replace(row, specimen=f"{row.specimen}{side}{again}", fish=f"{row.fish}{again}", side=side, length_mm=300), r)
        for again in range(3)
        for side, by in (("L", 0.0), ("R", 0.8))
        for row, r in run(seed + again, by)
    ]
    bones[4] = (bones[4][0], replace(bones[4][1], axis=None, marks=(), traits={}))
    placed = [Placed(specimen=row, reading=reading) for row, reading in bones]
    parts = [placed[at : at + size] for at in range(0, len(placed), size)]
    whole = age_bones(bones, SETTINGS)
    for here, there in zip(whole, chain(*age_in_parts(lambda: parts, SETTINGS, list)), strict=True):
        assert dict(there.age.count_probabilities) == pytest.approx(dict(here.count_probabilities))
        assert dict(there.age.age_probabilities) == pytest.approx(dict(here.age_probabilities))
        assert [m.radius_px for m in there.age.marks] == [m.radius_px for m in here.marks]
        assert (there.age.specimen, there.age.annuli, there.age.age_class, there.age.reasons, there.age.notices) == (
            here.specimen,
            here.annuli,
            here.age_class,
            here.reasons,
            here.notices,
        )


def test_no_bones_have_no_ages() -> None:
    assert age_bones([], SETTINGS) == ()


def test_a_bone_of_which_nothing_could_be_measured_does_not_disturb_the_others() -> None:
    bones = run(0, 0.0)
    (specimen, reading) = bones[2]
    bones[2] = (specimen, replace(reading, axis=None, marks=(), traits={}))
    ages = age_bones(bones, SETTINGS)
    assert [a.specimen for a in ages] == [s.specimen for s, _ in bones]
    assert [a.annuli for a in (*ages[:2], *ages[3:])] == [0, 1, 3, 4, 5]


# ------------------------------------------------------------------------------------------------ what is no bone
def leaf(picture: NDArray[np.uint8], shade: int) -> None:
    along = np.linspace(0, np.pi, 80)
    upper = np.stack([300 - 220 * np.cos(along), 200 - 95 * np.sin(along) ** 1.2], 1)
    points = np.concatenate([upper, upper[::-1] * [1, -1] + [0, 400]])
    cv2.fillPoly(picture, [points.round().astype(np.int32)], shade, cv2.LINE_AA)
    cv2.line(picture, (60, 200), (560, 200), round(0.75 * shade), 3, cv2.LINE_AA)
    for x in range(120, 460, 45):
        for side in (-1, 1):
            cv2.line(picture, (x, 200), (x + 60, 200 + side * 55), round(0.85 * shade), 2, cv2.LINE_AA)


def coin(picture: NDArray[np.uint8], shade: int) -> None:
    cv2.circle(picture, (300, 200), 150, shade, -1, cv2.LINE_AA)
    for r in (140, 132, 95):  # rim and relief: rings as a bone has them
        cv2.circle(picture, (300, 200), r, round(0.8 * shade), 3, cv2.LINE_AA)
    cv2.putText(picture, "5", (265, 245), cv2.FONT_HERSHEY_DUPLEX, 4.0, round(0.7 * shade), 6, cv2.LINE_AA)


def text(picture: NDArray[np.uint8], shade: int) -> None:
    for line in range(4):
        cv2.putText(picture, f"row {line} of 4", (60, 90 + 80 * line), cv2.FONT_HERSHEY_DUPLEX, 2.0, shade, 8)


def card(picture: NDArray[np.uint8], shade: int) -> None:
    cv2.rectangle(picture, (90, 60), (510, 340), shade, -1)
    for y in range(100, 320, 40):  # ruled lines, evenly apart
        cv2.line(picture, (90, y), (510, y), round(0.8 * shade), 3)


@pytest.mark.parametrize("lighting", LIGHTINGS)
@pytest.mark.parametrize("promised", [False, True])
@pytest.mark.parametrize("thing", [leaf, coin, text, card], ids=lambda f: f.__name__)
def test_nothing_that_is_no_bone_is_aged_without_asking_a_person(thing: Thing, promised: bool, lighting: str) -> None:
    # Not even when the table promises a bone on the scan.
    noise = np.random.default_rng(5).normal(0, GRAIN, (400, 600))
    picture = np.clip(BED[lighting] + noise, 0, 255).astype(np.uint8)
    thing(picture, 200 if lighting == "reflected" else 70)
    row = Specimen(specimen="a", fish="a", scan="drawn.png", bone=1)
    found = read_bones(scan_of(picture), (row,) if promised else (), SETTINGS)
    each = [(replace(row, bone=b.number, specimen=str(b.number), fish=str(b.number)), r) for b, r in found]
    ages = age_bones(each, SETTINGS)
    assert all(age.review for age in ages)
