"""Whose count is final: the rule, row by row, and the age class that goes with a person's count."""

from __future__ import annotations

import itertools

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.records import Age, Captured, FinalAge, Reading, Specimen
from pipeline.settings.files import read_settings
from pipeline.together.final_ages import agreed, final_age, readers_differ

SETTINGS = read_settings()
BONE = Specimen(specimen="B1", scan="a.png", species="walleye", captured=Captured(year=2020, month=8, day=20))
SEEN = Age(specimen="B1", status="aged", annuli=5, age_class=5, age_by_count=((4, 4), (5, 5), (6, 6)))


def read(reader: str, annuli: int | None, **more: object) -> Reading:
    return Reading(specimen="B1", reader=reader, annuli=annuli, **more)  # type: ignore[arg-type]


def final(*readings: Reading, age: Age = SEEN, bone: Specimen = BONE) -> FinalAge:
    return final_age(bone, age, readings, SETTINGS)


def test_without_a_reading_the_machine_s_count_is_final():
    assert final() == FinalAge(annuli=5, age_class=5, counted_by="machine")


def test_an_unreadable_bone_that_nobody_read_has_no_final_count():
    assert final(age=Age(specimen="B1", status="unreadable")) == FinalAge()


@pytest.mark.parametrize(
    ("counts", "whose", "annuli"),
    [
        ((6,), "A", 6),  # one reader's
        ((6, 6), "A;B", 6),
        ((6, 6, 7), "A;B", 6),  # the count most of them gave
        ((5, 6, 6, 7), "B;C", 6),
        ((5, 6, 8), "B", 6),  # else the median, if it is whole
        ((5, 7), "A;B", 6),
        ((None, 6), "B", 6),  # who could not age it has no say beside those who could
        ((None,), "A", None),
        ((None, None), "A;B", None),
    ],
)
def test_of_several_readers_the_commonest_count_is_final_else_the_median(counts, whose, annuli):
    found = final(*(read(name, n) for name, n in zip("ABCD", counts, strict=False)))
    assert (found.annuli, found.counted_by, found.differ) == (annuli, whose, False)


@pytest.mark.parametrize("counts", [(5, 6), (4, 5, 6, 7), (5, 5, 6, 6), (4, 4, 7, 7)])
def test_where_no_count_prevails_there_is_none_and_the_readers_differ(counts):
    readings = [read(name, n) for name, n in zip("ABCD", counts, strict=False)]
    assert final(*readings) == FinalAge(differ=True)
    assert readers_differ(readings)


def test_a_reading_that_settles_decides_whatever_others_say():
    readings = [read("A", 5), read("B", 6), read("A", 6, settles=True), read("C", 5)]
    assert (final(*readings).annuli, final(*readings).settled, readers_differ(readings)) == (6, True, False)
    assert final(*readings, read("B", None, settles=True)) == FinalAge(counted_by="B", settled=True)


def test_a_reader_has_one_voice_and_it_is_the_latest():
    assert final(read("A", 5), read("B", 6), read("A", 6)).annuli == 6
    first, second = read("A", 5, read_on="2024-03-01"), read("A", 6, read_on="2024-02-01")
    assert final(first, second).annuli == 5, "the day counts, not the order in which files were entered"


@given(st.lists(st.integers(0, 12), min_size=1, max_size=6))
def test_the_order_of_the_readers_does_not_matter_and_a_final_count_lies_among_theirs(counts):
    ways = {agreed(list(way)) for way in itertools.islice(itertools.permutations(counts), 20)}
    assert len(ways) == 1
    (count,) = ways
    assert count is None or min(counts) <= count <= max(counts)
    if all(n == counts[0] for n in counts):
        assert count == counts[0]


# ------------------------------------------------------------------------------------------------ the age class
def test_a_reader_s_own_age_class_goes_before_all():
    assert final(read("A", 6, age_class=7)).age_class == 7
    assert final(read("A", 6, age_class=7), read("B", 6)).age_class == 7


def test_date_and_margin_make_the_age_class_of_a_person_s_count():
    spring = Age(specimen="B1", status="aged", annuli=5, age_class=6, age_by_count=((5, 6), (6, 6)))
    assert final(read("A", 5), age=spring).age_class == 6, "wide margin in spring: an annulus is due"
    assert final(read("A", 6), age=spring).age_class == 6, "with the annulus at the margin counted, none is due"
    assert final(read("A", 8), age=spring).age_class == 8, "as with the nearest count that the machine thinks possible"


def test_where_the_machine_measured_nothing_the_date_alone_decides():
    # The 1 January birthday: common practice in freshwater ageing, no single source.
    lost = Age(specimen="B1", status="unreadable")
    assert final(read("A", 5), age=lost).age_class == 5
    february = Specimen(specimen="B1", scan="a.png", species="walleye", captured=Captured(year=2020, month=2, day=10))
    assert final(read("A", 5), age=lost, bone=february).age_class == 6
    assert final(read("A", 5), age=lost, bone=Specimen(specimen="B1", scan="a.png")).age_class is None
