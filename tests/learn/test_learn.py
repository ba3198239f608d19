"""A fit that anyone can repeat: the same command writes the same file, and the program can use it."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from pipeline.settings.files import SHIPPED, read_settings

pytest.importorskip("sklearn")

MAKES = ("thin_blade", "light_table")
BONES = 20


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    from pipeline.learn.__main__ import fitted

    kept = tmp_path_factory.mktemp("kept")
    table, text = fitted(BONES, kept, 1, keep_focus=True, makes=MAKES)
    assert {*MAKES, "all"} >= set(table.index)
    return kept, text


def test_the_same_command_writes_the_same_file_to_the_last_byte(small: tuple[Path, str]) -> None:
    from pipeline.learn.__main__ import fitted

    kept, text = small
    assert fitted(BONES, kept, 1, keep_focus=True, makes=MAKES)[1] == text


def test_the_file_says_what_it_was_made_from_and_holds_what_the_shipped_one_holds(small: tuple[Path, str]) -> None:
    text = small[1]
    assert f"{BONES} bones of each of {len(MAKES)} makes, seed 101" in text
    shipped = tomllib.loads((SHIPPED / "fitted.toml").read_text(encoding="utf-8"))
    written = tomllib.loads(text)
    assert written.keys() == shipped.keys()
    assert {k: v.keys() for k, v in written.items()} == {k: v.keys() for k, v in shipped.items()}


def test_the_program_can_use_what_was_fitted(small: tuple[Path, str], tmp_path: Path) -> None:
    file = tmp_path / "small.toml"
    file.write_text(small[1], encoding="utf-8")
    settings = read_settings([file])
    assert settings.evidence != read_settings().evidence


def test_the_shipped_file_says_how_it_was_made() -> None:
    head = (SHIPPED / "fitted.toml").read_text(encoding="utf-8").splitlines()[:4]
    assert "python -m pipeline.learn" in head[0]
    assert "bones of each of" in head[1]
