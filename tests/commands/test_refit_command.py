"""`opercle refit`: from a run and its readings to a settings file, or a line that says why not."""

from __future__ import annotations

import json
import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from odd_water import odd_bones

from pipeline.commands import refit as command
from pipeline.commands.refit import FIRST_LINE, refit
from pipeline.counting.count import check_weights
from pipeline.errors import OpercleError, RunError, SettingsError, TableError
from pipeline.records import BoneReading, Specimen
from pipeline.run.ledger import Ledger
from pipeline.run.ledger_scans import KnownScan
from pipeline.run.record_text import kept
from pipeline.settings.files import read_settings
from pipeline.together.judge import judge
from pipeline.together.refit import Gain
from pipeline.together.refit import refit as together_refit

BONES = odd_bones(60, 1, fainter=1.5)


def scan(name: str) -> KnownScan:
    return KnownScan(
        scan=name, path=name, size=1, mtime_ns=1, sha256="s", settings="t", code="c", hints="h", cause="new"
    )


def make_run(folder: Path, bones: list[tuple[Specimen, BoneReading, int]]) -> Path:
    folder.mkdir()
    settings = read_settings().model_dump(mode="json")
    settings["refit"]["iterations"] = 8
    with Ledger(folder, create=True) as ledger:
        ledger.describe(json.dumps({"settings": settings}))
        for name in sorted({row.scan for row, _, _ in bones}):
            ledger.scans.store(scan(name), [kept(reading) for row, reading, _ in bones if row.scan == name])
        ledger.specimens.store([row for row, _, _ in bones], [])
    return folder


@pytest.fixture(scope="module")
def run(tmp_path_factory):
    return make_run(tmp_path_factory.mktemp("runs") / "our-lake", BONES)


def table(folder: Path, lines: list[tuple[str, str, object]]) -> Path:
    path = folder / "readings.csv"
    path.write_text("specimen,reader,annuli\n" + "".join(f"{s},{r},{n}\n" for s, r, n in lines))
    return path


def readings(folder: Path, bones=BONES) -> Path:
    return table(folder, [(row.specimen, reader, n) for row, _, n in bones for reader in ("Ann", "Bob")])


@pytest.fixture(scope="module")
def made(run, tmp_path_factory):
    """One call: what was told, what was said, the file."""
    folder = tmp_path_factory.mktemp("made")
    said: list[str] = []
    told = refit(run, readings(folder), folder / "our-lake.toml", said.append)
    return told, said, folder / "our-lake.toml"


def fails(run: Path, readings: Path, out: Path, match: str, error: type[Exception] = OpercleError) -> None:
    before = out.read_bytes() if out.is_file() else None
    with pytest.raises(error, match=match) as told:
        refit(run, readings, out, lambda _: None)
    assert "\n" not in str(told.value)
    assert (out.read_bytes() if out.is_file() else None) == before


# ------------------------------------------------------------------------------------------------ the file
def test_the_file_goes_to_settings_and_counts_as_the_readers_do(made):
    told, _, file = made
    settings = read_settings([file])
    check_weights(settings)
    new = told.refit.settings
    assert (settings.evidence, settings.count, settings.confidence) == (new.evidence, new.count, new.confidence)
    counted = judge([(row, reading) for row, reading, _ in BONES], settings)
    assert np.mean([c.annuli == n for c, (_, _, n) in zip(counted, BONES, strict=True)]) > 0.85


def test_the_file_says_what_it_rests_on_what_it_changes_and_what_it_gains(made):
    told, _, file = made
    text = file.read_text(encoding="utf-8")
    assert text.startswith(FIRST_LINE + "\n")
    assert "# rests on 60 bones of 30 scans, counted by 2 readers" in text
    assert all(f"# {line}" in text for line in told.summary())
    assert any("expected gain in exact agreement +0." in line and "standard error 0." in line for line in told.lines())
    assert told.changed > 0
    shipped = read_settings()
    now = tomllib.loads(text)["count"]["weights"]
    for name, was in shipped.count.weights.items():
        assert f"\n{name} = {now[name]!r} # as shipped {was!r}\n" in text


def test_the_file_tells_nothing_of_where_things_lay(made, run):
    assert str(run.parent) not in made[2].read_text(encoding="utf-8")


def test_the_same_call_gives_the_same_file_and_may_take_its_place(made, run, tmp_path):
    _, _, file = made
    out = tmp_path / "again.toml"
    out.write_text(FIRST_LINE + "\n[review]\n")
    refit(run, readings(tmp_path), out, print)
    assert out.read_bytes() == file.read_bytes()


def test_enough_bones_need_no_warning_few_do(made, run, tmp_path):
    assert not any("warning" in line for line in made[1])
    said: list[str] = []
    told = refit(run, readings(tmp_path, BONES[:30]), tmp_path / "f.toml", said.append)
    assert told.refit.bones == 30
    assert any(line.startswith("warning: only 30 bones") for line in said)


def test_bones_that_are_not_in_the_run_are_left_out_and_told(run, tmp_path):
    lines = [(row.specimen, "Ann", n) for row, _, n in BONES] + [
        ("stranger", "Ann", 3),
        (BONES[0][0].specimen, "Bob", ""),
    ]
    told = refit(run, table(tmp_path, lines), tmp_path / "f.toml", print)
    assert told.refit.bones == 60
    assert "without 1 that the machine has not aged in this run" in told.lines()[0]


def test_a_file_of_refitted_weights_of_another_version_is_refused_with_the_cure(tmp_path):
    (tmp_path / "old.toml").write_text("[evidence]\nweights = [0.1, 0.2]\n")
    with pytest.raises(SettingsError, match="again with `opercle refit`"):
        check_weights(read_settings([tmp_path / "old.toml"]))


# ------------------------------------------------------------------------------------------------ refusals
def test_another_file_is_never_overwritten(run, tmp_path):
    for content in (b"[review]\n", b"\xff\xfe", b""):
        (tmp_path / "mine.toml").write_bytes(content)
        fails(run, readings(tmp_path), tmp_path / "mine.toml", "nothing is overwritten")
    fails(run, readings(tmp_path), tmp_path, "nothing is overwritten")
    fails(run, readings(tmp_path), tmp_path / "no" / "f.toml", "folder does not exist")


def test_readings_of_other_bones_are_refused(run, tmp_path):
    fails(run, table(tmp_path, [("stranger", "Ann", 3)]), tmp_path / "f.toml", "holds no count of any bone aged")
    blank = [(row.specimen, "Ann", "") for row, _, _ in BONES]
    fails(run, table(tmp_path, blank), tmp_path / "f.toml", "holds no count of any bone aged")
    fails(run, table(tmp_path, []), tmp_path / "f.toml", "holds no count of any bone aged")


def test_readings_that_agree_with_nothing_are_refused(run, tmp_path):
    strange = [(row.specimen, "Ann", n + 20 + i % 3) for i, (row, _, n) in enumerate(BONES)]
    fails(run, table(tmp_path, strange), tmp_path / "f.toml", "agree with the machine on 0 of")


def test_readings_that_are_missing_are_refused(run, tmp_path):
    fails(run, tmp_path / "none.csv", tmp_path / "f.toml", "none.csv", TableError)


def test_few_bones_bones_of_one_age_and_bones_of_one_scan_are_refused(run, tmp_path):
    fails(run, readings(tmp_path, BONES[:19]), tmp_path / "f.toml", "counts of 19 bones .* too few")
    same = [(row, reading, 4) for row, reading, _ in BONES]
    fails(run, readings(tmp_path, same), tmp_path / "f.toml", "all 60 bones have 4 annuli")
    tray = [
        (Specimen(specimen=f"T{k}", scan="tray.png", bone=k), replace(reading, scan="tray.png", number=k), n)
        for k, (_, reading, n) in enumerate(BONES[:24], 1)
    ]
    fails(
        make_run(tmp_path / "tray", tray), readings(tmp_path, tray), tmp_path / "f.toml", "all 24 bones are on one scan"
    )


def test_weights_that_do_worse_than_the_shipped_ones_are_not_written(run, tmp_path, monkeypatch):
    worse = Gain(mean=-0.2, standard_error=0.05)
    monkeypatch.setattr(command, "refitted", lambda *given: replace(together_refit(*given), exact_gain=worse))
    fails(run, readings(tmp_path), tmp_path / "f.toml", "do worse than the shipped ones.*nothing is written")


def test_a_folder_that_is_no_run_is_told_in_a_line(tmp_path):
    (tmp_path / "empty").mkdir()
    fails(tmp_path / "empty", readings(tmp_path), tmp_path / "f.toml", "opercle age", RunError)


def test_a_run_read_by_another_version_is_told_in_a_line(tmp_path):
    old = [
        (row, replace(reading, marks=tuple(replace(m, evidence=m.evidence[:-1]) for m in reading.marks)), n)
        for row, reading, n in BONES[:4]
    ]
    fails(make_run(tmp_path / "old", old), readings(tmp_path), tmp_path / "f.toml", "another version", RunError)
