"""Where first annuli lie in a run is told by its own bones, the more of them the more."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from reading import SETTINGS, read_natural

from pipeline.records import Age, Captured, Specimen
from pipeline.together.first_year import MOST_ASKED, asked, first_year_lengths
from pipeline.together.second_pass import age_bones, counted_bones

steady = settings(deadline=None, derandomize=True)
WORTH = 6.0  # bones that the settings' length counts for
lengths = st.floats(60, 300)
AUTUMN = Captured(year=2020, month=10, day=20)


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


def test_in_a_small_run_every_bone_is_asked() -> None:
    assert asked(["walleye", "perch"] * 30, [f"F{n}" for n in range(60)]) == list(range(60))


def test_in_a_large_run_so_many_of_each_species_whatever_the_order_and_the_others() -> None:
    names = [f"F{n}" for n in range(3 * MOST_ASKED)]
    groups = ["walleye" if n % 3 else "perch" for n in range(len(names))]
    some = asked(groups, names)
    told = {names[b] for b in some}
    assert [sum(groups[b] == species for b in some) for species in ("walleye", "perch")] == [MOST_ASKED, MOST_ASKED]
    turned = asked(groups[::-1], names[::-1])
    assert {names[::-1][b] for b in turned} == told
    walleye = [n for n, species in zip(names, groups, strict=True) if species == "walleye"]
    assert {walleye[b] for b in asked(["walleye"] * len(walleye), walleye)} == {n for n in told if n in set(walleye)}


def test_some_hundred_bones_tell_the_first_year_as_well_as_all() -> None:
    # The median of a normal sample errs by 1.253 standard deviations over the root of its size (from memory).
    names = [f"F{n}" for n in range(5000)]
    found = 140 * np.exp(np.random.default_rng(3).normal(0, 0.15, len(names)))
    some = asked(["walleye"] * len(names), names)
    whole, part = (told(["walleye"] * len(f), [150] * len(f), list(f), [1.0] * len(f))[0] for f in (found, found[some]))
    assert abs(np.log(part / whole)) < 3 * 1.253 * 0.15 / np.sqrt(MOST_ASKED)


# --------------------------------------------------------------------------------------------- through the second pass
def alone(annuli: int, species: str, length_mm: float | None) -> Age:
    """The only bone of a run."""
    _, read = read_natural(annuli, "fan")
    row = Specimen(specimen="a", scan="a.png", species=species, length_mm=length_mm, captured=AUTUMN)
    return age_bones([(row, read.reading)], SETTINGS)[0]


@pytest.mark.parametrize("species", ["walleye", "yellow perch", "sauger", "pike", ""])
@pytest.mark.parametrize("length_mm", [None, 70.0, 100.0, 130.0, 190.0])
def test_a_small_fish_of_one_year_alone_in_a_run_hides_nothing(species: str, length_mm: float | None) -> None:
    age = alone(1, species, length_mm)
    assert age.annuli == 1
    assert age.first_year == "clear"
    assert "first-year" not in age.reasons
    assert not any(m.inferred for m in age.marks)


@pytest.mark.parametrize("species", ["walleye", "sauger", "pike"])
def test_a_fish_before_its_first_winter_hides_nothing(species: str) -> None:
    age = alone(0, species, 80.0)
    assert age.annuli == 0
    assert age.first_year == "clear"
    assert age.marks == () or not any(m.counted for m in age.marks)


def test_the_bones_of_a_run_move_the_length_expected_of_each() -> None:
    _, read = read_natural(3, "fan")
    share = next(m.fraction for m in read.age.marks if m.counted)
    rows = [Specimen(specimen=str(k), scan=f"{k}.png", species="walleye", length_mm=300.0) for k in range(20)]
    one = counted_bones([(rows[0], read.reading)], SETTINGS)[0].first_year_mm
    many = counted_bones([(row, read.reading) for row in rows], SETTINGS)[0].first_year_mm
    shown = 300.0 * share  # the fish's length at its first annulus, in proportion (Dahl 1907, Lea 1910)
    told = SETTINGS.species_of("walleye").growth.first_year_length_mm
    assert abs(np.log(many / shown)) < abs(np.log(one / shown)) < abs(np.log(told / shown))


def test_several_species_and_waters_without_lengths_in_one_run_are_aged() -> None:
    kinds = [("walleye", "Sedge Lake"), ("yellow perch", "Sedge Lake"), ("sauger", ""), ("", "Orrin"), ("pike", "")]
    bones = []
    for k in range(15):
        species, water = kinds[k % 5]
        _, read = read_natural(1 + k % 3, "fan" if k % 2 else "round")
        row = Specimen(specimen=str(k), scan=f"{k}.png", species=species, water=water,
                       length_mm=None if k % 3 else 250.0, captured=AUTUMN if k % 4 else None)  # fmt: skip
        bones.append((row, read.reading))
    ages = age_bones(bones, SETTINGS)
    assert [a.annuli for a in ages] == [1 + k % 3 for k in range(15)]
    assert all(a.status == "aged" for a in ages)


def test_a_first_mark_far_out_in_a_large_fish_raises_doubt_that_a_small_fish_does_not() -> None:
    # Of a fish of 600 mm the first mark would be a growth of 420 mm in one year.
    small, large = alone(1, "yellow perch", 150.0), alone(1, "yellow perch", 600.0)
    assert small.first_year == "clear"
    assert large.first_year == "ambiguous" or "unlikely-growth" in large.reasons or "size-mismatch" in large.reasons
