"""The audit from readings and runs: who is compared with whom, and on which bones."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.audit.answers import RunAges
from pipeline.audit.reference import median, mode
from pipeline.audit.verdict import verdict
from pipeline.audit.whole import Audit, audit
from pipeline.errors import OpercleError
from pipeline.records import MACHINE, Reading

NAN = float("nan")


def readings(of: Mapping[str, Sequence[int | None]], day: str = "") -> list[Reading]:
    """Each reader's counts of bones b0, b1, ..."""
    return [
        Reading(specimen=f"b{i}", reader=who, annuli=n, read_on=day) for who, ns in of.items() for i, n in enumerate(ns)
    ]


def run(counts: Sequence[float], name: str = "run", **columns: Sequence[object]) -> RunAges:
    n = len(counts)
    given: dict[str, Sequence[object]] = {
        "specimen": [f"b{i}" for i in range(n)],
        "fish": [f"b{i}" for i in range(n)],
        "species": ["walleye"] * n,
        "water": ["Long Lake"] * n,
        "annuli": list(counts),
        "confidence": [0.9] * n,
        "review": [False] * n,
        **columns,
    }
    return RunAges(name=name, ages=pd.DataFrame(given))


def said(found: Audit, topic: str) -> str:
    return " ".join(s.text for s in verdict(found) if s.topic == topic)


def weight(found: Audit, topic: str) -> set[str]:
    return {s.weight for s in verdict(found) if s.topic == topic}


def noisy(seed: int, n: int, error: float = 0.2, shift: float = 0.0) -> tuple[list[int], list[int]]:
    rng = np.random.default_rng(seed)
    age = rng.integers(2, 12, n)
    wrong = rng.random(n) < error
    return age.tolist(), (age + wrong * np.where(rng.random(n) < 0.5 + shift / 2, 1, -1)).tolist()


# ------------------------------------------------------------------------------------------------ who and what
def test_every_pair_stands_once_and_the_machine_is_always_second():
    found = audit(readings({"zoe": [3, 4], "anna": [3, 5], "ben": [2, 4]}), [run([3.0, 4.0])], None)
    assert [(c.a, c.b) for c in found.pairs] == [
        ("anna", "ben"),
        ("anna", "zoe"),
        ("anna", MACHINE),
        ("ben", "zoe"),
        ("ben", MACHINE),
        ("zoe", MACHINE),
    ]


def test_the_earliest_reading_counts_and_later_ones_are_repeats():
    late, early = readings({"anna": [5, 5]}, "2026-05-02"), readings({"anna": [4, 5]}, "2026-03-01")
    found = audit([*late, *early, *readings({"ben": [4, 5]})], [], None)
    assert found.pairs[0].precision.exact.value == 1
    (repeats,) = found.repeats
    assert (repeats.reader, repeats.readings, repeats.change.value) == ("anna", 4, 0.5)


def test_without_days_the_order_of_the_rows_tells_which_reading_was_earliest():
    found = audit([*readings({"anna": [4]}), *readings({"anna": [6]}, "2020-01-01"), *readings({"ben": [4]})], [], None)
    assert found.pairs[0].precision.exact.value == 1


@given(st.permutations(["anna", "ben", "carla"]))
@settings(deadline=None, max_examples=6)
def test_relabelled_readers_change_no_figure(names):
    counts = [[3, 4, 7, 2, 10, 5], [3, 5, 9, 2, 8, 5], [3, 4, 8, 3, 9, 5]]
    given_names = audit(readings(dict(zip(names, counts, strict=True))), [], None)
    plain = audit(readings(dict(zip(["anna", "ben", "carla"], counts, strict=True))), [], None)
    assert given_names.all_people == plain.all_people
    for figure in ("ape", "cv", "exact"):
        one, other = (sorted(getattr(c.precision, figure).value for c in x.pairs) for x in (given_names, plain))
        assert one == pytest.approx(other)


# ------------------------------------------------------------------------------------------------ the reference
def test_a_consensus_is_a_count_that_readers_gave():
    counts = np.array([[3, 4, 4], [3, 4, 5], [3, 5, NAN], [3, 3, NAN], [6, NAN, NAN], [NAN, NAN, NAN]])
    np.testing.assert_array_equal(median(counts), [4, 4, NAN, 3, NAN, NAN])
    np.testing.assert_array_equal(mode(counts), [4, NAN, NAN, 3, NAN, NAN])


def test_nobody_agrees_with_their_own_answer():
    # Anna differs from the other two on every bone: held against a median with herself in it she would still be apart,
    # but ben, with anna, would have no median at all.
    found = audit(readings({"anna": [1, 1, 1], "ben": [4, 5, 6], "carla": [4, 5, 6]}), [], None)
    assert {g.comparison.b: g.comparison.n for g in found.against} == {"anna": 3, "ben": 0, "carla": 0}


def test_the_reference_can_be_one_reader_or_a_word():
    tables = readings({"anna": [3, 4, 5], "ben": [3, 4, 6], "carla": [3, 5, 6]})
    assert audit(tables, [run([3, 4, 5])], "ben").reference == "ben"
    assert audit(tables, [run([3, 4, 5])], "mode").reference == "mode of the readers"
    with pytest.raises(OpercleError, match="no readings by dora; the tables hold readings by anna, ben, carla"):
        audit(tables, [], "dora")
    with pytest.raises(OpercleError, match="cannot be its own reference"):
        audit(tables, [run([3, 4, 5])], MACHINE)


def test_groups_take_apart_what_the_run_tells_of_the_bones():
    found = audit(
        readings({"anna": [3, 4, 5, 6]}),
        [run([3, 4, 5, 5], water=["Long", "Long", "Stone", "Stone"], review=[False, False, True, True])],
        None,
    )
    assert found.machine is not None
    got = {(g.by, g.group): g.precision.exact.value for g in found.machine.groups}
    assert got[("water", "Long")] == 1
    assert got[("water", "Stone")] == 0.5
    assert got[("flag", "review")] == 0.5
    assert got[("age", "6")] == 0
    assert got[("species", "walleye")] == 0.75


def test_left_and_right_bone_of_a_fish_are_compared_by_side_not_by_order():
    ages = run([3, 4, 5, 5, 7], fish=["f", "f", "g", "g", "h"], side=["R", "L", "L", "R", "L"])
    found = audit(readings({"anna": [3, 3, 5, 6, 7]}), [ages], None)
    by_reader = {s.reader: s for s in found.sides}
    assert by_reader[MACHINE].precision.bones == 2
    assert by_reader[MACHINE].right_minus_left.value == -0.5
    assert by_reader["anna"].right_minus_left.value == 0.5


# ------------------------------------------------------------------------------------------------ the verdict
def test_a_machine_that_counts_short_is_said_to():
    age, _ = noisy(1, 200)
    short = [a - (i % 3 == 0) for i, a in enumerate(age)]
    found = audit(readings({"anna": age}), [run(short)], None)
    assert weight(found, "Bias") == {"bad"}
    assert "counts fewer" in said(found, "Bias")


def test_no_difference_found_is_never_called_agreement():
    age, machine = noisy(2, 150)
    found = audit(readings({"anna": age}), [run(machine)], None)
    assert weight(found, "Bias") == {"open"}
    assert "A bias inside the interval may be there" in said(found, "Bias")


def test_few_bones_are_told_but_not_judged():
    found = audit(readings({"anna": [3, 4, 5]}), [run([3, 4, 5])], None)
    assert weight(found, "Machine and readers") == {"open"}
    assert "too few bones to judge by" in said(found, "Machine and readers")


def test_a_machine_worse_than_people_is_said_to_be():
    rng = np.random.default_rng(3)
    age = rng.integers(2, 12, 200)
    people = {name: (age + (rng.random(200) < 0.1)).tolist() for name in ("anna", "ben")}
    found = audit(readings(people), [run((age + (rng.random(200) < 0.5)).tolist())], None)
    assert weight(found, "Beside people") == {"bad"}


def test_limits_are_undecided_where_the_interval_holds_them():
    age, machine = noisy(5, 60, error=0.2)
    assert "80 % exact is not decided" in said(
        audit(readings({"anna": age}), [run(machine)], None), "Machine and readers"
    )
    assert "80 % exact is met" in said(audit(readings({"anna": age}), [run(age)], None), "Machine and readers")


# ------------------------------------------------------------------------------------------------ odd tables
@pytest.mark.parametrize(
    ("tables", "runs", "words"),
    [
        ({}, [], "The tables hold no readings by people"),
        ({"anna": [3, 4]}, [], "All readings are by anna: agreement needs a second reader"),
        ({"anna": [3, 3, 3], "ben": [3, 3, 3]}, [], "anna gives the count 3 for every bone"),
        ({"anna": [None, None], "ben": [3, 4]}, [], "anna gives no count for any bone"),
        ({"Anna": [3, 4], "anna": [3, 4]}, [], "Anna and anna are taken as different readers"),
    ],
)
def test_odd_tables_are_called_odd(tables, runs, words):
    found = audit(readings(tables), runs, None)
    assert words in " ".join(found.answers.notes)
    verdict(found)


def test_readers_who_share_no_bone_are_each_held_against_the_machine():
    split = [Reading(specimen=f"b{i}", reader="anna" if i % 2 else "ben", annuli=3 + i % 4) for i in range(80)]
    found = audit(split, [run([3 + i % 4 for i in range(80)])], None)
    assert "--reference takes a single reader" in said(found, "Machine and readers")
    assert "anna 100.0 % (91.2 to 100.0) of 40 bones" in said(found, "Machine with each reader")


def test_readers_without_a_bone_in_common_are_told_apart_from_readers_who_agree():
    found = audit(
        [Reading(specimen="x", reader="anna", annuli=3), Reading(specimen="y", reader="ben", annuli=3)], [], None
    )
    assert said(found, "Readers among themselves") == "No two people counted the same bone, so they cannot be compared."
    assert "no bone that both" in found.pairs[0].notes[0]


def test_specimens_that_no_run_holds_are_listed():
    found = audit(readings({"anna": [3, 4, 5, 6]}), [run([3, 4])], None)
    assert found.answers.unknown == ("b2", "b3")
    assert found.machine is not None
    assert found.machine.comparison.n == 2


def test_runs_without_bones_or_counts_give_words_and_no_figures():
    empty = RunAges(name="run", ages=run([]).ages)
    assert "The run run holds no bones." in audit(readings({"anna": [3]}), [empty], None).answers.notes
    unread = audit(readings({"anna": [3, 4]}), [run([NAN, NAN], confidence=[NAN, NAN], review=[True, True])], None)
    assert unread.machine is None
    assert "the machine cannot be judged" in said(unread, "Machine and readers")
