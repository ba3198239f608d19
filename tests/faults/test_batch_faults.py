"""The promises of a night: what goes wrong with one scan touches no other; nothing is lost when the batch is killed."""

from __future__ import annotations

import csv
import io
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import faulty_work
import pytest

from pipeline.commands.age import age
from pipeline.commands.asked import Request
from pipeline.errors import Interrupted, OpercleError, RunError
from pipeline.run import reading_scans
from pipeline.run.ledger import Ledger
from pipeline.run.run_lock import only_batch

TABLES = ("ages", "annuli", "count_probabilities", "age_probabilities", "refused", "changes")


def scans(folder: Path, *names: str) -> Path:
    folder.mkdir(exist_ok=True)
    for name in names:
        (folder / f"{name}.png").write_bytes(name.encode())
    return folder


def short_limits(tmp_path: Path) -> str:
    path = tmp_path / "short.toml"
    path.write_text(
        "[batch]\ncpu_seconds = 1\ncpu_seconds_per_megapixel = 0\nwall_factor = 3\n"
        "memory_megabytes = 300\nmemory_megabytes_per_megapixel = 0\n"
    )
    return str(path)


def run(folder: Path, out: Path, **more):
    lines: list[str] = []
    request = Request(**({"scans": (folder,), "out": out, "workers": 2} | more))
    accounts = age(request, lines.append, faulty_work.read)
    return accounts, lines


def tables(out: Path) -> dict[str, bytes]:
    return {name: (out / f"{name}.csv").read_bytes() for name in TABLES}


def rows(out: Path, name: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO((out / f"{name}.csv").read_text(encoding="utf-8"))))


def test_faults_of_some_scans_leave_the_others_alone_and_are_named(tmp_path, capfd):
    good = [f"good-{n}" for n in range(4)]
    bad = {"killed-1": "crashed", "exits-1": "crashed", "spins-1": "deadline", "sleeps-1": "deadline",
           "hogs-1": "memory", "raises-1": "failed", "truncated-1": "truncated"}  # fmt: skip
    folder = scans(tmp_path / "scans", *good, *bad, "noisy-1", "tray3-1")
    accounts, _ = run(folder, tmp_path / "run", settings=(short_limits(tmp_path),))
    assert {r["scan"].removesuffix(".png"): r["reason"] for r in rows(tmp_path / "run", "refused")} == bad
    assert (accounts.scans, accounts.read, accounts.refused) == (13, 6, 7)
    assert accounts.bones == accounts.aged + accounts.unreadable == len(rows(tmp_path / "run", "ages")) == 8
    out, err = capfd.readouterr()
    assert (out, "noise" in err, "Traceback" in err) == ("", False, False)
    details = " ".join(r["detail"] for r in rows(tmp_path / "run", "refused"))
    assert str(tmp_path) not in details
    assert "ValueError" in details
    assert "of no use to anybody" in (tmp_path / "run" / "log.jsonl").read_text()


def test_what_met_a_limit_is_tried_again_and_what_is_done_is_not(tmp_path):
    folder, out = scans(tmp_path / "scans", "good-1", "exits-1", "raises-1"), tmp_path / "run"
    run(folder, out)
    _, lines = run(folder, out)
    assert lines[0] == "scans: 3 (2 done before, 1 tried again after a fault)"


def test_any_number_of_workers_gives_the_same_tables(tmp_path):
    folder = scans(tmp_path / "scans", *(f"tray{n}-x" for n in range(1, 6)), "raises-1")
    run(folder, tmp_path / "one", workers=1)
    run(folder, tmp_path / "three", workers=3)
    assert tables(tmp_path / "one") == tables(tmp_path / "three")


def test_a_changed_file_is_read_again_and_a_touched_one_is_not(tmp_path):
    folder, out = scans(tmp_path / "scans", "good-1", "good-2", "good-3"), tmp_path / "run"
    run(folder, out)
    (folder / "good-1.png").write_bytes(b"other bytes")
    os.utime(folder / "good-2.png")
    _, lines = run(folder, out)
    assert lines[0] == "scans: 3 (1 done before, 2 with a changed file)"
    log = (out / "log.jsonl").read_text().splitlines()[-2:]
    assert sum('"outcome": "unchanged"' in line for line in log) == 1
    _, lines = run(folder, out)
    assert lines[0] == "scans: 3 (3 done before)"


def test_a_later_call_adds_its_scans_and_a_picture_that_is_gone_is_made_again(tmp_path):
    monday, tuesday = scans(tmp_path / "monday", "good-1"), scans(tmp_path / "tuesday", "tray2-1")
    run(monday, tmp_path / "run")
    (tmp_path / "run" / "crops" / "good-1-1.jpg").unlink()
    accounts, lines = run(tuesday, tmp_path / "run")
    assert lines[0] == "scans: 2 (1 new, 1 with a picture gone)"
    assert [r["specimen"] for r in rows(tmp_path / "run", "ages")] == ["good-1", "tray2-1-1", "tray2-1-2"]
    assert accounts.scans == 2


def test_pictures_of_bones_that_are_gone_go_too(tmp_path):
    folder = scans(tmp_path / "scans", "tray3-1")
    run(folder, tmp_path / "run")
    (folder / "tray3-1.png").rename(folder / "tray2-1.png")
    run(folder, tmp_path / "run", fresh=True)
    crops = {p.name for p in (tmp_path / "run" / "crops").iterdir()}
    assert crops == {"tray2-1-1.jpg", "tray2-1-2.jpg"}
    (folder / "tray2-1.png").write_bytes(b"")
    run(folder, tmp_path / "run")
    assert {p.name for p in (tmp_path / "run" / "crops").iterdir()} == crops


def test_fresh_drops_what_earlier_calls_found(tmp_path):
    run(scans(tmp_path / "monday", "good-1"), tmp_path / "run")
    accounts, _ = run(scans(tmp_path / "tuesday", "good-2"), tmp_path / "run", fresh=True)
    assert accounts.scans == 1
    assert {p.name for p in (tmp_path / "run").rglob("*.jpg")} == {"good-2.jpg", "good-2-1.jpg", "good-2-scan.jpg"}


def test_a_second_batch_on_the_same_run_stops_at_once(tmp_path):
    folder = scans(tmp_path / "scans", "good-1")
    run(folder, tmp_path / "run")
    before = (tmp_path / "run" / "run.json").read_bytes()
    with only_batch(tmp_path / "run"), pytest.raises(RunError, match="another `opercle age` is at work"):
        run(folder, tmp_path / "run")
    assert (tmp_path / "run" / "run.json").read_bytes() == before


@pytest.mark.parametrize("table", ["specimen,scan\na,good-1.png\na,good-1.png\n", "scan\ngood-1.png\n"])
def test_a_bad_table_stops_before_anything_is_written(tmp_path, table):
    folder = scans(tmp_path / "scans", "good-1")
    (tmp_path / "table.csv").write_text(table)
    with pytest.raises(OpercleError, match=r"table\.csv"):
        run(folder, tmp_path / "run", specimens=tmp_path / "table.csv")
    assert not (tmp_path / "run").exists()


def test_an_interrupt_says_how_far_it_was_and_the_next_call_goes_on(tmp_path, monkeypatch):
    folder, out = scans(tmp_path / "scans", *(f"good-{n}" for n in range(6))), tmp_path / "run"
    taken = reading_scans.Keeper.take

    def interrupted(self, job, outcome):
        taken(self, job, outcome)
        if len(self.ledger.scans.all()) == 3:
            raise KeyboardInterrupt

    with monkeypatch.context() as patch:
        patch.setattr(reading_scans.Keeper, "take", interrupted)
        with pytest.raises(Interrupted, match=r"stopped: scans done 3 of 6.*same command again"):
            run(folder, out)
    _, lines = run(folder, out)
    assert lines[0] == "scans: 6 (3 done before, 3 new)"


@pytest.mark.skipif(sys.platform == "win32", reason="signals")
def test_killed_at_any_moment_and_started_again_the_tables_are_the_same(tmp_path):
    folder = scans(tmp_path / "scans", *(f"slow-{n}" for n in range(8)), "tray3-1", "raises-1")
    run(folder, tmp_path / "undisturbed")
    command = [
        sys.executable,
        str(Path(__file__).with_name("age_with_faults.py")),
        str(folder),
        str(tmp_path / "killed"),
        "2",
    ]
    for done in (0, 3, 7):
        batch = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        _wait_until_done(tmp_path / "killed", done)
        batch.send_signal(signal.SIGKILL)
        batch.wait()
    assert _done(tmp_path / "killed") >= 7
    run(folder, tmp_path / "killed")
    assert tables(tmp_path / "killed") == tables(tmp_path / "undisturbed")
    kept = {p.relative_to(tmp_path / "killed").as_posix() for p in (tmp_path / "killed").rglob("*.jpg")}
    assert kept == {
        p.relative_to(tmp_path / "undisturbed").as_posix() for p in (tmp_path / "undisturbed").rglob("*.jpg")
    }


def _done(out: Path) -> int:
    if not (out / "run.sqlite").exists():
        return -1
    try:
        with Ledger(out) as ledger:
            return len(ledger.scans.all())
    except RunError:  # not yet made, or being made
        return -1


def _wait_until_done(out: Path, scans: int) -> None:
    for _ in range(3000):
        if _done(out) >= scans:
            return
        time.sleep(0.01)
    raise AssertionError("the batch does not go on")
