"""A file is the old one or the new one."""

from __future__ import annotations

import os
import stat
from pathlib import Path

import pytest

from pipeline.tables.atomic import there, write_bytes, write_text


def test_a_file_is_written_and_replaced_and_nothing_is_left_beside(tmp_path: Path) -> None:
    path = tmp_path / "ages.csv"
    assert write_text(path, "M\u00fc\n") == path
    assert write_bytes(path, b"new\r\n") == path
    assert path.read_bytes() == b"new\r\n"
    assert list(tmp_path.iterdir()) == [path]


def test_a_file_is_as_open_as_the_users_others(tmp_path: Path) -> None:
    plain = tmp_path / "plain"
    plain.write_bytes(b"")
    path = write_bytes(tmp_path / "ages.csv", b"x")
    assert stat.S_IMODE(path.stat().st_mode) == stat.S_IMODE(plain.stat().st_mode)


def test_a_failure_leaves_the_old_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "ages.csv"
    path.write_bytes(b"old")

    def full(handle: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OSError, match="No space"):
        write_bytes(path, b"new")
    assert path.read_bytes() == b"old"
    assert list(tmp_path.iterdir()) == [path]


def test_a_file_held_open_elsewhere_is_written_beside_under_a_name_that_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "ages.csv"
    path.write_bytes(b"old")
    replace = Path.replace

    def held(self: Path, target: Path) -> Path:
        if target == path:
            raise PermissionError(13, "held open")
        return replace(self, target)

    monkeypatch.setattr(Path, "replace", held)
    assert write_bytes(path, b"new") == tmp_path / "ages.new.csv"
    assert (path.read_bytes(), (tmp_path / "ages.new.csv").read_bytes()) == (b"old", b"new")


def test_a_long_name_can_be_written(tmp_path: Path) -> None:
    path = tmp_path / ("b" * 250 + ".csv")
    assert write_bytes(path, b"x").read_bytes() == b"x"


def test_a_replaceable_file_that_a_power_cut_has_emptied_is_not_there(tmp_path: Path) -> None:
    picture = write_bytes(tmp_path / "bone.jpg", b"picture", replaceable=True)
    assert there(picture)
    picture.write_bytes(b"")
    assert not there(picture)
    picture.unlink()
    assert not there(picture)
