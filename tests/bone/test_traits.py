"""What sends a bone to a person for its pixels alone: breakage, blur, the scan's edge, a doubtful lighting."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from drawing import Drawn
from numpy.typing import NDArray
from reading import DPI, SETTINGS, natural_bone, read_one, readings

from pipeline.bone.traits import OUTLINE_POINTS, TRAITS, bone_reasons
from pipeline.records import Bone


@pytest.fixture(scope="module")
def whole() -> Drawn:
    return natural_bone(4, "round", angle_deg=-70.0)


def traits(picture: NDArray[np.generic]) -> dict[str, float]:
    (reading,) = readings(picture)
    return reading.traits


def test_every_trait_has_a_number(whole: Drawn) -> None:
    found = traits(whole.picture)
    assert tuple(found) == TRAITS
    assert np.isfinite(list(found.values())).all()


def test_a_sharp_whole_bone_needs_no_person_for_its_pixels(whole: Drawn) -> None:
    (reading,) = readings(whole.picture)
    assert reading.reasons == ()
    assert reading.notices == ("lighting-found",)


def test_blur_widens_the_sharpest_steps_and_is_told(whole: Drawn) -> None:
    widths = [traits(cv2.GaussianBlur(whole.picture, (0, 0), s) if s else whole.picture)["sharpness_px"]
              for s in (0.0, 1.5, 3.0, 6.0)]  # fmt: skip
    assert widths == sorted(widths)
    assert widths[-1] == pytest.approx(6.0 * np.sqrt(2 * np.pi), rel=0.3)  # of a Gaussian: step over steepest slope
    assert widths[-1] > SETTINGS.reading.blurred_above_px > 1.5 * widths[0]
    assert "blurred" in readings(cv2.GaussianBlur(whole.picture, (0, 0), 6.0))[0].reasons


def without_sector(whole: Drawn, from_deg: float, to_deg: float, beyond: float) -> NDArray[np.generic]:
    """The picture with everything broken off between two directions from the axis, beyond a share of the radius."""
    axis = np.subtract(whole.tip, whole.focus)
    rows, columns = np.indices(whole.picture.shape)
    place = (columns - whole.focus[0] + 1j * (rows - whole.focus[1])) / (axis[0] + 1j * axis[1])
    off = (np.angle(place, deg=True) > from_deg) & (np.angle(place, deg=True) < to_deg) & (np.abs(place) > beyond)
    return np.where(off, np.median(whole.picture[~whole.mask]), whole.picture).astype(whole.picture.dtype)


@pytest.mark.parametrize("sector", [(-5.0, 5.0), (2.0, 12.0), (-12.0, 0.0)])
@pytest.mark.parametrize("beyond", [0.7, 0.85])
def test_a_piece_broken_off_near_the_axis_is_told_and_the_count_stays(
    whole: Drawn, sector: tuple[float, float], beyond: float
) -> None:
    read = read_one(without_sector(whole, *sector, beyond))
    assert "damaged" in read.age.reasons
    assert read.age.annuli == 4


@pytest.mark.parametrize("share", [0.12, 0.3])
def test_a_bone_over_the_scans_edge_is_aged_with_a_reason(whole: Drawn, share: float) -> None:
    rows = np.flatnonzero(whole.mask.any(1))
    away_from_focus = whole.focus[1] > whole.tip[1]
    cut = int(share * len(rows))
    picture = whole.picture[rows[0] + cut :] if away_from_focus else whole.picture[: rows[-1] - cut]
    read = read_one(np.ascontiguousarray(picture), DPI)
    assert read.age.status == "aged"
    assert "cut-off" in read.age.reasons


def doubtful(lighting: float = 1.0, likeness: float = 1.0, cut_off: bool = False) -> Bone:
    nothing = np.zeros((4, 4), np.float32)
    return Bone(
        number=1, origin=(0.0, 0.0), grey=nothing, backing=nothing, mask=nothing > 0, outline=nothing[:, :2],
        dark_backing=True, lighting_probability=lighting, likeness=likeness, cut_off=cut_off,
    )  # fmt: skip


SOUND = dict.fromkeys(TRAITS, 0.0) | {"focus_certainty": 1.0, "likeness": 1.0, "coverage": 1.0}


@pytest.mark.parametrize(
    ("bone", "more", "reason"),
    [
        (doubtful(lighting=0.6), {}, "lighting-unsure"),
        (doubtful(likeness=0.3), {}, "no-bone"),
        (doubtful(cut_off=True), {}, "cut-off"),
        (doubtful(), {"focus_certainty": 0.05}, "focus-unsure"),
        (doubtful(), {"damaged_share": 0.5}, "damaged"),
        (doubtful(), {"sharpness_px": 30.0}, "blurred"),
    ],
)
def test_each_doubt_has_its_own_reason(bone: Bone, more: dict[str, float], reason: str) -> None:
    assert bone_reasons(bone, SOUND | more, SETTINGS) == (reason,)
    assert bone_reasons(doubtful(), SOUND, SETTINGS) == ()


def test_the_outline_that_is_kept_still_has_the_bones_shape(whole: Drawn) -> None:
    (reading,) = readings(whole.picture)
    assert len(reading.outline) < 2 * OUTLINE_POINTS
    area = float(cv2.contourArea(np.array(reading.outline, np.float32)))
    assert area == pytest.approx(np.count_nonzero(whole.mask), rel=0.03)
