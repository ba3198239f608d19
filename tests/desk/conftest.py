from __future__ import annotations

from pathlib import Path

import pytest
from desk.runs import desk_of, served


@pytest.fixture
def desk(run: Path):
    with desk_of(run) as opened:
        yield opened


@pytest.fixture
def client(desk):
    with served(desk) as opened:
        yield opened
