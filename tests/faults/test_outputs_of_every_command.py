"""A file of the user's at, and beside, every name that a command writes where it is pointed at: none is changed."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from command_line import called
from users_files import MINE, contents, lay, names

BESIDE = (
    "{parent}/{name}.bak",
    "{parent}/.{name}.part",
    "{parent}/.{name}.opercle-0123abcd-12345678.part",
    "{parent}/my {name}",
)

Call = Callable[[Path, Path], tuple[int, str, str]]


def readings(run: Path) -> Path:
    """A table of two readers, beside the run."""
    table = run.parent / "readings.csv"
    lines = [f"{s},{reader},3\n" for s in ("F00007L", "F00008R") for reader in ("ann", "ben")]
    table.write_text("specimen,reader,annuli\n" + "".join(lines))
    return table


INTO_A_FOLDER: dict[str, Call] = {
    "audit": lambda run, out: called("audit", readings(run), "--run", run, "--out", out),
    "growth": lambda run, out: called("growth", run, "--out", out),
    "triage --pack": lambda run, out: called("triage", run, "--pack", out),
    "simulate": lambda run, out: called("simulate", out, "--n", "2"),
}
INTO_THE_RUN: dict[str, Call] = {
    "enter": lambda run, _: called("enter", run, readings(run)),
    "triage": lambda run, _: called("triage", run),
    "report": lambda run, _: called("report", run),
    "show": lambda run, _: called("show", run),
    "age": lambda run, _: called("age", run.parent / "scans", "--out", run, "--excel", "--fresh"),
}


def beside(written: list[str]) -> list[str]:
    return [
        pattern.format(parent=Path(name).parent.as_posix(), name=Path(name).name)
        for name in written
        for pattern in BESIDE
    ]


@pytest.mark.parametrize("command", INTO_A_FOLDER)
def test_no_file_of_the_users_is_changed_whatever_its_name(command, run, tmp_path):
    status, _, err = INTO_A_FOLDER[command](run, tmp_path / "free")
    assert status == 0, err
    written = names(tmp_path / "free")
    assert written
    singly = [[name] for name in {Path(name).parts[0]: name for name in written}.values()]
    for number, laid in enumerate([*singly, written]):
        folder = tmp_path / str(number)
        lay(folder, laid)
        status, _, err = INTO_A_FOLDER[command](run, folder)
        assert (status, len(err.splitlines())) == (1, 1), err
        assert contents(folder) == dict.fromkeys(laid, MINE)
    laid = beside(written)
    lay(tmp_path / "free", laid)
    INTO_A_FOLDER[command](run, tmp_path / "free")
    assert {(tmp_path / "free" / name).read_bytes() for name in laid} == {MINE}


@pytest.mark.parametrize("command", INTO_THE_RUN)
def test_files_beside_those_of_a_run_stay_as_they_are(command, run, tmp_path):
    laid = beside([*names(run), "readings_side_by_side.csv", "ages.xlsx"])
    lay(run, laid)
    status, _, err = INTO_THE_RUN[command](run, tmp_path)
    assert status == 0, err
    assert {(run / name).read_bytes() for name in laid} == {MINE}


@pytest.mark.parametrize(("command", "name"), [("enter", "readings_side_by_side.csv"), ("age", "ages.xlsx")])
def test_a_file_in_the_place_of_a_result_not_written_before_stops_the_command_and_stays(command, name, run, tmp_path):
    lay(run, [name])
    status, _, err = INTO_THE_RUN[command](run, tmp_path)
    assert status == 1
    assert "opercle did not write it; move it away" in err
    assert (run / name).read_bytes() == MINE


def test_refit_writes_over_no_file_but_its_own(run, tmp_path):
    lay(tmp_path, ["water.toml"])
    status, _, err = called("refit", run, readings(run), "--out", tmp_path / "water.toml")
    assert status == 1
    assert "is no file of `opercle refit`" in err
    assert (tmp_path / "water.toml").read_bytes() == MINE
