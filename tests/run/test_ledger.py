"""The ledger gives back what was put in, keeps people's work, and says in a line why it cannot be used."""

from __future__ import annotations

import contextlib
import sqlite3
import subprocess
import sys
from array import array
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from drafted import store_ages

from pipeline.errors import RunError
from pipeline.records import Age, Axis, BoneReading, Captured, FinalAge, Mark, Reading, Refusal, Specimen
from pipeline.run.ledger import Ledger
from pipeline.run.ledger_ages import AgedBone, Call, Change
from pipeline.run.ledger_file import FILE
from pipeline.run.ledger_people import Correction
from pipeline.run.ledger_scans import KnownScan
from pipeline.run.record_text import joined, kept, read_shape
from pipeline.run.run_lock import only_batch


def scan(name: str = "a.png", **more) -> KnownScan:
    facts = {"path": f"/x/{name}", "size": 5, "mtime_ns": 7, "sha256": "s", "settings": "t", "code": "c", "hints": "h"}
    return KnownScan(scan=name, **(facts | {"cause": "new"} | more))


def bone(number: int = 1, name: str = "a.png") -> BoneReading:
    mark = Mark(x=1 / 3, y=2.0, radius_px=np.float64(0.1), fraction=0.5,
                evidence=array("d", (1e-300, 2.5)), arc=((1.0, 2.0),))  # fmt: skip
    return BoneReading(
        scan=name, number=number, outline=((0.1, 0.2), (3.0, 4.0)), lighting="reflected", dpi=600.0,
        axis=Axis(focus=(0.0, 0.1), tip=(9.0, 9.0), certainty=0.9), marks=(mark,), traits={"base": 0.5},
        reasons=("blurred",), crop=(1.0, 2.0, 0.5),
    )  # fmt: skip


@pytest.fixture
def ledger(tmp_path):
    with Ledger(tmp_path, create=True) as opened:
        yield opened


def whole_readings(ledger):
    """Of the bones of a.png, as those who draw them put them together."""
    shapes = ledger.scans.shapes("a.png")
    return tuple(joined(m, read_shape(shapes[m.number])) for m in ledger.scans.measures()["a.png"])


def test_readings_come_back_to_the_last_bit(ledger):
    ledger.scans.store(scan(width=10, height=20), [kept(bone(1)), kept(bone(2))])
    assert whole_readings(ledger) == (bone(1), bone(2))
    assert {n: read_shape(text).outline for n, text in ledger.scans.shapes("a.png").items()} == dict.fromkeys(
        (1, 2), bone().outline
    )
    assert ledger.scans.all() == {"a.png": scan(width=10, height=20, bones=2)}


def test_measures_leave_out_what_is_only_drawn(ledger):
    ledger.scans.store(scan(), [kept(bone())])
    (measured,) = ledger.scans.measures()["a.png"]
    assert (measured.outline, measured.marks[0].arc) == ((), ())
    assert (measured.axis, measured.marks[0].evidence) == (bone().axis, bone().marks[0].evidence)


def test_what_is_only_drawn_is_kept_to_a_hundredth_of_a_pixel(ledger):
    arc = ((1 / 3, 2 / 3), (-1.005, 12345.678))
    rough = replace(bone(), outline=(), marks=(replace(bone().marks[0], arc=arc), replace(bone().marks[0], arc=())))
    ledger.scans.store(scan(), [kept(rough)])
    (back,) = whole_readings(ledger)
    assert back.outline == back.marks[1].arc == ()
    np.testing.assert_allclose(back.marks[0].arc, arc, atol=0.005)


def test_single_precision_numbers_are_kept_as_numbers(ledger):
    odd = BoneReading(scan="a.png", number=1, outline=(), lighting="", dpi=None, axis=None,
                      traits={"n": np.float32(0.1)}, notices=())  # fmt: skip
    ledger.scans.store(scan(), [kept(odd)])
    assert ledger.scans.measures()["a.png"][0].traits == {"n": float(np.float32(0.1))}


def test_a_scan_read_again_takes_the_place_of_its_earlier_reading(ledger):
    ledger.scans.store(scan(), [kept(bone(1)), kept(bone(2))])
    refusal = Refusal(scan="a.png", stage="file", code="truncated", detail="d")
    ledger.scans.store(scan(refusal=refusal), [])
    assert ledger.scans.all()["a.png"].refusal == refusal
    assert ledger.scans.measures() == {}


def aged(row: Specimen, **more) -> AgedBone:
    age = Age(specimen=row.specimen, status="unreadable", **more)
    return AgedBone(specimen=row, age=age, final=FinalAge(), sources={"row": "1"})


def test_specimens_and_ages_come_back_in_their_order(ledger):
    rows = [
        Specimen(specimen=s, scan="a.png", fish=s, captured=Captured(year=2020, month=5), written=(("x", "1"),))
        for s in "ba"
    ]
    ledger.specimens.store(rows, ["x"])
    ages = [
        AgedBone(specimen=r, age=Age(specimen=r.specimen, status="unreadable"), final=FinalAge(), sources={"row": "1"})
        for r in rows
    ]
    change = Change(call=2, specimen="b", column="annuli", old="3", new="4", cause="settings")
    call = Call(number=1, command="age", finished="2026-01-01T00:00:00+00:00")
    store_ages(ledger, ages[:1], [change], call)
    store_ages(ledger, ages, call=replace(call, number=2))
    store_ages(ledger, ages, call=replace(call, number=3))  # nothing differs
    assert ledger.specimens.all() == tuple(rows)
    assert ledger.specimens.extra_columns() == ("x",)
    assert ledger.ages.all() == tuple(ages)
    assert tuple(ledger.ages.changes()) == (change,)
    assert [call.number for call in ledger.ages.calls()] == [1, 2]
    assert ledger.ages.specimens() == {"b": ("a.png", 1), "a": ("a.png", 1)}


def test_dropping_machine_results_keeps_readings_and_corrections(ledger):
    reading = Reading(specimen="b", reader="Ann", annuli=None, settles=True, note="chalky")
    correction = Correction(
        scan="a.png", bone=1, reader="Ann", made_on="2026-01-01", focus=(1.5, 2.0), tip=(3.0, 4.0), note="nick"
    )
    ledger.scans.store(scan(), [kept(bone())])
    ledger.people.add_reading(reading)
    ledger.people.add_correction(correction)
    ledger.drop_machine_results()
    assert ledger.scans.all() == {}
    assert ledger.people.readings() == (reading,)
    assert ledger.people.corrections() == {("a.png", 1): correction}


def test_the_latest_correction_of_a_bone_holds(ledger):
    for dpi in (600.0, 1200.0):
        ledger.people.add_correction(Correction(scan="a.png", bone=1, reader="Ann", made_on="", dpi=dpi))
    assert ledger.people.corrections()["a.png", 1].dpi == 1200.0


def test_a_queue_takes_the_place_of_the_earlier_one_and_what_was_read_as_a_check_stays_marked(ledger):
    ledger.queue.store(["c", "a", "b"], ["b", "c"])
    assert (ledger.queue.all(), ledger.queue.blind()) == (("c", "a", "b"), {"b", "c"})
    ledger.people.add_reading(Reading(specimen="b", reader="Ann", annuli=2))
    ledger.queue.store(["a"], [])
    assert (ledger.queue.all(), ledger.queue.blind()) == (("a",), {"b"})
    ledger.drop_machine_results()
    assert (ledger.queue.all(), ledger.queue.blind()) == ((), {"b"})


def test_fish_come_in_the_order_of_their_first_bones(ledger):
    rows = [Specimen(specimen=f"{n}", scan="s", fish=fish) for n, fish in enumerate("BABC")]
    store_ages(ledger, [aged(row) for row in rows])
    fish = [[bone.specimen.specimen for bone in own] for own in ledger.drafts.of_each_fish()]
    assert fish == [["0", "2"], ["1"], ["3"]]


def test_drafts_say_which_ages_they_differ_from_and_nobody_else_sees_them(ledger, tmp_path):
    one, other = (Specimen(specimen=name, scan="s", fish=name) for name in "ab")
    store_ages(ledger, [aged(one), aged(other)])
    ledger.drafts.begin()
    assert ledger.drafts.add([aged(one)]) == ()
    (before,) = ledger.drafts.add([aged(other, annuli=5)])
    assert (before.specimen.specimen, before.age.annuli) == ("b", None)
    with Ledger(ledger._file.run) as another:
        assert [bone.age.annuli for bone in another.ages.all()] == [None, None]


def test_outcomes_are_the_ages_in_short(ledger):
    ages = [
        Age(specimen="b", status="aged", annuli=2, confidence=0.1 + 0.2, reasons=("damaged", "cut-off")),
        Age(specimen="a", status="unreadable", reasons=("no-reading",)),
    ]
    store_ages(
        ledger,
        [AgedBone(specimen=Specimen(specimen=a.specimen, scan="s"), age=a, final=FinalAge(), sources={}) for a in ages],
    )
    told = [(o.specimen, o.confidence, o.reasons) for o in ledger.ages.outcomes()]
    assert told == [(a.specimen, a.confidence, a.reasons) for a in ages]


def test_a_folder_without_a_ledger_is_said_so(tmp_path):
    with pytest.raises(RunError, match=r"holds no run\.sqlite"):
        Ledger(tmp_path)


@pytest.mark.parametrize("content", [b"no database at all, but long enough to be taken for one" * 40, b""])
def test_a_damaged_or_foreign_ledger_is_one_line(tmp_path, content):
    (tmp_path / FILE).write_bytes(content)
    if not content:
        with sqlite3.connect(tmp_path / FILE) as db:
            db.execute("CREATE TABLE other(x)")
        db.close()
    before = contents(tmp_path)
    with pytest.raises(RunError, match="not written by opercle") as told:
        Ledger(tmp_path, create=True)
    assert "\n" not in str(told.value)
    assert contents(tmp_path) == before


def contents(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in folder.iterdir()}


@pytest.mark.parametrize("mode", ["DELETE", "WAL"])
def test_not_a_byte_of_another_programs_database_changes(tmp_path, mode):
    with sqlite3.connect(tmp_path / FILE) as db:
        db.execute(f"PRAGMA journal_mode = {mode}")
        db.execute("CREATE TABLE diary(day)")
    db.close()
    before = contents(tmp_path)
    with pytest.raises(RunError, match="not written by opercle"):
        Ledger(tmp_path, create=True)
    assert contents(tmp_path) == before


def test_no_new_ledger_is_laid_beside_what_is_left_of_a_lost_one(tmp_path):
    (tmp_path / f"{FILE}-wal").write_bytes(b"what was written last")
    with pytest.raises(RunError, match="restore that file"):
        Ledger(tmp_path, create=True)
    assert [path.name for path in tmp_path.iterdir()] == [f"{FILE}-wal"]


@pytest.mark.parametrize(
    ("table", "column", "read"),
    [
        ("bones", "measures", lambda ledger: ledger.scans.measures()),
        ("bones", "measures", lambda ledger: ledger.scans.reading("a.png", 1)),
        ("specimens", "record", lambda ledger: ledger.specimens.all()),
        ("ages", "age", lambda ledger: ledger.ages.all()),
        ("ages", "age", lambda ledger: ledger.ages.outcomes()),
    ],
)
@pytest.mark.parametrize("left", ["{", "[]", '{"strange": 1}', "[" * 9_999])
def test_a_damaged_row_is_one_line(ledger, table, column, read, left):
    ledger.scans.store(scan(), [kept(bone())])
    ledger.specimens.store([Specimen(specimen="s", scan="a.png")], [])
    row = AgedBone(
        specimen=Specimen(specimen="s", scan="a.png"),
        age=Age(specimen="s", status="aged"),
        final=FinalAge(),
        sources={},
    )
    store_ages(ledger, [row])
    with ledger._file.transaction() as db:
        db.execute(f"UPDATE {table} SET {column} = ?", (left,))
    with pytest.raises(RunError, match=r"run\.sqlite: damaged.*restore a copy") as told:
        read(ledger)
    assert "\n" not in str(told.value)


def test_a_ledger_of_a_newer_version_is_left_alone(tmp_path):
    Ledger(tmp_path, create=True).__exit__()
    with sqlite3.connect(tmp_path / FILE) as db:
        db.execute("PRAGMA user_version = 99")
    db.close()
    with pytest.raises(RunError, match="another version of opercle"):
        Ledger(tmp_path)


def test_a_second_batch_is_turned_away_and_a_third_may_come_after(tmp_path):
    with only_batch(tmp_path):
        code = (
            "import sys; from pathlib import Path; from pipeline.run.run_lock import only_batch\n"
            "with only_batch(Path(sys.argv[1])): pass"
        )
        other = subprocess.run([sys.executable, "-c", code, str(tmp_path)], capture_output=True, text=True, check=False)
        assert "another `opercle age` is at work" in other.stderr
    with only_batch(tmp_path):
        pass


@pytest.mark.skipif(sys.platform == "win32", reason="there a file in use cannot be deleted")
def test_a_deleted_lock_lets_no_second_batch_in(tmp_path):
    with only_batch(tmp_path):
        (tmp_path / "batch.lock").unlink()
        with pytest.raises(RunError, match="another `opercle age` is at work"), only_batch(tmp_path):
            pass


def test_a_full_disk_is_one_line_and_what_was_kept_stays(ledger):
    ledger.scans.store(scan(), [kept(bone())])
    ledger._file._db.execute("PRAGMA max_page_count = 1")  # SQLite takes no limit below what the file has

    def fill() -> None:
        for n in range(10_000):
            ledger.scans.store(scan(f"{n}.png"), [kept(bone(name=f"{n}.png"))])

    with pytest.raises(RunError, match="the disk is full; make room") as told:
        fill()
    assert "\n" not in str(told.value)
    assert "a.png" in ledger.scans.all()


def test_a_folder_that_cannot_hold_the_lock_is_one_line(tmp_path):
    (tmp_path / "batch.lock").mkdir()
    with pytest.raises(RunError, match="cannot be opened or made; check the folder's rights"), only_batch(tmp_path):
        pass


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE scans SET bones = 'x'",
        "UPDATE scans SET path = x'ff'",
        "UPDATE scans SET refusal = 'x'",
        "UPDATE scans SET hints = '{'",
        "UPDATE bones SET number = -1",
        "UPDATE bones SET scan = 'x'",
        "UPDATE meta SET value = '{' WHERE key = 'description'",
    ],
)
def test_a_row_that_holds_what_it_should_not_is_a_damaged_ledger_and_no_fault_of_the_program(tmp_path, statement):
    with Ledger(tmp_path, create=True) as ledger:
        ledger.describe("{}")
    with contextlib.closing(sqlite3.connect(tmp_path / "run.sqlite")) as db, db:
        scan = ("a.png", "a.png", *[0] * 4, *[""] * 5, 0, 0, 1, *[""] * 3)
        db.execute(f"INSERT INTO scans VALUES ({', '.join('?' * len(scan))})", scan)
        db.execute("INSERT INTO bones VALUES ('a.png', 1, '', '{}', '')")
    Ledger(tmp_path).__exit__()
    with contextlib.closing(sqlite3.connect(tmp_path / "run.sqlite")) as db, db:
        db.execute(statement)
    with pytest.raises(RunError, match=r"run\.sqlite: damaged .*; restore a copy"):
        Ledger(tmp_path)


def half_checkpointed(run: Path, to: Path) -> None:
    """The ledger of `run` as it stands on the disk while SQLite brings a long log into it: page 1, which says how many
    pages there are, comes first."""
    with contextlib.closing(sqlite3.connect(run / FILE)) as db:
        db.execute("PRAGMA wal_autocheckpoint = 0")
        db.executemany("INSERT INTO meta VALUES (?, ?)", [(f"key {n}", "x" * 1000) for n in range(2000)])
        db.commit()
        (pages,) = db.execute("PRAGMA page_count").fetchone()
        to.mkdir()
        for name in (FILE, f"{FILE}-wal"):
            (to / name).write_bytes((run / name).read_bytes())
    content = bytearray((to / FILE).read_bytes())
    assert int.from_bytes(content[28:32], "big") < pages
    content[28:32] = pages.to_bytes(4, "big")
    (to / FILE).write_bytes(content)


def test_a_ledger_into_which_another_process_is_writing_is_opened_at_any_moment(tmp_path):
    Ledger(tmp_path, create=True).__exit__()
    half_checkpointed(tmp_path, tmp_path / "now")
    with Ledger(tmp_path / "now") as ledger:
        assert ledger.specimens.all() == ()
    with contextlib.closing(sqlite3.connect(tmp_path / "now" / FILE)) as db:
        assert db.execute("SELECT COUNT(*) FROM meta WHERE key LIKE 'key %'").fetchone() == (2000,)


def test_opening_a_ledger_again_in_one_process_gives_up_no_lock(tmp_path):
    # POSIX takes all locks of a process from a file as soon as the process closes the file once; another process, the
    # last to close as it would seem, would then throw away the log that this one still writes.
    code = (
        "import sys; from pathlib import Path; from pipeline.run.ledger import Ledger\n"
        "Ledger(Path(sys.argv[1])).__exit__()"
    )
    with Ledger(tmp_path, create=True) as ledger:
        Ledger(tmp_path).__exit__()
        ledger.specimens.store([Specimen(specimen="B1", scan="a.png", bone=1, fish="B1")], ())
        subprocess.run([sys.executable, "-c", code, str(tmp_path)], check=True)
        assert (tmp_path / f"{FILE}-wal").exists()
        ledger.specimens.store([Specimen(specimen="B2", scan="a.png", bone=1, fish="B2")], ())
    with Ledger(tmp_path) as ledger:
        assert [row.specimen for row in ledger.specimens.all()] == ["B2"]
