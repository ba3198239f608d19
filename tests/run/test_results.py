"""The tables say what the records say, in the columns that scripts outside rely on."""

from __future__ import annotations

import csv
import io

import pytest

from pipeline.records import Age, AgedMark, Axis, BoneReading, Captured, FinalAge, Refusal, Specimen
from pipeline.run.changes import changes
from pipeline.run.ledger_ages import AgedBone, Change
from pipeline.run.results import TABLES, Result, given_names, write_tables

AGES_HEADER = (
    "specimen,scan,bone,fish,species,water,captured,length_mm,status,annuli,annuli_low,annuli_high,confidence,edge,"
    "age_class,year_class,first_year,review,reasons,notices,final_annuli,final_age_class,counted_by,lighting,dpi,"
    "radius_px,radius_mm,focus_x,focus_y,axis_x,axis_y"
)
MARK = AgedMark(x=1.0, y=2.0, radius_px=254.0, fraction=0.5, probability=0.75, counted=True, inferred=False, number=1)


def result(**more) -> Result:
    specimen = Specimen(
        specimen="00123", scan="a/b.png", bone=2, fish="F", captured=Captured(year=2020, month=5),
        length_mm=412.0, written=(("length_mm", "412,0"), ("boat", "=1+1"), ("status", "wet")),
    )  # fmt: skip
    reading = BoneReading(
        scan="a/b.png", number=2, outline=(), lighting="reflected", dpi=508.0,
        axis=Axis(focus=(0.0, 0.0), tip=(300.0, 400.0), certainty=1.0),
    )  # fmt: skip
    age = Age(
        specimen="00123", status="aged", annuli=3, annuli_low=3, annuli_high=4, confidence=0.87654, edge="wide",
        age_class=4, year_class=2016, first_year="clear", reasons=("first-year", "blurred"),
        count_probabilities=((3, 0.87654), (4, 0.12346)), age_probabilities=((4, 1.0),), marks=(MARK,),
    )  # fmt: skip
    return Result(**{"specimen": specimen, "reading": reading, "age": age} | more)


@pytest.fixture
def tables(tmp_path):
    def written(*results, extra=("boat", "status"), refusals=(), told=()):
        assert tuple(write_tables(tmp_path, [(results, ()), ((), told)], extra, refusals, ())) == TABLES
        texts = {p.stem: io.StringIO(p.read_text(encoding="utf-8")) for p in tmp_path.glob("*.csv")}
        return {name: list(csv.DictReader(text)) for name, text in texts.items()}

    return written


def test_the_fixed_columns_come_first_and_the_tables_own_after_them(tables, tmp_path):
    row = tables(result())["ages"][0]
    assert (tmp_path / "ages.csv").read_text().splitlines()[
        0
    ] == f"{AGES_HEADER},annuli_seen,age_class_probability,boat,given_status"
    assert (row["specimen"], row["length_mm"], row["captured"]) == ("00123", "412,0", "2020-05")
    assert (row["boat"], row["given_status"], row["status"]) == ("'=1+1", "wet", "aged")
    assert (row["radius_px"], row["radius_mm"]) == ("500.00", "25.000")
    assert (row["review"], row["reasons"]) == ("true", "first-year;blurred")


def test_a_bone_that_is_not_there_has_blanks_and_needs_a_person(tables):
    age = Age(specimen="00123", status="unreadable", reasons=("missing-bone",))
    row = tables(result(age=age, reading=None))["ages"][0]
    assert [row[c] for c in ("annuli", "confidence", "radius_px", "focus_x", "counted_by", "dpi")] == [""] * 6
    assert (row["status"], row["review"]) == ("unreadable", "true")


def test_a_persons_reading_is_final_and_the_machines_stays_beside_it(tables):
    row = tables(result(final=FinalAge(annuli=5, age_class=6, counted_by="Ann")))["ages"][0]
    assert (row["annuli"], row["final_annuli"], row["final_age_class"], row["counted_by"]) == ("3", "5", "6", "Ann")


def test_a_person_who_could_not_age_the_bone_leaves_the_final_count_blank(tables):
    row = tables(result(final=FinalAge(counted_by="Ann")))["ages"][0]
    assert (row["final_annuli"], row["final_age_class"], row["counted_by"]) == ("", "", "Ann")


def test_probabilities_have_a_table_each_and_agree_with_the_confidence(tables):
    written = tables(result())
    assert written["count_probabilities"] == [
        {"specimen": "00123", "annuli": "3", "probability": "0.8765"},
        {"specimen": "00123", "annuli": "4", "probability": "0.1235"},
    ]
    assert written["ages"][0]["confidence"] == "0.8765"
    assert written["age_probabilities"] == [{"specimen": "00123", "age_class": "4", "probability": "1.0000"}]


def test_marks_refusals_and_changes_have_a_row_each(tables):
    refusal = Refusal(scan="c.png", stage="file", code="truncated", detail="ends early")
    change = Change(call=2, specimen="00123", column="annuli", old="3", new="4", cause="settings")
    written = tables(result(), refusals=[refusal], told=[change])
    assert [(m["number"], m["radius_mm"], m["counted"], m["inferred"]) for m in written["annuli"]] == [
        ("1", "12.700", "true", "false")
    ]
    assert written["refused"] == [{"scan": "c.png", "reason": "truncated", "detail": "ends early"}]
    assert written["changes"] == [
        {"specimen": "00123", "column": "annuli", "old": "3", "new": "4", "cause": "settings", "call": "2"}
    ]


def test_names_of_own_columns_never_meet_ours_or_each_other():
    assert given_names(["status", "given_status", "boat"]) == ("given_status", "given_given_status", "boat")


def aged(annuli: int, **sources: str) -> AgedBone:
    r = result()
    digests = {"bone": "1", "row": "1", "settings": "1", "code": "1", "people": "1"} | sources
    return AgedBone(
        specimen=r.specimen, age=Age(specimen="00123", status="aged", annuli=annuli), final=FinalAge(), sources=digests
    )


@pytest.mark.parametrize(
    ("sources", "cause"),
    [
        ({}, "other bones of the run change what is expected of this one"),
        ({"bone": "2"}, "the scan's file changed"),
        ({"row": "2"}, "another row in the table of specimens, or a correction"),
        ({"settings": "2", "code": "2"}, "other settings; another version of opercle"),
    ],
)
def test_a_change_names_its_cause(sources, cause):
    (change,) = changes([aged(3)], [aged(4, **sources)], {"a/b.png": "file"}, 2)
    assert change == Change(call=2, specimen="00123", column="annuli", old="3", new="4", cause=cause)


def test_a_bone_seen_for_the_first_time_is_no_change():
    assert list(changes([], [aged(4)], {}, 2)) == []
