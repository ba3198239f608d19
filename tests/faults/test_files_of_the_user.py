"""A file of the user's at, and beside, every name that a run ever writes: none is changed, and what stops says why."""

from __future__ import annotations

import shutil
from pathlib import Path

import faulty_work
import pytest
from users_files import MINE, contents, lay, names

from pipeline.commands.age import age
from pipeline.commands.asked import Request
from pipeline.commands.triage import triage
from pipeline.errors import RunError
from pipeline.run.ledger import Ledger
from pipeline.run.ledger_file import FILE


def call(scans: Path, out: Path, **more) -> None:
    request = Request(**({"scans": (scans,), "out": out, "workers": 1, "excel": True} | more))
    age(request, lambda _: None, faulty_work.read)


def call_and_triage(scans: Path, out: Path, **more) -> None:
    call(scans, out, **more)
    triage(out, 0.5, None, lambda _: None)


@pytest.fixture(scope="module")
def scans(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("scans") / "scans"
    folder.mkdir()
    for name in ("good-1", "tray3-1"):
        (folder / f"{name}.png").write_bytes(name.encode())
    return folder


@pytest.fixture(scope="module")
def finished(scans, tmp_path_factory) -> Path:
    """A run with everything that calls have written into it."""
    run = tmp_path_factory.mktemp("runs") / "run"
    call_and_triage(scans, run)
    return run


def test_a_folder_of_the_users_is_refused_whatever_its_files_are_called(scans, finished, tmp_path):
    for number, name in enumerate([*names(finished), "report.html", "queue.csv"]):
        folder = tmp_path / str(number)
        lay(folder, [name])
        before = contents(folder)
        with pytest.raises(RunError):
            call(scans, folder)
        assert contents(folder) == before, name
    lay(tmp_path / "all", names(finished))
    with pytest.raises(RunError):
        call(scans, tmp_path / "all")
    assert set(contents(tmp_path / "all").values()) == {MINE}


def test_files_in_the_way_of_a_run_that_was_just_begun_stop_it_and_stay(scans, finished, tmp_path):
    tables = [name for name in names(finished) if not name.startswith((FILE, "batch.lock", "run.json"))]
    for number, name in enumerate(tables):
        run = tmp_path / str(number)
        run.mkdir()
        Ledger(run, create=True).__exit__()
        lay(run, [name])
        with pytest.raises(RunError, match="opercle did not write it; move it away"):
            call_and_triage(scans, run)
        assert (run / name).read_bytes() == MINE


def test_files_beside_those_of_a_run_stay_as_they_are(scans, finished, tmp_path):
    run = Path(shutil.copytree(finished, tmp_path / "run"))
    beside = [
        pattern.format(parent=Path(name).parent, name=Path(name).name)
        for name in names(finished)
        for pattern in (
            "{parent}/{name}.bak",
            "{parent}/.{name}.part",
            "{parent}/.{name}.x1.part",
            "{parent}/.{name}.opercle-12345678.part",
            "{parent}/.{name}.opercle-0123abcd-12345678.part",
            "{parent}/my {name}",
        )
    ]
    lay(run, beside)
    call_and_triage(scans, run, fresh=True)
    assert {(run / name).read_bytes() for name in beside} == {MINE}
