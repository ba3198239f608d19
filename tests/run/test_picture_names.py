"""File names of pictures: safe everywhere, never shared, readable."""

from __future__ import annotations

import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.run.picture_names import picture_names

# Microsoft, "Naming Files, Paths, and Namespaces".
FORBIDDEN = set('<>:"/\\|?*')
DEVICES = {"con", "prn", "aux", "nul"} | {f"{port}{n}" for port in ("com", "lpt") for n in range(10)}
AWKWARD = (
    "a/b",
    "CON",
    "con.1",
    "Lpt9",
    "COM¹",
    "x.",
    " x",
    "x ",
    ".x",
    "a:b",
    "50%",
    "a?b",
    "é",
    "e\u0301",
    "ß",
    "ss",
    "ﬁ",
    "fi",
    "A1",
    "a1",
    "x" * 100,
    "Ж" * 100,
    "\U0001f41f" * 100,
    "/" * 100,
    "~",
)


def check(names: dict[str, str]) -> None:
    for name in names.values():
        assert name
        assert not set(name) & FORBIDDEN
        assert all(ord(c) >= 32 for c in name)
        assert name[0] not in ". "
        assert name[-1] not in ". "
        assert name.split(".")[0].strip().casefold() not in DEVICES
        assert len(name.encode()) <= 200
        assert unicodedata.normalize("NFC", name) == name, "a file system that composes letters changes nothing"
    folded = {unicodedata.normalize("NFKC", name).casefold() for name in names.values()}
    assert len(folded) == len(names), "no two names meet on a file system that ignores case"


def test_awkward_ids_get_safe_names() -> None:
    check(picture_names(AWKWARD))


@given(st.lists(st.text(min_size=1, max_size=100), unique=True, max_size=12))
def test_any_ids_get_safe_names(specimens: list[str]) -> None:
    check(picture_names(specimens))


@pytest.mark.parametrize("name", ["P00012", "Marsh Lake 7", "2019-WAL_3(b)", "Щука-12", "Größe7"])
def test_usual_ids_are_their_own_names(name: str) -> None:
    assert picture_names([name]) == {name: name}


def test_the_name_does_not_depend_on_the_other_specimens_unless_they_share_it() -> None:
    assert picture_names(["A1", "B2", "C3"])["A1"] == picture_names(["A1"])["A1"]
