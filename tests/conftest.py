"""What every test shares."""

from __future__ import annotations

import sys

import pytest


@pytest.fixture(scope="session", autouse=True)
def _children_do_not_import_the_test_runner():
    """A child process imports its parent's main file again; pytest's own costs more than the work under test."""
    main = sys.modules["__main__"]
    kept = main.__dict__.pop("__file__", None)
    yield
    if kept is not None:
        main.__file__ = kept
