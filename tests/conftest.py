from __future__ import annotations

from pathlib import Path

import pytest


@pytest.fixture(scope="session")
def first_run(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A small run, aged once for all tests that look at one; `run` is a copy of it."""
    from desk.runs import aged_run

    return aged_run(tmp_path_factory.mktemp("small"))


@pytest.fixture
def run(first_run: Path, tmp_path: Path) -> Path:
    """A small run of the test's own."""
    from desk.runs import copied

    return copied(first_run, tmp_path)
