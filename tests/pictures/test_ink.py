"""Colours stay apart for every kind of colour vision; places are spread fairly."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray
from skimage.color import deltaE_ciede2000, rgb2lab

from pipeline.pictures import ink
from pipeline.run import preloaded  # noqa: F401  (what every process that draws has imported)

# Full dichromacy in linear RGB: Machado, Oliveira and Fernandes 2009, "A physiologically-based model for simulation of
# color vision deficiency", IEEE TVCG 15(6), table of severity 1.0.
VISION = {
    "usual": np.eye(3),
    "protanopia": np.array(
        [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]]
    ),
    "deuteranopia": np.array(
        [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]]
    ),
    "tritanopia": np.array(
        [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]]
    ),
    # No colour at all: luminance weights of ITU-R BT.709.
    "achromatopsia": np.tile([0.2126, 0.7152, 0.0722], (3, 1)),
}
# CIEDE2000; two colours 10 apart are told apart at a glance (common practice, no source).
APART = 10.0


def seen(colour: tuple[int, int, int], kind: str) -> NDArray[np.float64]:
    """The colour in CIELAB as that kind of vision sees it."""
    value = np.asarray(colour) / 255
    linear = np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4)
    linear = np.clip(VISION[kind] @ linear, 0, 1)
    shown = np.where(linear <= 0.0031308, linear * 12.92, 1.055 * linear ** (1 / 2.4) - 0.055)
    return np.asarray(rgb2lab(shown[None, None])[0, 0])


@pytest.mark.parametrize("kind", [k for k in VISION if k != "achromatopsia"])
def test_the_classes_of_mark_stay_apart(kind: str) -> None:
    classes = (ink.COUNTED, ink.INFERRED, ink.REJECTED, ink.DOUBT, ink.OUTLINE)
    for one, other in combinations(classes, 2):
        assert deltaE_ciede2000(seen(one, kind), seen(other, kind)) > APART


@pytest.mark.parametrize("kind", VISION)
def test_counted_marks_and_doubts_differ_without_any_colour(kind: str) -> None:
    assert seen(ink.COUNTED, kind)[0] - seen(ink.DOUBT, kind)[0] > 25
    for colour in (ink.COUNTED, ink.INFERRED, ink.REJECTED, ink.AXIS):
        assert seen(colour, kind)[0] - seen(ink.HALO, kind)[0] > 50, "every stroke stands out from its halo"


@given(st.lists(st.floats(0, 500), min_size=1, max_size=30), st.floats(1, 40))
def test_spread_places_keep_order_distance_and_bounds(wanted: list[float], apart: float) -> None:
    wanted = sorted(wanted)
    places = ink.spread(wanted, apart, -20.0, 520.0)
    held = min(apart, 540 / max(len(wanted) - 1, 1))
    assert np.all(np.diff(places) >= held - 1e-6)
    assert places[0] >= -20 - 1e-6
    assert places[-1] <= 520 + 1e-6


def test_places_that_fit_are_left_alone() -> None:
    assert np.allclose(ink.spread([10, 40, 90], 20, 0, 100), [10, 40, 90])
    assert np.allclose(ink.spread([50, 50], 20, 0, 100), [40, 60]), "each gives way by as much as the other"
    assert len(ink.spread([], 20, 0, 100)) == 0


def test_dashes_cover_their_share_of_a_line() -> None:
    line = np.array([[0.0, 0.0], [60.0, 0.0], [60.0, 30.0]])
    cuts = ink.pieces(line, 6, 4)
    assert sum(ink.lengths(cut)[-1] for cut in cuts) == pytest.approx(54)
    assert ink.pieces(line[:1], 6, 4) == []
