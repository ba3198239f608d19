"""Every bone of a scan is found, cut out along its margin and numbered as a person reads the tray; nothing else is."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from typing import Any

import cv2
import numpy as np
import pytest
from drawing import BED, OUTLINES, draw_bone
from numpy.typing import NDArray
from reading import scan_of

from pipeline.bone.segment import LIKELY, PLAINLY_BONE, find_bones
from pipeline.records import Bone
from pipeline.simulate.draw import draw_scans
from pipeline.simulate.variety import Variety

LIGHTINGS = ("reflected", "transmitted")
TRAY_DPI = 150.0  # bones of 8 mm keep 47 pixels: enough to find them, and quick to draw
GRAIN = 1.5  # grey values; standard deviation of the noise of a flatbed, as `draw_bone` has it
ON_OUTLINE_PX = 1.0  # the aim of the project for a sharp margin
OVERLAP = 0.90  # intersection over union with the bone drawn; half a pixel about the smallest of them is a tenth of it

Picture = NDArray[Any]
Corner = tuple[int, int]
"""Row, column."""


def bed(rows: int, columns: int, lighting: str) -> Picture:
    noise = np.random.default_rng(7).normal(0, GRAIN, (rows, columns))
    return np.clip(255 * BED[lighting] + noise, 0, 255).astype(np.uint8)


@cache
def small_bone(outline: str, angle_deg: float, lighting: str, radius_mm: float = 8.0) -> tuple[Picture, NDArray[Any]]:
    drawn = draw_bone(3, outline, angle_deg=angle_deg, lighting=lighting, dpi=TRAY_DPI, radius_mm=radius_mm)
    rows, columns = np.nonzero(drawn.mask)
    margin = 2
    place = np.s_[rows.min() - margin : rows.max() + margin, columns.min() - margin : columns.max() + margin]
    return drawn.picture[place], drawn.mask[place]


def laid(picture: Picture, bone: tuple[Picture, NDArray[Any]], corner: Corner) -> NDArray[np.bool_]:
    """Lay a bone on a picture; the mask that it has there."""
    image, mask = bone
    place = np.s_[corner[0] : corner[0] + image.shape[0], corner[1] : corner[1] + image.shape[1]]
    wide = cv2.dilate(mask.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
    picture[place][wide] = image[wide]
    whole = np.zeros(picture.shape, bool)
    whole[place] = mask
    return whole


def tray(corners: Sequence[Corner], lighting: str, rows: int, columns: int) -> tuple[Picture, list[NDArray[np.bool_]]]:
    picture = bed(rows, columns, lighting)
    masks = [
        laid(picture, small_bone(OUTLINES[k % 4], 40.0 * (k % 9), lighting), corner) for k, corner in enumerate(corners)
    ]
    return picture, masks


def found(picture: Picture, expected: int | None = None) -> tuple[Bone, ...]:
    return find_bones(scan_of(picture), expected)


def placed(bone: Bone, shape: tuple[int, ...]) -> NDArray[np.bool_]:
    whole = np.zeros(shape, bool)
    x, y = (int(v) for v in bone.origin)
    whole[y : y + bone.mask.shape[0], x : x + bone.mask.shape[1]] = bone.mask
    return whole


def same(bones: Sequence[Bone], masks: Sequence[NDArray[np.bool_]], least: float = OVERLAP) -> bool:
    """Whether these bones and no others were found, in this order."""
    if [b.number for b in bones] != list(range(1, len(masks) + 1)):
        return False
    pairs = [(placed(b, m.shape), m) for b, m in zip(bones, masks, strict=True)]
    return all(np.count_nonzero(b & m) >= least * np.count_nonzero(b | m) for b, m in pairs)


# ------------------------------------------------------------------------------------------------ one bone
@pytest.mark.parametrize("lighting", LIGHTINGS)
@pytest.mark.parametrize("outline", OUTLINES)
@pytest.mark.parametrize("angle_deg", [0.0, 115.0, 250.0])
def test_a_bone_is_cut_out_along_the_margin_drawn(outline: str, angle_deg: float, lighting: str) -> None:
    drawn = draw_bone(4, outline, angle_deg=angle_deg, lighting=lighting, dpi=300.0)
    (bone,) = found(drawn.picture)
    assert bone.likeness >= PLAINLY_BONE
    assert not bone.cut_off
    inside, outside = (cv2.distanceTransform(m.astype(np.uint8), cv2.DIST_L2, 5) for m in (drawn.mask, ~drawn.mask))
    # The margin runs half a pixel outside the centres of the outermost pixels.
    distance = np.where(drawn.mask, inside - 0.5, 0.5 - outside).astype(np.float32)
    x, y = bone.outline.astype(np.float32).T
    off = np.abs(cv2.remap(distance, x[None], y[None], cv2.INTER_LINEAR)[0])
    assert np.median(off) < ON_OUTLINE_PX
    assert np.percentile(off, 95) < 2 * ON_OUTLINE_PX
    assert same([bone], [drawn.mask], 0.97)


@pytest.mark.parametrize("lighting", LIGHTINGS)
def test_the_backing_tells_how_a_bone_was_lit_unless_the_table_does(lighting: str) -> None:
    picture, _ = tray([(40, 40)], lighting, 160, 160)
    (bone,) = found(picture)
    assert bone.dark_backing == (lighting == "reflected")
    assert bone.lighting_probability > 0.9
    other = "transmitted" if lighting == "reflected" else "reflected"
    (told,) = find_bones(scan_of(picture), None, other)
    assert (told.dark_backing, told.lighting_probability) == (other == "reflected", 1.0)


@pytest.mark.parametrize("lighting", LIGHTINGS)
def test_sixteen_bits_show_the_same_bone_as_eight(lighting: str) -> None:
    eight, sixteen = (draw_bone(4, lighting=lighting, dpi=200.0, bits=bits) for bits in (8, 16))
    assert same(found(sixteen.picture), [placed(*found(eight.picture), eight.mask.shape)], 0.99)


# ------------------------------------------------------------------------------------------------ trays
@pytest.mark.parametrize("lighting", LIGHTINGS)
@pytest.mark.parametrize(("down", "across"), [(1, 2), (2, 1), (2, 3), (4, 3), (5, 6)])
def test_the_bones_of_a_tray_are_read_row_by_row(down: int, across: int, lighting: str) -> None:
    random = np.random.default_rng(down * across)
    corners = [(20 + 90 * r + int(random.integers(0, 12)), 20 + 95 * c) for r in range(down) for c in range(across)]
    picture, masks = tray(corners, lighting, 40 + 100 * down, 40 + 100 * across)
    assert same(found(picture, down * across), masks)
    assert same(found(picture), masks)


@pytest.mark.parametrize("lighting", LIGHTINGS)
@pytest.mark.parametrize("first", [True, False])
def test_a_large_bone_belongs_to_the_row_of_the_small_ones_beside_it(first: bool, lighting: str) -> None:
    picture = bed(420, 560, lighting)
    large, small = small_bone("fan", 30.0, lighting, 40.0), small_bone("narrow", 10.0, lighting, 10.0)
    corners = [(60, 20), (120, 330), (135, 450)] if first else [(135, 20), (120, 120), (60, 240)]
    bones = [large, small, small] if first else [small, small, large]
    masks = [laid(picture, bone, corner) for bone, corner in zip(bones, corners, strict=True)]
    assert same(found(picture, 3), masks)


@pytest.mark.parametrize("lighting", LIGHTINGS)
def test_bones_that_touch_are_parted_and_said_to(lighting: str) -> None:
    picture = bed(160, 260, lighting)
    left, right = small_bone("fan", 180.0, lighting, 12.0), small_bone("round", 0.0, lighting, 12.0)
    masks = [laid(picture, left, (30, 30))]
    reach = int(np.nonzero(masks[0].any(0))[0].max())
    masks.append(laid(picture, right, (45, reach - 2)))
    bones = found(picture, 2)
    assert same(bones, masks, 0.9)


@pytest.mark.parametrize("lighting", LIGHTINGS)
@pytest.mark.parametrize("edge", ["left", "right", "top", "bottom"])
def test_a_bone_at_the_edge_is_cut_off_and_its_neighbour_is_not(edge: str, lighting: str) -> None:
    picture, _ = tray([(60, 30), (60, 160)], lighting, 200, 280)
    turned = {"left": 0, "top": 3, "right": 2, "bottom": 1}[edge]
    cut = np.ascontiguousarray(np.rot90(picture[:, 50:], turned))
    assert sorted(b.cut_off for b in found(cut)) == [False, True]


@pytest.mark.parametrize("rest", range(20))
def test_a_cut_bone_is_said_to_be_whatever_the_size_of_the_scan(rest: int) -> None:
    drawn = draw_bone(3, dpi=600.0, radius_mm=18.0)
    wide = np.pad(drawn.picture, ((0, 60), (1300, 0)), constant_values=int(drawn.picture[0, 0]))
    (bone,) = found(np.ascontiguousarray(wide[:, : wide.shape[1] - 90 - rest]))
    assert bone.cut_off


@pytest.mark.parametrize("lighting", ["dark", "white", "transmitted"])
def test_bones_of_drawn_trays_are_found_beside_label_and_ruler(lighting: str) -> None:
    variety = Variety(makes=["layered"], levels=["clean"], lightings=[lighting], dpis=[300], tray_share=1.0)
    for scan in draw_scans(6, 11, variety):
        grey = scan.pixels if scan.pixels.ndim == 2 else scan.pixels.mean(2).astype(scan.pixels.dtype)
        rows = scan.tables.truth
        assert len(found(grey, len(rows))) == len(rows)


# ------------------------------------------------------------------------------------------------ not fooled
def ink(lighting: str) -> int:
    """Grey of what is bone-like on this backing: bright on a dark one, dark on a bright one."""
    return 200 if lighting == "reflected" else 50


def with_text(picture: Picture, lighting: str) -> None:
    cv2.putText(picture, "Lake 1998-05-09", (15, 160), cv2.FONT_HERSHEY_SIMPLEX, 1.0, ink(lighting), 2, cv2.LINE_AA)


def with_bold_text(picture: Picture, lighting: str) -> None:
    cv2.putText(picture, "Reservoir 156", (12, 170), cv2.FONT_HERSHEY_DUPLEX, 1.4, ink(lighting), 6, cv2.LINE_AA)


def with_label(picture: Picture, lighting: str) -> None:
    cv2.rectangle(picture, (20, 120), (300, 185), 235 if lighting == "reflected" else 165, -1)
    cv2.putText(picture, "no 105 2011", (30, 165), cv2.FONT_HERSHEY_SIMPLEX, 1.1, 40, 3, cv2.LINE_AA)


def with_ruler(picture: Picture, lighting: str) -> None:
    cv2.line(picture, (10, 125), (340, 125), ink(lighting), 1)
    for k in range(34):
        cv2.line(picture, (10 + 10 * k, 125), (10 + 10 * k, 150 if k % 5 == 0 else 138), ink(lighting), 2)
    for k in range(4):
        cv2.putText(picture, str(10 * k), (4 + 100 * k, 182), cv2.FONT_HERSHEY_SIMPLEX, 0.8, ink(lighting), 2)


def with_dust(picture: Picture, lighting: str) -> None:
    random = np.random.default_rng(3)
    for x, y in random.integers(5, (345, 195), (60, 2)):
        cv2.circle(picture, (int(x), int(y)), int(random.integers(0, 3)), ink(lighting), -1)


def with_hair(picture: Picture, lighting: str) -> None:
    cv2.ellipse(picture, (200, 120), (120, 60), 20, 0, 250, ink(lighting), 1, cv2.LINE_AA)


def with_vignetting(picture: Picture, lighting: str) -> None:
    y, x = np.mgrid[-1 : 1 : picture.shape[0] * 1j, -1 : 1 : picture.shape[1] * 1j]
    light = 1 - 0.12 * (x**2 + y**2)
    picture[:] = np.round(picture * light)


def with_frame(picture: Picture, lighting: str) -> None:
    shade = 160 if lighting == "reflected" else 20
    picture[:6], picture[-6:], picture[:, :6], picture[:, -6:] = shade, shade, shade, shade


CLUTTER = [with_text, with_bold_text, with_label, with_ruler, with_dust, with_hair, with_vignetting, with_frame]


@pytest.mark.parametrize("lighting", LIGHTINGS)
@pytest.mark.parametrize("clutter", CLUTTER, ids=lambda f: f.__name__)
def test_the_bones_alone_are_found_whatever_lies_beside_them(clutter: Any, lighting: str) -> None:
    picture = bed(200, 350, lighting)
    large = small_bone("fan", 90.0, lighting, 13.0)
    corners = [(15, 30), (15, 200)]
    whole = [laid(picture, large, corner) for corner in corners]
    clutter(picture, lighting)
    assert same(found(picture, 2), whole, 0.9)
    assert same(found(picture), whole, 0.9)


def leaf(picture: Picture, shade: int) -> None:
    t = np.linspace(0, np.pi, 60)
    side = 45 * np.sin(t) ** 0.9
    points = np.stack([160 - 120 * np.cos(t), 110 - side], 1)
    points = np.concatenate([points, points[::-1] * [1, -1] + [0, 220]])
    cv2.fillPoly(picture, [points.astype(np.int32)], shade, cv2.LINE_AA)
    cv2.line(picture, (40, 110), (310, 110), int(0.8 * shade), 2)


def coin(picture: Picture, shade: int) -> None:
    cv2.circle(picture, (160, 110), 70, shade, -1, cv2.LINE_AA)
    cv2.circle(picture, (160, 110), 62, int(0.85 * shade), 2, cv2.LINE_AA)


def fish_scale(picture: Picture, shade: int) -> None:
    cv2.ellipse(picture, (160, 110), (80, 70), 0, 0, 360, shade, -1, cv2.LINE_AA)
    for r in range(6, 78, 4):
        cv2.ellipse(picture, (160, 110), (r, int(r * 0.875)), 0, 0, 360, int(0.8 * shade), 1, cv2.LINE_AA)


def paper(picture: Picture, shade: int) -> None:
    cv2.rectangle(picture, (60, 50), (270, 160), shade, -1)


@pytest.mark.parametrize("lighting", LIGHTINGS)
@pytest.mark.parametrize("thing", [leaf, coin, fish_scale, paper], ids=lambda f: f.__name__)
def test_what_is_no_bone_is_not_taken_for_a_likely_one(thing: Any, lighting: str) -> None:
    picture = bed(220, 330, lighting)
    thing(picture, ink(lighting))
    assert found(picture) == ()
    assert all(b.likeness < LIKELY for b in found(picture, 1))


@pytest.mark.parametrize("lighting", LIGHTINGS)
@pytest.mark.parametrize("clutter", [None, *CLUTTER], ids=lambda f: f.__name__ if f else "blank")
def test_a_scan_without_a_bone_yields_none(clutter: Any, lighting: str) -> None:
    picture = bed(200, 350, lighting)
    if clutter:
        clutter(picture, lighting)
    assert found(picture) == ()
    assert all(b.likeness < LIKELY for b in found(picture, 1))
