"""Only a new, an empty or our own folder becomes a run; a name never means two scans."""

from __future__ import annotations

import json
import os
import shutil
from pathlib import Path

import pytest

from pipeline.errors import RunError
from pipeline.records import ScanRef
from pipeline.run import places, run_folder
from pipeline.run.earlier import earlier_scans
from pipeline.run.ledger import Ledger
from pipeline.run.ledger_scans import KnownScan
from pipeline.run.run_lock import only_batch
from pipeline.scans.scan_folder import find_scans
from pipeline.settings.files import read_settings
from pipeline.tables.atomic import part_of


def test_a_folder_that_is_not_there_or_empty_may_become_a_run(tmp_path):
    assert not run_folder.check(tmp_path / "new")
    assert not run_folder.check(tmp_path)


@pytest.mark.parametrize("name", ["notes.txt", "run.json", "batch.lock", ".ages.csv.abc12345.part", "crops"])
def test_a_folder_that_holds_other_things_is_left_alone(tmp_path, name):
    (tmp_path / name).write_text('{"made_by": "opercle"}')
    with pytest.raises(RunError, match="holds files but is no run"):
        run_folder.check(tmp_path)


def test_a_file_is_no_run(tmp_path):
    (tmp_path / "file").touch()
    with pytest.raises(RunError, match="is not a folder"):
        run_folder.check(tmp_path / "file")


def begun(out: Path) -> Path:
    """A run as a batch leaves it that was killed before it read anything."""
    run_folder.make(out)
    with only_batch(out), Ledger(out, create=True) as ledger:
        run_folder.tidy(out, ledger)
    return out


def test_a_run_is_known_again_once_it_has_a_ledger_and_before_that_it_is_as_good_as_empty(tmp_path):
    run = tmp_path / "run"
    run_folder.make(run)
    with only_batch(run):
        part_of(run / "run.sqlite").touch()
        assert not run_folder.check(run)
        Ledger(run, create=True).__exit__()
        assert run_folder.check(run)


@pytest.mark.parametrize("left", [None, "", "{", '{"made_by": "somebody else"}'])
def test_run_json_is_made_again_of_the_ledger(tmp_path, left):
    run = begun(tmp_path / "run")
    with Ledger(run) as ledger:
        run_folder.describe(run, ledger, read_settings(), {"scans": 3}, {}, [])
    told = (run / "run.json").read_text()
    (run / "run.json").unlink() if left is None else (run / "run.json").write_text(left)
    assert run_folder.check(run)
    begun(run)
    assert (run / "run.json").read_text() == told


def test_a_run_whose_ledger_is_gone_is_told_so_and_left_alone(tmp_path):
    run = begun(tmp_path / "run")
    (run / "run.sqlite").unlink()
    with pytest.raises(RunError, match=r"its ledger run\.sqlite is gone; restore it"):
        run_folder.check(run)


@pytest.mark.parametrize(
    "name", ["crops", "overlays", "trays", "scans", "small", "log.jsonl", "run.json", "run.sqlite"]
)
def test_a_run_whose_folders_or_files_are_links_is_refused(tmp_path, name):
    run = begun(tmp_path / "run")
    run_folder.log(run, {"scan": "a.png"})
    (run / name).rename(tmp_path / "elsewhere")
    (run / name).symlink_to(tmp_path / "elsewhere")
    with pytest.raises(RunError, match=f"{name}: is a link"):
        run_folder.check(run)


def test_the_pictures_of_a_run_that_was_just_begun_are_no_scans_even_without_its_run_json(tmp_path):
    shutil.copy(Path(__file__), tmp_path / "a.png")
    run = begun(tmp_path / "run")
    (run / "crops" / "a-1.jpg").touch()
    (run / "run.json").unlink()
    assert [ref.scan for ref in find_scans([tmp_path]).scans] == ["a.png"]


def test_run_json_tells_versions_settings_and_counts_but_no_path(tmp_path):
    begun(tmp_path / "run")
    with Ledger(tmp_path / "run") as ledger:
        run_folder.describe(tmp_path / "run", ledger, read_settings(), {"scans": 3}, {"whole command": 1.234}, [])
        assert run_folder.settings_of(tmp_path / "run", ledger) == read_settings()
    text = (tmp_path / "run" / "run.json").read_text()
    told = json.loads(text)
    assert (told["counts"], told["seconds"]) == ({"scans": 3}, {"whole command": 1.23})
    assert told["settings"] == read_settings().model_dump(mode="json")
    assert str(tmp_path) not in text
    assert os.sep + "home" not in text


def test_half_written_files_of_a_killed_batch_are_removed_and_no_others(tmp_path):
    run = begun(tmp_path / "run")
    long = "b" * 60
    with Ledger(run) as ledger:
        ledger.files.claim(["crops/a-1.jpg", f"crops/{long}.jpg"])
    crops = run / "crops"
    ours = [part_of(crops / "a-1.jpg"), part_of(crops / f"{long}.jpg"), part_of(run / "run.json")]
    strangers = [
        crops / ".a-1.jpg.x1.part",
        crops / "mine.part",
        crops / ".mine.part",
        crops / ".a-1.jpg.opercle-x.part",
        crops / ".a-1.jpg.opercle-0123abcd.part",
        crops / ".a-1.jpg.opercle-0123abcd-0123abcd.part",
        crops / part_of(run / "a-1.jpg").name,  # made in another folder and brought here
        crops / part_of(crops / "a-1.jpg").name.removeprefix("."),
    ]
    of_other_results = [part_of(crops / name) for name in ("a-2.jpg", f"{'c' * 40}", "a-1")]
    of_other_results.append(part_of(run / "growth.json"))
    for path in (*ours, *strangers, *of_other_results):
        path.touch()
    begun(run)
    assert {p for p in run.rglob("*") if p.name.endswith(".part")} == {*strangers, *of_other_results}


def test_a_file_that_the_run_did_not_write_is_neither_written_over_nor_removed(tmp_path):
    run = begun(tmp_path / "run")
    (run / "queue.csv").write_text("mine")
    with Ledger(run) as ledger:
        with pytest.raises(RunError, match=r"queue\.csv: lies where a result of this run belongs.*move it away"):
            ledger.files.claim(["ages.csv", "queue.csv"])
        ledger.files.remove(["queue.csv"])
        assert (run / "queue.csv").read_text() == "mine"
        ledger.files.claim(["ages.csv"])
        (run / "ages.csv").touch()
        ledger.files.claim(["ages.csv"])
        ledger.files.remove(["ages.csv"])
        assert not (run / "ages.csv").exists()


def test_where_scans_lie_is_kept_from_the_run_on_and_not_at_all_when_they_lie_far(tmp_path):
    near = places.kept_path(tmp_path / "runs" / "one", tmp_path / "scans" / "a.png")
    assert near == "../../scans/a.png"
    assert places.found_path(tmp_path / "runs" / "one", near) == (tmp_path / "scans" / "a.png").resolve()
    far = places.kept_path(tmp_path, Path("/srv/a.png"))
    assert places.is_far(far)
    assert "srv" not in far
    assert places.found_path(tmp_path, far) is None


def scan(path: Path, name: str | None = None) -> ScanRef:
    path.parent.mkdir(exist_ok=True)
    if not path.exists():
        path.write_text(str(path))
    stat = path.stat()
    return ScanRef(
        scan=name or path.name, path=path, size=stat.st_size, mtime_ns=stat.st_mtime_ns, ctime_ns=stat.st_ctime_ns,
        inode=stat.st_ino,
    )  # fmt: skip


def known(run: Path, ref: ScanRef) -> dict[str, KnownScan]:
    facts = KnownScan(
        scan=ref.scan, path=places.kept_path(run, ref.path), size=ref.size, mtime_ns=ref.mtime_ns,
        sha256="", settings="", code="", hints="", cause="new",
    )  # fmt: skip
    return {ref.scan: facts}


def test_scans_of_earlier_calls_stay_with_the_run(tmp_path):
    old, gone, new = (scan(tmp_path / name) for name in ("old.png", "gone.png", "new.png"))
    gone.path.unlink()
    run = tmp_path / "run"
    before = known(run, old) | known(run, gone) | known(run, new)
    assert earlier_scans(run, before, [new]) == {"old.png": old, "gone.png": None}


def test_a_second_scan_of_the_same_name_is_an_error_not_a_replacement(tmp_path):
    first, second = scan(tmp_path / "monday" / "a.png"), scan(tmp_path / "tuesday" / "a.png")
    with pytest.raises(RunError, match="holds another scan of that name"):
        earlier_scans(tmp_path / "run", known(tmp_path / "run", first), [second])


def test_that_holds_where_the_run_does_not_know_where_the_first_one_lies(tmp_path):
    run = Path("/srv/run")
    first, second = scan(tmp_path / "monday" / "a.png"), scan(tmp_path / "tuesday" / "a.png")
    assert earlier_scans(run, known(run, first), [first]) == {}
    with pytest.raises(RunError, match="holds another scan of that name"):
        earlier_scans(run, known(run, first), [second])


def test_names_that_differ_in_case_or_folder_only_would_share_pictures(tmp_path):
    first, second = scan(tmp_path / "a.png"), scan(tmp_path / "A.tif", "x/A.tif")
    with pytest.raises(RunError, match="another scan of that name"):
        earlier_scans(tmp_path / "run", known(tmp_path / "run", first), [second])


def test_the_same_scan_under_another_name_says_which_folder_to_give(tmp_path):
    first = scan(tmp_path / "x" / "a.png", "x/a.png")
    with pytest.raises(RunError, match="give the same folder as then"):
        earlier_scans(tmp_path / "run", known(tmp_path / "run", first), [scan(tmp_path / "x" / "a.png")])


def test_a_folder_that_was_moved_is_recognised(tmp_path):
    first = scan(tmp_path / "here" / "a.png")
    (tmp_path / "here").rename(tmp_path / "there")
    assert earlier_scans(tmp_path / "run", known(tmp_path / "run", first), [scan(tmp_path / "there" / "a.png")]) == {}
