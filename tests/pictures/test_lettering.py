"""Text fits, and names that differ look different."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.pictures.lettering import Words, extent, legible, wrapped, write_words

NAMES = ("LAKE-0012", "Größe 7", "Щука-12", "Ω-3", "鱸-1", "鱹-1", "tab\there", "a\u202eb")


@pytest.mark.parametrize("name", NAMES)
def test_a_name_of_any_script_is_written(name: str) -> None:
    paper = np.full((60, 600, 3), 255, np.uint8)
    line = Words(legible(name), 10, 10, 20, (0, 0, 0))
    write_words(paper, [line])
    rows, columns = np.nonzero((paper != 255).any(axis=2))
    left, top, right, bottom = line.box
    assert len(rows) > 30
    assert left - 1 <= columns.min()
    assert columns.max() <= right
    assert top <= rows.min()
    assert rows.max() <= bottom


def test_a_line_that_reaches_over_the_picture_is_cut_off() -> None:
    whole, part = np.full((60, 200, 3), 255, np.uint8), np.full((18, 40, 3), 255, np.uint8)
    write_words(whole, [Words("LAKE-0012", 20, 20, 20, (0, 0, 0))])
    write_words(part, [Words("LAKE-0012", -10, -10, 20, (0, 0, 0)), Words("far", 300, 90, 20, (0, 0, 0))])
    assert (part != 255).any()
    assert np.array_equal(part, whole[30:48, 30:70])


def test_names_that_differ_stay_different_where_the_font_lacks_their_letters() -> None:
    assert len({legible(name) for name in NAMES}) == len(NAMES)
    assert legible("LAKE-0012") == "LAKE-0012"
    assert legible("Щука-12") == "Щука-12"
    assert legible("鱸-1") == "{9C78}-1"


@given(st.text(st.characters(min_codepoint=32, max_codepoint=1200), max_size=120), st.integers(60, 300))
def test_wrapped_lines_fit_and_nothing_is_lost(text: str, width: int) -> None:
    text = legible(text)
    lines = wrapped(text, width, 14)
    assert all(extent(line, 14)[0] <= width for line in lines)
    assert "".join(lines).replace(" ", "") == text.replace(" ", "")
