"""Which bones a reader has before them: nothing tells blind checks and second readings from the others."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from pipeline.desk.work import differing, joint_name, work
from pipeline.records import Reading

BONES = tuple(f"B{n:03d}" for n in range(300))


def read(specimen: str, reader: str, annuli: int | None = 4, **more) -> Reading:
    return Reading(specimen=specimen, reader=reader, annuli=annuli, **more)


def test_a_bone_that_somebody_has_read_leaves_the_queue_of_nearly_all_others():
    readings = [read(b, "Ann") for b in BONES]
    mine = work("queue", "Ann", BONES, BONES, readings)
    others = work("queue", "Ben", BONES, BONES, readings)
    assert mine.to_do == ()
    assert set(mine.done) >= set(BONES) - set(others.to_do)
    assert 0.05 < len(others.to_do) / len(BONES) < 0.15  # about a tenth is read twice


def test_the_queue_keeps_its_order():
    assert work("queue", "Ann", BONES[::-1], BONES, []).to_do == BONES[::-1]


def test_second_readings_lie_among_the_others():
    queue, read_before = BONES[:100], BONES[100:]
    to_do = work("queue", "Ben", queue, BONES, [read(b, "Ann") for b in read_before]).to_do
    places = [n for n, b in enumerate(to_do) if b in read_before]
    assert len(places) > 5
    assert min(places) < len(to_do) / 3 < max(places)
    assert tuple(b for b in to_do if b in queue) == queue


@given(
    st.sampled_from(["queue", "second", "sample"]),
    st.lists(st.builds(read, st.sampled_from(BONES[:20]), st.sampled_from(["Ann", "Ben"])), max_size=30),
)
def test_no_bone_is_to_do_that_the_reader_has_read(kind, readings):
    found = work(kind, "Ann", BONES[:20], BONES[:20], readings)
    mine = {r.specimen for r in readings if r.reader == "Ann"}
    assert not mine & set(found.to_do)
    assert set(found.done) <= mine
    assert len(set(found.to_do)) == len(found.to_do)


def test_readers_differ_by_their_latest_answers_until_one_settles():
    apart = [read("B001", "Ann", 4), read("B001", "Ben", 5), read("B002", "Ann", 3), read("B002", "Ben", 3)]
    assert differing(apart) == ("B001",)
    assert differing([*apart, read("B001", "Ben", 4)]) == ()
    assert differing([*apart, read("B001", "Ann and Ben", 5, settles=True)]) == ()
    assert differing([read("B001", "Ann", 4), read("B001", "Ben", None)]) == ("B001",)


def test_two_readers_have_one_name_in_either_order():
    assert joint_name("ben", "Ann") == joint_name("Ann", "ben") == "Ann and ben"
