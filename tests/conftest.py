from __future__ import annotations

import os
from pathlib import Path

import pytest

from pipeline.threads import ONE_THREAD

# As every command does it, and before a library looks: several tests run at once, and threads of linear algebra that
# wait for one another on a busy machine take many times as long as one alone.
os.environ.update(ONE_THREAD)


LONGEST = ("test_wheel.py", "test_learn.py")
"""Modules with tests of half a minute and more."""


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """The longest tests come first: at the end one process would wait for the other to finish them."""
    items.sort(key=lambda item: item.path.name not in LONGEST)


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
