"""Good and poor years, and bones that are out of step with them, on drawn fish whose years are known."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.fish_records import Fish, FishMarks
from pipeline.growth.increments import GrowthHistory, by_year_of_life, histories
from pipeline.growth.suspects import suspects
from pipeline.growth.year_effects import chronology
from pipeline.records import Captured

YEARS = np.random.default_rng(9).normal(0, 0.25, 30)
YEARS -= YEARS[10:22].mean()


def grown(random: np.random.Generator, name: str, noise: float = 0.12, age: int | None = None) -> Fish:
    """A fish hatched from 2005 on, whose increments follow `YEARS` from 1995 on."""
    age = age or int(random.integers(4, 12))
    caught = int(random.integers(2016, 2019))
    life = np.arange(age + 1)
    increments = 150 * np.exp(
        -0.2 * life + YEARS[caught - age + life - 1995] + random.normal(0, 0.1) + random.normal(0, noise, age + 1)
    )
    return fish(name, np.cumsum(increments[:age]), float(increments[:age].sum() + 0.5 * increments[age]), caught)


def fish(name: str, marks: np.ndarray, length: float, caught: int) -> Fish:
    shares = FishMarks(specimen=name, radius_mm=None, fractions=tuple((marks / length).tolist()))
    return Fish(
        fish=name,
        species="walleye",
        water="a",
        age_class=marks.size,
        length_mm=length,
        captured=Captured(year=caught, month=9),
        marks=shares,
    )


def all_grown(n: int, seed: int = 1, **kinds: float) -> tuple[GrowthHistory, ...]:
    random = np.random.default_rng(seed)
    return histories([grown(random, f"F{i}", **kinds) for i in range(n)])[0]


def test_the_increment_before_the_last_annulus_grew_in_the_year_before_capture():
    # Caught in spring before the new annulus shows, a fish of 4 annuli is 5 years old: its 4th grew two years before.
    autumn = fish("A", np.array([100.0, 180, 240, 280]), 300.0, 2018)
    spring = Fish(
        **{name: getattr(autumn, name) for name in ("species", "water", "length_mm", "captured", "marks")},
        fish="S",
        age_class=5,
    )
    (a, s), _ = histories([autumn, spring])
    assert a.years == (2014, 2015, 2016, 2017)
    assert s.years == (2013, 2014, 2015, 2016)
    assert a.increments_mm == pytest.approx([100, 80, 60, 40])


def test_two_annuli_at_one_place_are_told_and_left_out():
    (_, doubled) = histories([fish("A", np.array([100.0, 180, 180]), 300.0, 2018)])
    assert doubled == ("A",)


def test_good_and_poor_years_are_found_as_they_were_drawn():
    found = chronology("walleye", "a", all_grown(200))
    years = {y.year: y for y in found.years if y.fish >= 20}
    drawn = np.array([YEARS[year - 1995] for year in years])
    effect = np.array([y.effect.value for y in years.values()])
    assert np.corrcoef(drawn, effect)[0, 1] > 0.97
    assert found.sd_within_fish == pytest.approx(0.12, rel=0.1)
    assert found.sd_between_fish == pytest.approx(0.1, rel=0.25)


def test_the_years_told_add_up_to_nought():
    found = chronology("walleye", "a", all_grown(60))
    assert sum(found.effects.values()) == pytest.approx(0, abs=1e-8)


def test_a_year_that_four_fish_have_lived_through_is_left_out():
    found = chronology("walleye", "a", all_grown(60))
    assert min(y.fish for y in found.years) >= 5


def test_fish_of_one_year_class_cannot_tell_years_from_ages():
    random = np.random.default_rng(3)
    same = [fish(f"F{i}", np.cumsum(random.uniform(40, 60, 8)), 450.0, 2018) for i in range(40)]
    assert "year classes" in chronology("walleye", "a", histories(same)[0]).refused


def test_nineteen_fish_have_no_good_and_poor_years():
    assert "19 fish" in chronology("walleye", "a", all_grown(19)).refused


def test_a_bone_whose_last_annulus_was_missed_is_out_of_step():
    random = np.random.default_rng(4)
    right = [grown(random, f"F{i}") for i in range(120)]
    old = [i for i, f in enumerate(right) if f.age_class and f.age_class >= 8][:4]
    found_in = {}
    for i in old:
        whole = right[i]
        marks = np.array(whole.marks.fractions) * whole.length_mm
        right[i] = fish(whole.fish, marks[:-1], whole.length_mm, whole.captured.year)
        found_in[whole.fish] = marks.size
    ages, _ = histories(right)
    found = {s.grown.fish.fish: s for s in suspects(ages, chronology("walleye", "a", ages))}
    assert len(set(found) & set(found_in)) >= 3
    for name in set(found) & set(found_in):
        assert found[name].other.annuli == found_in[name]
    assert len(found.keys() - found_in.keys()) <= 5


def test_without_years_nobody_is_a_suspect():
    few = all_grown(10)
    assert suspects(few, chronology("walleye", "a", few)) == ()


def test_mean_increments_fall_with_the_year_of_life_and_name_their_number():
    rows = by_year_of_life(all_grown(100))
    assert rows[0].n == 100
    assert rows[0].mean.value > rows[3].mean.value > rows[7].mean.value
