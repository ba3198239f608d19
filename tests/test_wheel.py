"""The wheel holds all that the program needs: installed alone, in an empty environment elsewhere, it ages a scan."""

from __future__ import annotations

import csv
import os
import shutil
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

TOP = Path(__file__).parent.parent
BIN = "Scripts" if os.name == "nt" else "bin"


def run(*command: str | Path, cwd: Path) -> str:
    # Nothing of the checkout may help: neither its folder nor what the tests' environment has installed.
    kept = {name: value for name, value in os.environ.items() if name not in ("PYTHONPATH", "VIRTUAL_ENV")}
    told = subprocess.run(command, cwd=cwd, env=kept, capture_output=True, text=True, check=False)
    assert told.returncode == 0, told.stdout + told.stderr
    return told.stdout


@pytest.fixture(scope="module")
def wheel(tmp_path_factory) -> Path:
    """The wheel, built from a copy without leftovers of earlier builds."""
    source = tmp_path_factory.mktemp("source")
    for name in ("pyproject.toml", "README.md", "LICENSE"):
        shutil.copy(TOP / name, source)
    for name in ("pipeline", "configs"):
        shutil.copytree(TOP / name, source / name, ignore=shutil.ignore_patterns("__pycache__"))
    run(sys.executable, "-m", "build", "--wheel", "--outdir", source / "dist", source, cwd=source)
    (built,) = (source / "dist").glob("*.whl")
    return built


def test_every_file_of_the_package_is_in_the_wheel(wheel):
    with zipfile.ZipFile(wheel) as packed:
        there = set(packed.namelist())
    ours = {p.relative_to(TOP).as_posix() for p in (TOP / "pipeline").rglob("*") if p.is_file() and p.suffix != ".pyc"}
    ours |= {f"pipeline/{p.relative_to(TOP).as_posix()}" for p in (TOP / "configs").glob("*.toml")}
    assert ours - there == set()


def test_a_scan_is_aged_where_only_the_wheel_is_installed(wheel, tmp_path):
    environment, elsewhere = tmp_path / "environment", tmp_path / "elsewhere"
    elsewhere.mkdir()
    run(sys.executable, "-m", "venv", environment, cwd=tmp_path)
    # Without compiling in advance: only a small part of the libraries is ever imported here.
    run(environment / BIN / "python", "-m", "pip", "install", "-q", "--no-compile", wheel, cwd=elsewhere)
    shutil.copy(TOP / "fixtures" / "scans" / "sauger_1.jpg", elsewhere)
    printed = run(environment / BIN / "opercle", "age", "sauger_1.jpg", "--settings", "photocopy", "--out", "RUN",
                  cwd=elsewhere)  # fmt: skip
    assert "scans 1 = read 1 + refused 0" in printed
    with (elsewhere / "RUN" / "ages.csv").open(encoding="utf-8", newline="") as stream:
        (row,) = csv.DictReader(stream)
    assert (row["specimen"], row["status"]) == ("sauger_1", "aged")
    assert list((elsewhere / "RUN" / "overlays").glob("sauger_1*"))
