"""Before a reader has answered, nothing of what the machine or other readers found reaches the page, by any way."""

from __future__ import annotations

import json
from dataclasses import replace

from desk.runs import page, post_of
from hypothesis import given
from hypothesis import strategies as st

from pipeline.codes import REASONS
from pipeline.desk.shown import PLACES, DeskBone, shown, shown_jointly
from pipeline.records import Age, AgedMark, Axis, BoneReading, Reading, Specimen
from pipeline.run.ledger import Ledger
from pipeline.run.ledger_desk import Act

BONE = DeskBone(
    specimen=Specimen(specimen="W-1", scan="a.tif", fish="W-1", species="walleye", water="Heron Lake"),
    age=Age(specimen="W-1", status="aged", annuli=4, annuli_low=4, annuli_high=5, confidence=0.81),
    reading=BoneReading(
        scan="a.tif", number=1, outline=(), lighting="reflected", dpi=600.0,
        axis=Axis(focus=(10.0, 10.0), tip=(400.0, 300.0), certainty=0.9),
    ),
    readings=(), acts=(), outline=((0.0, 0.0),), sign="abc", sharp=True,
)  # fmt: skip


def reading(reader: str, annuli: int | None, **more) -> Reading:
    return Reading(specimen="W-1", reader=reader, annuli=annuli, **more)


def act(reader: str, mark: int, x: float) -> Act:
    return Act(key=f"{reader}{mark}", specimen="W-1", reader=reader, act="place", mark=mark, x=x, y=x)


marks = st.builds(
    AgedMark, x=st.floats(0, 500), y=st.floats(0, 500), radius_px=st.floats(1, 500), fraction=st.floats(0, 1),
    probability=st.floats(0, 1), counted=st.booleans(), inferred=st.booleans(), number=st.none() | st.integers(1, 9),
)  # fmt: skip
ages = st.builds(
    Age, specimen=st.just("W-1"), status=st.sampled_from(["aged", "unreadable"]),
    annuli=st.none() | st.integers(0, 20), annuli_low=st.integers(0, 20), annuli_high=st.integers(0, 20),
    confidence=st.floats(0, 1), edge=st.sampled_from(["", "narrow", "wide"]), age_class=st.integers(0, 20),
    marks=st.lists(marks, max_size=5).map(tuple),
    reasons=st.lists(st.sampled_from([c for c in REASONS if c not in PLACES]), max_size=4).map(tuple),
)  # fmt: skip


@given(
    ages,
    st.floats(50, 900),
    st.lists(st.builds(reading, st.sampled_from(["Ben", "Cleo"]), st.none() | st.integers(0, 20)), max_size=4),
    st.lists(st.builds(act, st.sampled_from(["Ben", "Cleo"]), st.integers(1, 5), st.floats(0, 400)), max_size=4),
)
def test_whatever_machine_and_others_found_the_page_is_given_the_same(age, length, readings, acts):
    found = replace(
        BONE,
        age=age,
        specimen=replace(BONE.specimen, length_mm=length),
        readings=tuple(readings),
        acts=tuple(acts),
    )
    assert shown(found, "Ann") == shown(BONE, "Ann")


def test_a_reason_that_names_a_place_says_where_to_look_and_nothing_else():
    for code in REASONS:
        flagged = replace(BONE, age=replace(BONE.age, reasons=(code,)))
        more = shown(flagged, "Ann")["look"]
        assert more == ([PLACES[code]] if code in PLACES else [])
        assert not any(character.isdigit() for words in more for character in words)


def test_after_the_answer_all_is_shown():
    answered = replace(
        BONE,
        specimen=replace(BONE.specimen, length_mm=412.0),
        readings=(reading("Ben", 6), reading("Ann", 5)),
        acts=(act("Ben", 1, 40.0),),
    )
    after = shown(answered, "Ann")["after"]
    assert (after["annuli"], after["confidence"], after["length_mm"]) == (4, 0.81, 412.0)
    assert [(o["reader"], o["annuli"], o["marks"]) for o in after["others"]] == [("Ben", 6, [(40.0, 40.0)])]


def test_a_reader_under_another_name_sees_no_more():
    answered = replace(BONE, readings=(reading("Ann", 5),))
    assert "after" not in shown(answered, "Anna")


def test_two_readers_see_each_others_counts_only_when_both_have_answered_and_the_machines_once_they_have_settled():
    both = replace(BONE, readings=(reading("Ann", 5), reading("Ben", 6)))
    assert shown_jointly(replace(BONE, readings=both.readings[:1]), ("Ann", "Ben"), "Ann and Ben") is None
    seen = shown_jointly(both, ("Ann", "Ben"), "Ann and Ben")
    assert [(b["reader"], b["annuli"]) for b in seen["both"]] == [("Ann", 5), ("Ben", 6)]
    assert "after" not in seen
    settled = replace(both, readings=(*both.readings, reading("Ann and Ben", 5, settles=True)))
    after = shown_jointly(settled, ("Ann", "Ben"), "Ann and Ben")["after"]
    assert after["annuli"] == 4
    assert after["others"] == []  # both answers stand there already


def test_no_answer_of_the_server_holds_what_is_hidden(client, run):
    specimen = "F00007L"
    body = post_of(client, specimen, "Ben", 7, annuli=17, note="counted by Ben seventeen")
    assert client.post("/api/answer", content=json.dumps(body), headers=page(client)).status_code == 200
    with Ledger(run) as ledger:
        age = ledger.ages.one(specimen).age
        length = ledger.ages.one(specimen).specimen.length_mm
    hidden = ["seventeen", "Ben", f"{age.confidence:.4f}"[:6], f"{length:g}", *age.reasons, "confidence"]
    hidden += [f"{m.x:.2f}"[:6] for m in age.marks]
    asked = ("/", "/desk.js", "/api/run", "/api/find?text=F0", "/readings.csv?reader=Ann", "/corrections.csv")
    asked += tuple(f"/api/work?reader=Ann&kind={kind}" for kind in ("queue", "second", "sample", "joint"))
    texts = {a: client.get(a).text for a in (*asked, f"/api/bone?specimen={specimen}&reader=Ann")}
    data = {a: text for a, text in texts.items() if not a.startswith(("/desk.js",)) and a != "/"}
    assert [(a, word) for a, text in data.items() for word in hidden if word in text] == []
    assert client.get(f"/api/bone?specimen={specimen}&reader=Ann&with=Ben").status_code == 404
