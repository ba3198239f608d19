"""An unseen first annulus is counted only where the run's own bones say that it is there."""

from __future__ import annotations

from array import array
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from reading import SETTINGS, read_natural
from whole_run import age_bones

from pipeline.bone.evidence import EVIDENCE
from pipeline.counting.chains import ChainBone
from pipeline.counting.count import Count
from pipeline.records import Age, Axis, BoneReading, Captured, Mark, Specimen
from pipeline.together.counted import CountedBone
from pipeline.together.first_year import Normal, expected_fraction, first_years, hidden_probability, lengths_taught
from pipeline.together.judge import judge

steady = settings(deadline=None, derandomize=True)
AUTUMN = Captured(year=2020, month=10, day=20)
ENOUGH = SETTINGS.count.first_year_bones
LITTLE, SOME = 0.05, 0.3  # doubt from the pixels


def bone(first_mm: float, second_mm: float, length_mm: float | None = 300.0, **row: str) -> CountedBone:
    """A bone whose first two marks lie where the fish was so long (Dahl 1907, Lea 1910: in proportion)."""
    whole = length_mm or 300.0
    fractions = np.array([first_mm, second_mm, 0.9 * whole]) / whole
    evidence = np.zeros((3, len(EVIDENCE)))
    marks = tuple(
        Mark(x=500 * f, y=0.0, radius_px=500 * f, fraction=f, evidence=array("d", e), arc=())
        for f, e in zip(fractions.tolist(), evidence, strict=True)
    )
    axis = Axis(focus=(0.0, 0.0), tip=(500.0, 0.0), certainty=0.9)
    reading = BoneReading(scan="a.png", number=1, outline=(), lighting="reflected", dpi=600.0, axis=axis, marks=marks)
    specimen = Specimen(**({"specimen": "a", "scan": "a.png", "species": "walleye", "water": "Sedge Lake"} | row),
                        length_mm=length_mm)  # fmt: skip
    count = Count(probability=np.eye(5)[3], mark_probability=np.full(3, 0.95), taken=(0, 1, 2))
    return CountedBone(specimen, reading, ChainBone(evidence, fractions, 500.0, 30), count)


def run(many: int, seed: int = 0, **row: str) -> list[CountedBone]:
    """A run whose fish were some 120 mm long at the first annulus and some 200 mm at the second."""
    random = np.random.default_rng(seed)
    return [bone(120 * s, 200 * s, **row) for s in np.exp(random.normal(0, 0.1, many))]


def doubts(bones: Sequence[CountedBone], doubt: float = LITTLE) -> list[float]:
    return [doubt] * len(bones)


def test_a_run_of_too_few_bones_teaches_nothing() -> None:
    few = run(int(ENOUGH) - 1)
    known = first_years([lengths_taught(few, doubts(few))], ENOUGH)
    assert known == {}
    odd = bone(200, 250)
    assert hidden_probability(odd, SOME, known) == SOME
    assert expected_fraction(odd, known) is None


def test_a_first_mark_at_the_place_of_the_others_second_hides_one() -> None:
    many = run(40)
    known = first_years([lengths_taught(many, doubts(many))], ENOUGH)
    assert hidden_probability(bone(200, 250), SOME, known) > 0.9
    assert hidden_probability(bone(120, 200), SOME, known) < 0.1
    assert expected_fraction(bone(200, 250), known) == pytest.approx(120 / 300, rel=0.1)


def test_a_quarter_of_bones_with_a_hidden_first_annulus_does_not_move_the_run() -> None:
    clear = run(30)
    mixed = clear + [bone(200 * s, 250 * s) for s in np.exp(np.random.default_rng(1).normal(0, 0.1, 10))]
    one, other = (
        first_years([lengths_taught(b, doubts(b))], ENOUGH)[("walleye", "sedge lake")] for b in (clear, mixed)
    )
    assert np.exp(other.first.mean) == pytest.approx(np.exp(one.first.mean), rel=0.12)
    assert hidden_probability(bone(200, 250), SOME, {("walleye", "sedge lake"): other}) > 0.5


def test_each_water_teaches_its_own_fish_and_the_species_those_of_other_waters() -> None:
    slow, fast = (
        run(20),
        [bone(180 * s, 260 * s, water="Orrin") for s in np.exp(np.random.default_rng(2).normal(0, 0.1, 20))],
    )
    known = first_years([lengths_taught([*slow, *fast], doubts([*slow, *fast]))], ENOUGH)
    assert expected_fraction(bone(150, 220, water="Orrin"), known) == pytest.approx(180 / 300, rel=0.1)
    assert expected_fraction(bone(150, 220), known) == pytest.approx(120 / 300, rel=0.1)
    elsewhere = expected_fraction(bone(150, 220, water="Third Lake"), known)
    assert elsewhere is not None
    assert 120 / 300 < elsewhere < 180 / 300


@pytest.mark.parametrize("unknown", [{"species": ""}, {"length_mm": None}])
def test_without_a_length_or_a_species_nothing_is_expected_anywhere(unknown: dict[str, object]) -> None:
    many = run(40)
    known = first_years([lengths_taught(many, doubts(many))], ENOUGH)
    odd = replace(bone(200, 250), specimen=replace(bone(200, 250).specimen, **unknown))  # type: ignore[arg-type]
    assert expected_fraction(odd, known) is None
    assert hidden_probability(odd, SOME, known) == SOME


def test_doubtful_first_marks_teach_nothing() -> None:
    many = run(40)
    assert first_years([lengths_taught(many, doubts(many, 0.8))], ENOUGH) == {}


@given(mean=st.floats(3, 7), spread=st.floats(0.08, 0.5), away=st.floats(-20, 20))
@steady
def test_no_fish_is_impossible(mean: float, spread: float, away: float) -> None:
    normal = Normal(mean, spread)
    assert np.isfinite(normal.log_density(mean + away))
    assert normal.log_density(mean) >= normal.log_density(mean + away)


# --------------------------------------------------------------------------------------------- through the second pass
def alone(annuli: int, species: str, length_mm: float | None) -> Age:
    """The only bone of a run."""
    _, read = read_natural(annuli, "fan")
    row = Specimen(specimen="a", scan="a.png", species=species, length_mm=length_mm, captured=AUTUMN)
    return age_bones([(row, read.reading)], SETTINGS)[0]


@pytest.mark.parametrize("species", ["walleye", "yellow perch", "pike", ""])
@pytest.mark.parametrize("length_mm", [None, 70.0, 190.0, 900.0])
def test_alone_in_a_run_nothing_unseen_is_counted_whatever_the_fish(species: str, length_mm: float | None) -> None:
    for annuli in (0, 1, 4):
        age = alone(annuli, species, length_mm)
        assert age.annuli == annuli
        assert not any(m.inferred for m in age.marks)


def test_neither_length_nor_species_nor_date_moves_what_is_seen_on_one_bone() -> None:
    counts = {alone(3, species, mm).annuli for species in ("walleye", "", "pike") for mm in (None, 90.0, 800.0)}
    assert counts == {3}


def test_the_bones_of_a_run_say_where_a_hidden_first_annulus_lies() -> None:
    """Twenty bones alike, and one of the same fish whose first annulus was taken away: it is counted, inferred, at the
    place where the others have theirs."""
    reading = read_natural(4, "fan")[1].reading
    first = read_natural(4, "fan")[1].age.marks
    counted = [m for m in first if m.counted]
    hidden = replace(reading, marks=tuple(m for m in reading.marks if m.fraction > counted[0].fraction + 0.02))
    rows = [
        Specimen(specimen=str(k), scan=f"{k}.png", species="walleye", water="Sedge Lake", length_mm=340.0)
        for k in range(21)
    ]
    ages = age_bones([*((row, reading) for row in rows[:20]), (rows[20], hidden)], SETTINGS)
    assert {a.annuli for a in ages[:20]} == {4}
    odd = ages[20]
    assert odd.annuli == 4
    assert odd.first_year == "ambiguous"
    assert "first-year" in odd.reasons
    (inferred,) = [m for m in odd.marks if m.inferred]
    assert inferred.number == 1
    assert inferred.fraction == pytest.approx(counted[0].fraction, abs=0.03)
    assert dict(odd.count_probabilities)[3] > 0


def test_shrinking_all_increments_after_the_first_adds_no_unseen_ring() -> None:
    reading = read_natural(5, "fan")[1].reading
    first = next(m.fraction for m in read_natural(5, "fan")[1].age.marks if m.counted)
    shrunk = tuple(
        replace(m, fraction=first + 0.6 * (m.fraction - first)) if m.fraction > first else m for m in reading.marks
    )
    for marks in (reading.marks, shrunk):
        (j,) = judge([(Specimen(specimen="a", scan="a.png"), replace(reading, marks=marks))], SETTINGS)
        assert not j.unseen.first_counted
        assert j.annuli <= 5
