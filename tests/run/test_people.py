"""Readings and corrections into a run: row by row, append only, nothing twice."""

from __future__ import annotations

from pathlib import Path

import pytest
from drafted import store_ages
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline.records import Age, FinalAge, Specimen
from pipeline.run.ledger import Ledger
from pipeline.run.ledger_ages import AgedBone
from pipeline.run.ledger_scans import KnownScan
from pipeline.run.people import Entered, enter
from pipeline.tables.entries import read_entries

SPECIMENS = ("B1", "B2", "Perch-17")


def aged(specimen: str, bone: int) -> AgedBone:
    row = Specimen(specimen=specimen, scan="a.png", bone=bone, fish=specimen)
    return AgedBone(
        specimen=row, age=Age(specimen=specimen, status="aged", annuli=3, confidence=0.9), final=FinalAge(), sources={}
    )


@pytest.fixture
def ledger(tmp_path):
    with Ledger(tmp_path, create=True) as opened:
        store_ages(opened, [aged(s, n) for n, s in enumerate(SPECIMENS, 1)])
        opened.scans.store(
            KnownScan(
                scan="a.png", path="a.png", size=1, mtime_ns=1, sha256="", settings="", code="", hints="", cause="new",
                width=400, height=300,
            ),
            [],
        )  # fmt: skip
        yield opened


def entered(ledger: Ledger, folder: Path, text: str, name: str = "readings.csv") -> Entered:
    (folder / name).write_text(text, encoding="utf-8")
    return enter(ledger, name, read_entries(folder / name), "2026-11-26")


def counts(ledger: Ledger) -> list[tuple[str, str, int | None]]:
    return [(r.specimen, r.reader, r.annuli) for r in ledger.people.readings()]


READINGS = "specimen,reader,annuli,read_on,note\nB1,Ann,3,2024-02-01,\nB2,Ann,,2024-02-01,chalky\nB1,Bo,4,,\n"


def test_readings_are_taken_and_the_same_file_again_adds_nothing(ledger, tmp_path):
    first = entered(ledger, tmp_path, READINGS)
    assert (first.taken, first.not_aged, first.known, first.refused) == (3, 1, (), ())
    again = entered(ledger, tmp_path, READINGS)
    assert (again.taken, again.known, again.refused) == (0, (2, 3, 4), ())
    assert counts(ledger) == [("B1", "Ann", 3), ("B2", "Ann", None), ("B1", "Bo", 4)]


def test_a_longer_table_adds_its_new_rows_alone(ledger, tmp_path):
    entered(ledger, tmp_path, READINGS)
    assert entered(ledger, tmp_path, f"{READINGS}B2,Bo,5,,\n").taken == 1
    assert counts(ledger)[-1] == ("B2", "Bo", 5)


def test_a_note_written_later_makes_no_second_reading_but_another_day_does(ledger, tmp_path):
    entered(ledger, tmp_path, READINGS)
    assert entered(ledger, tmp_path, READINGS.replace("chalky", "very chalky")).taken == 0
    assert entered(ledger, tmp_path, READINGS.replace("2024-02-01", "2024-03-01")).taken == 2


def test_equal_rows_of_one_table_are_repeat_readings(ledger, tmp_path):
    twice = "specimen,reader,annuli\nB1,Ann,3\nB1,Ann,3\n"
    assert entered(ledger, tmp_path, twice).taken == 2
    assert entered(ledger, tmp_path, twice).taken == 0
    assert counts(ledger) == [("B1", "Ann", 3)] * 2


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.tuples(st.sampled_from(SPECIMENS), st.sampled_from("AB"), st.integers(0, 3)), max_size=6))
def test_whatever_a_table_holds_given_twice_it_adds_nothing(tmp_path_factory, rows):
    folder = tmp_path_factory.mktemp("run")
    text = "specimen,reader,annuli\n" + "".join(f"{s},{r},{n}\n" for s, r, n in [*rows, ("B1", "Ann", 1)])
    with Ledger(folder, create=True) as ledger:
        store_ages(ledger, [aged(s, n) for n, s in enumerate(SPECIMENS, 1)])
        assert entered(ledger, folder, text).taken == len(rows) + 1
        assert entered(ledger, folder, text).taken == 0
        assert len(counts(ledger)) == len(rows) + 1


def test_a_row_that_cannot_be_taken_is_refused_with_its_cure_and_the_others_are_kept(ledger, tmp_path):
    found = entered(ledger, tmp_path, "specimen,reader,annuli\nB1,Ann,x\nperch-71,Ann,3\nQQQ,Ann,3\nB2,Ann,4\nB1,Ann\n")
    assert found.taken == 1
    assert [line.split(": ")[0] for line in found.refused] == [f"readings.csv, row {n}" for n in (2, 3, 4, 6)]
    x, near, unknown, torn = found.refused
    assert "whole number" in x
    assert "did you mean Perch-17?" in near
    assert "as it stands in ages.csv" in unknown
    assert "2 cells" in torn


def test_rows_of_a_sheet_that_are_not_filled_in_are_counted_and_left_alone(ledger, tmp_path):
    found = entered(ledger, tmp_path, "specimen,reader,annuli,edge\nB1,,,\nB2,Ann,3,\n")
    assert (found.taken, found.blank, found.refused) == (1, 1, ())


# ------------------------------------------------------------------------------------------------ corrections
PLACES = "specimen,focus_x,focus_y,axis_x,axis_y,reader,note\n"


def test_a_correction_goes_to_the_bone_of_its_specimen_and_the_same_file_again_adds_nothing(ledger, tmp_path):
    text = f"{PLACES}B2,10,20.5,300,200,Ann,nick\n"
    assert entered(ledger, tmp_path, text).corrections == 1
    assert entered(ledger, tmp_path, text).known == (2,)
    (held,) = ledger.people.all_corrections()
    assert (held.scan, held.bone, held.focus, held.tip) == ("a.png", 2, (10.0, 20.5), (300.0, 200.0))
    assert (held.reader, held.note, held.made_on) == ("Ann", "nick", "2026-11-26")


@pytest.mark.parametrize(
    ("row", "says"),
    [
        ("B1,10,20,400,200,,", "axis_x 400 lies outside the scan, which is 400 by 300 pixels"),
        ("B1,10,300,300,200,,", "focus_y 300 lies outside"),
        ("B1,-5,20,300,200,,", "between 0 and"),
        ("B1,10,,300,200,,", "without focus_y"),
        ("B1,10,20,10,20,,", "at one place"),
        ("B1,,,,,,only a note", "corrects nothing"),
    ],
)
def test_a_correction_that_cannot_be_is_refused(ledger, tmp_path, row, says):
    found = entered(ledger, tmp_path, f"{PLACES}{row}\n")
    assert found.taken == 0
    (line,) = found.refused
    assert says in line
    assert ledger.people.all_corrections() == ()
