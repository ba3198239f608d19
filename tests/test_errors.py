"""A fault reads the same in whichever process it was found."""

from __future__ import annotations

import pickle

import pytest

from pipeline.errors import ScanRefused, TableError


@pytest.mark.parametrize(
    "fault",
    [TableError(["specimens.csv, row 3: no scan; name one", "specimens.csv, row 9: no scan; name one"]),
     TableError([f"specimens.csv, row {n}: no scan; name one" for n in range(300)]),
     ScanRefused("truncated", "ends after 3 of 12 strips")],
)  # fmt: skip
def test_a_fault_that_comes_from_another_process_has_its_own_words(fault: Exception) -> None:
    there = pickle.loads(pickle.dumps(fault))
    assert type(there) is type(fault)
    assert str(there) == str(fault)
    assert vars(there) == vars(fault)
