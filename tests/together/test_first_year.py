"""Where first annuli lie in a run is told by its own bones, the more of them the more."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.together.first_year import first_year_lengths

steady = settings(deadline=None, derandomize=True)
WORTH = 6.0  # bones that the settings' length counts for
lengths = st.floats(60, 300)


def told(groups: list[str], expected: list[float], found: list[float], sure: list[float]) -> list[float]:
    arrays = (np.array(x, float) for x in (expected, found, sure))
    return [float(v) for v in first_year_lengths(groups, *arrays, WORTH)]


def test_without_bones_of_known_length_the_settings_hold() -> None:
    assert told(["walleye"] * 2, [150, 150], [np.nan, 90], [1.0, 0.0]) == [150, 150]
    assert told([], [], [], []) == []


@given(expected=lengths, found=lengths, bones=st.integers(1, 40))
@steady
def test_as_many_bones_as_the_settings_are_worth_weigh_as_much_as_they(
    expected: float, found: float, bones: int
) -> None:
    (length,) = set(told(["perch"] * bones, [expected] * bones, [found] * bones, [1.0] * bones))
    # By hand: the geometric mean of `WORTH` times the one and `bones` times the other.
    assert length == pytest.approx(expected ** (WORTH / (WORTH + bones)) * found ** (bones / (WORTH + bones)))


@given(st.lists(st.tuples(lengths, st.floats(0, 1)), min_size=1, max_size=12), lengths)
@steady
def test_the_length_told_lies_between_the_settings_and_what_the_bones_show(
    bones: list[tuple[float, float]], expected: float
) -> None:
    found, sure = [b[0] for b in bones], [b[1] for b in bones]
    length = told(["sauger"] * len(bones), [expected] * len(bones), found, sure)[0]
    assert min(expected, *found) * (1 - 1e-9) <= length <= max(expected, *found) * (1 + 1e-9)


def test_bones_whose_second_annulus_was_taken_for_the_first_do_not_move_the_run() -> None:
    # A third of the bones hide their first annulus: the median asks the other two thirds.
    clear = told(["walleye"] * 30, [150] * 30, [140] * 30, [1.0] * 30)
    mixed = told(["walleye"] * 30, [150] * 30, [140] * 20 + [250] * 10, [1.0] * 30)
    assert mixed == pytest.approx(clear)


def test_a_bone_counts_for_as_much_as_it_is_sure() -> None:
    sure = told(["walleye"] * 3, [150] * 3, [120, 120, 120], [1.0] * 3)[0]
    unsure = told(["walleye"] * 3, [150] * 3, [120, 120, 120], [0.2] * 3)[0]
    assert 120 < sure < unsure < 150


def test_each_species_has_first_years_of_its_own_whatever_the_order_of_the_bones() -> None:
    groups, expected = ["walleye", "perch", "walleye", "perch"], [150.0, 80.0, 150.0, 80.0]
    found = [130.0, 90.0, 135.0, 95.0]
    length = told(groups, expected, found, [1.0] * 4)
    assert length[0] == length[2] < 150
    assert length[1] == length[3] > 80
    assert told(groups[::-1], expected[::-1], found[::-1], [1.0] * 4) == pytest.approx(length[::-1])
    assert told(groups[::2], expected[::2], found[::2], [1.0] * 2) == pytest.approx(length[::2])
