"""Which files are scans, and what they are called."""

from __future__ import annotations

import os
import subprocess
import unicodedata
from pathlib import Path

import pytest

from pipeline.errors import OpercleError
from pipeline.scans.scan_folder import MOST_NAMED, find_scans


def touch(folder: Path, *names: str) -> None:
    for name in names:
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_bytes(b"x")


def names(*paths: Path) -> list[str]:
    return [ref.scan for ref in find_scans(paths).scans]


def test_scans_are_found_by_suffix_of_any_case_in_folders_of_any_depth(tmp_path: Path) -> None:
    touch(tmp_path, "b.TIF", "a.tiff", "lake/c.Png", "lake/deep/d.jpg", "e.JPEG", "notes.txt", "f.csv", "g.tif.bak")
    assert names(tmp_path) == ["a.tiff", "b.TIF", "e.JPEG", "lake/c.Png", "lake/deep/d.jpg"]


def test_a_scan_carries_its_path_size_and_time(tmp_path: Path) -> None:
    touch(tmp_path, "lake/a.tif")
    (ref,) = find_scans([tmp_path]).scans
    found = (tmp_path / "lake/a.tif").stat()
    assert (ref.path, ref.size, ref.mtime_ns) == (tmp_path / "lake/a.tif", 1, found.st_mtime_ns)


def test_hidden_things_and_runs_are_passed_over(tmp_path: Path) -> None:
    touch(tmp_path, "a.tif", "._a.tif", ".hidden/b.tif", "run/run.json", "run/crops/a-1.jpg", "run/x.png")
    assert names(tmp_path) == ["a.tif"]


def test_a_folder_named_like_a_scan_is_a_folder(tmp_path: Path) -> None:
    touch(tmp_path, "tray.tif/a.png")
    assert names(tmp_path) == ["tray.tif/a.png"]


def test_several_folders_and_single_files_are_read_together_in_one_order(tmp_path: Path) -> None:
    touch(tmp_path, "one/b.tif", "two/a.tif", "c.png")
    for given in (("one", "two", "c.png"), ("c.png", "two", "one")):
        assert names(*(tmp_path / part for part in given)) == ["a.tif", "b.tif", "c.png"]


def test_a_scan_given_twice_is_read_once(tmp_path: Path) -> None:
    touch(tmp_path, "lake/a.tif")
    assert names(tmp_path, tmp_path / "lake", tmp_path / "lake/a.tif", tmp_path) == ["lake/a.tif"]


@pytest.mark.parametrize(
    ("first", "second", "says"),
    [
        ("a.tif", "a.png", "suffix"),
        ("A.tif", "a.tif", "case"),
        ("A.tif", "a.png", "case"),
        ("x/a.tif", "y/a.tif", "one name"),
        ("x/a.tif", "y/a.jpg", "suffix"),
        ("M\u00fcggel.tif", unicodedata.normalize("NFD", "M\u00fcggel.png"), "suffix"),
    ],
)
def test_names_that_would_name_two_bones_alike_are_an_error_that_names_both_files(
    tmp_path: Path, first: str, second: str, says: str
) -> None:
    touch(tmp_path, first, second, "fine.tif")
    with pytest.raises(OpercleError) as caught:
        find_scans([tmp_path])
    assert str(tmp_path / first) in str(caught.value)
    assert str(tmp_path / second) in str(caught.value)
    assert says in str(caught.value)
    assert "rename" in str(caught.value)
    assert "fine" not in str(caught.value)


def test_a_name_is_in_composed_unicode_form_whatever_the_disk_says(tmp_path: Path) -> None:
    touch(tmp_path, unicodedata.normalize("NFD", "M\u00fcggel.tif"))
    (ref,) = find_scans([tmp_path]).scans
    assert ref.scan == "M\u00fcggel.tif"
    assert ref.path.read_bytes() == b"x"


@pytest.mark.parametrize(
    ("name", "shown"),
    [
        ("a\nb.tif", "a\\nb.tif"),
        ("a\tb.tif", "a\\tb.tif"),
        ("a\u0007.tif", "a\\x07.tif"),
        ("a\xa0b.tif", "a\\xa0b.tif"),
    ],
)
def test_a_name_that_no_table_can_hold_refuses_that_scan_alone(tmp_path: Path, name: str, shown: str) -> None:
    touch(tmp_path, name, "fine.tif")
    found = find_scans([tmp_path])
    assert [ref.scan for ref in found.scans] == ["fine.tif"]
    assert [(refusal.scan, refusal.code) for _, refusal in found.refused] == [(shown, "odd-name")]


def test_a_name_that_is_no_text_refuses_that_scan_alone(tmp_path: Path) -> None:
    path = os.fsencode(tmp_path) + b"/bone\xff.tif"
    try:
        handle = os.open(path, os.O_CREAT | os.O_WRONLY)
    except OSError:
        pytest.skip("this disk takes text only")
    os.close(handle)
    ((_, refusal),) = find_scans([tmp_path]).refused
    assert refusal.code == "odd-name"
    refusal.scan.encode("utf-8")


@pytest.mark.parametrize("given", [".", "pipe.png"])
def test_what_is_no_regular_file_is_refused_without_being_opened(tmp_path: Path, given: str) -> None:
    touch(tmp_path, "fine.tif")
    os.mkfifo(tmp_path / "pipe.png")
    ((_, refusal),) = find_scans([tmp_path / given]).refused
    assert (refusal.scan, refusal.code) == ("pipe.png", "unreadable-file")


@pytest.mark.parametrize("given", [".", "one.png"])
def test_links_in_a_circle_are_refused_alone(tmp_path: Path, given: str) -> None:
    touch(tmp_path, "fine.tif")
    (tmp_path / "one.png").symlink_to(tmp_path / "two.jpg")
    (tmp_path / "two.jpg").symlink_to(tmp_path / "one.png")
    found = find_scans([tmp_path / given, tmp_path / "fine.tif"])
    assert [ref.scan for ref in found.scans] == ["fine.tif"]
    assert {refusal.code for _, refusal in found.refused} == {"unreadable-file"}


def test_folders_may_lie_deeper_than_calls_can(tmp_path: Path) -> None:
    deep = tmp_path
    kept = Path.cwd()
    try:
        os.chdir(deep)
        for _ in range(1100):
            Path("d").mkdir()
            os.chdir("d")
        Path("a.png").write_bytes(b"x")
    finally:
        os.chdir(kept)
    try:
        (ref,) = find_scans([tmp_path]).scans
    finally:  # Python's own removal goes a call deeper with every folder
        subprocess.run(["rm", "-rf", str(tmp_path / "d")], check=True)
    assert ref.scan.count("/") == 1100


def test_a_run_among_the_scans_is_named_and_so_is_what_only_looks_like_one(tmp_path: Path) -> None:
    touch(tmp_path, "a.tif", "lake/b.tif", "lake/deep/c.tif", "lake/run.json", "run/crops/a-1.jpg")
    (tmp_path / "run" / "run.json").write_text('{"made_by": "opercle", "run": "' + "0" * 32 + '"}')
    found = find_scans([tmp_path])
    assert [ref.scan for ref in found.scans] == ["a.tif"]
    assert {one.name: "a run of opercle" in one.why for one in found.passed_over} == {"run": True, "lake": False}
    assert "2 scans" in next(one.why for one in found.passed_over if one.name == "lake")


def test_what_was_passed_over_is_named_even_where_nothing_is_left_to_read(tmp_path: Path) -> None:
    touch(tmp_path, "lake/b.tif", "lake/run.json", "notes.pdf", "elsewhere.tif")
    (tmp_path / "given").mkdir()
    (tmp_path / "lake").rename(tmp_path / "given/lake")
    (tmp_path / "given/far.tif").symlink_to(tmp_path / "elsewhere.tif")
    with pytest.raises(OpercleError) as caught:
        find_scans([tmp_path / "given"])
    first, *named = str(caught.value).splitlines()
    assert first.endswith("but what is passed over; check the path")
    assert [line.split(":")[0].strip() for line in named] == ["far.tif", "lake"]
    assert "with 1 scan, because" in named[1]


def test_where_much_is_passed_over_the_first_are_named(tmp_path: Path) -> None:
    touch(tmp_path, *(f"{n}.pdf" for n in range(40)))
    with pytest.raises(OpercleError) as caught:
        find_scans([tmp_path])
    assert len(str(caught.value).splitlines()) == MOST_NAMED + 2
    assert str(caught.value).endswith(f"and {40 - MOST_NAMED} more")


def test_links_out_of_the_folder_are_not_followed_but_listed(tmp_path: Path) -> None:
    touch(tmp_path, "scans/a.tif", "elsewhere/b.tif")
    (tmp_path / "scans/b.tif").symlink_to(tmp_path / "elsewhere/b.tif")
    (tmp_path / "scans/more").symlink_to(tmp_path / "elsewhere")
    (tmp_path / "scans/loop").symlink_to(tmp_path / "scans")
    (tmp_path / "scans/gone.tif").symlink_to(tmp_path / "scans/nothing.tif")
    (tmp_path / "scans/again.tif").symlink_to(tmp_path / "scans/a.tif")
    found = find_scans([tmp_path / "scans"])
    assert [ref.scan for ref in found.scans] == ["a.tif"]
    assert sorted(one.name for one in found.passed_over) == ["b.tif", "gone.tif", "loop", "more"]
    assert [one.name for one in found.doubled] == ["again.tif"]


@pytest.mark.parametrize(
    ("path", "says"),
    [
        ("nowhere", "no such file"),
        ("empty", "holds no scan"),
        ("run", "holds a run.json"),
        ("notes.txt", "not named like"),
    ],
)
def test_what_holds_no_scan_is_an_error_with_its_cure(tmp_path: Path, path: str, says: str) -> None:
    touch(tmp_path, "empty/x.txt", "run/run.json", "run/crops/a.jpg", "notes.txt")
    with pytest.raises(OpercleError, match=says) as caught:
        find_scans([tmp_path / path])
    assert ";" in str(caught.value)


def test_other_kinds_of_pictures_are_passed_over_by_name(tmp_path):
    for name in ("a.tif", "b.HEIC", "c.pdf", "notes.txt"):
        (tmp_path / name).write_bytes(b"x")
    found = find_scans([tmp_path])
    assert [ref.scan for ref in found.scans] == ["a.tif"]
    assert [p.name for p in found.passed_over] == ["b.HEIC", "c.pdf"]
