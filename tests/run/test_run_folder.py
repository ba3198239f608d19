"""Only a new, an empty or our own folder becomes a run; a name never means two scans."""

from __future__ import annotations

import json
import os
import shutil
from pathlib import Path

import pytest

from pipeline.errors import RunError
from pipeline.records import ScanRef
from pipeline.run import run_folder
from pipeline.run.earlier import earlier_scans
from pipeline.run.ledger import Ledger
from pipeline.run.ledger_scans import KnownScan
from pipeline.scans.scan_folder import find_scans
from pipeline.settings_files import read_settings


def test_a_folder_that_is_not_there_or_empty_may_become_a_run(tmp_path):
    assert not run_folder.check(tmp_path / "new")
    assert not run_folder.check(tmp_path)


@pytest.mark.parametrize("name", ["notes.txt", "run.json"])
def test_a_folder_that_holds_other_things_is_left_alone(tmp_path, name):
    (tmp_path / name).write_text('{"made_by": "somebody else"}')
    with pytest.raises(RunError, match="holds files but is no run"):
        run_folder.check(tmp_path)


def test_a_file_is_no_run(tmp_path):
    (tmp_path / "file").touch()
    with pytest.raises(RunError, match="is not a folder"):
        run_folder.check(tmp_path / "file")


def test_a_run_is_known_again_once_it_has_a_ledger(tmp_path):
    run_folder.mark(tmp_path / "run")
    assert not run_folder.check(tmp_path / "run")
    Ledger(tmp_path / "run", create=True).__exit__()
    assert run_folder.check(tmp_path / "run")


def test_the_pictures_of_a_run_that_was_just_begun_are_no_scans(tmp_path):
    shutil.copy(Path(__file__), tmp_path / "a.png")
    run_folder.mark(tmp_path / "run")
    (tmp_path / "run" / "crops" / "a-1.jpg").touch()
    assert [ref.scan for ref in find_scans([tmp_path]).scans] == ["a.png"]


def test_run_json_tells_versions_settings_and_counts_but_no_path(tmp_path):
    run_folder.mark(tmp_path)
    run_folder.describe(tmp_path, read_settings(), {"scans": 3}, {"whole command": 1.234}, [])
    told = json.loads((tmp_path / "run.json").read_text())
    assert (told["counts"], told["seconds"]) == ({"scans": 3}, {"whole command": 1.23})
    assert told["settings"] == read_settings().model_dump(mode="json")
    assert str(tmp_path) not in (tmp_path / "run.json").read_text()
    assert os.sep + "home" not in json.dumps(told)


def test_half_written_files_of_a_killed_batch_are_removed_and_no_others(tmp_path):
    run_folder.mark(tmp_path / "run")
    for name in (".a-1.jpg.x1.part", "mine.part"):
        (tmp_path / "run" / "crops" / name).touch()
    run_folder.tidy(tmp_path / "run")
    assert [p.name for p in (tmp_path / "run" / "crops").iterdir()] == ["mine.part"]


def scan(path: Path, name: str | None = None) -> ScanRef:
    path.parent.mkdir(exist_ok=True)
    if not path.exists():
        path.write_text(str(path))
    stat = path.stat()
    return ScanRef(scan=name or path.name, path=path, size=stat.st_size, mtime_ns=stat.st_mtime_ns)


def known(ref: ScanRef) -> dict[str, KnownScan]:
    facts = KnownScan(
        scan=ref.scan, path=str(ref.path), size=ref.size, mtime_ns=ref.mtime_ns, sha256="", settings="", code="",
        hints="", cause="new",
    )  # fmt: skip
    return {ref.scan: facts}


def test_scans_of_earlier_calls_stay_with_the_run(tmp_path):
    old, gone, new = (scan(tmp_path / name) for name in ("old.png", "gone.png", "new.png"))
    gone.path.unlink()
    assert earlier_scans(known(old) | known(gone) | known(new), [new]) == {"old.png": old, "gone.png": None}


def test_a_second_scan_of_the_same_name_is_an_error_not_a_replacement(tmp_path):
    first, second = scan(tmp_path / "monday" / "a.png"), scan(tmp_path / "tuesday" / "a.png")
    with pytest.raises(RunError, match="holds another scan of that name"):
        earlier_scans(known(first), [second])


def test_names_that_differ_in_case_or_folder_only_would_share_pictures(tmp_path):
    first, second = scan(tmp_path / "a.png"), scan(tmp_path / "A.tif", "x/A.tif")
    with pytest.raises(RunError, match="another scan of that name"):
        earlier_scans(known(first), [second])


def test_the_same_scan_under_another_name_says_which_folder_to_give(tmp_path):
    first = scan(tmp_path / "x" / "a.png", "x/a.png")
    with pytest.raises(RunError, match="give the same folder as then"):
        earlier_scans(known(first), [scan(tmp_path / "x" / "a.png")])


def test_a_folder_that_was_moved_is_recognised(tmp_path):
    first = scan(tmp_path / "here" / "a.png")
    (tmp_path / "here").rename(tmp_path / "there")
    assert earlier_scans(known(first), [scan(tmp_path / "there" / "a.png")]) == {}
