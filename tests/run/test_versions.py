"""What is done again after a change of the program: only what the changed code makes."""

from __future__ import annotations

import ast
import shutil
from pathlib import Path

import pytest

from pipeline.run import versions

PACKAGE = Path(versions.__file__).parent.parent
DIGESTS = {"scans read": versions.first_pass, "ages": versions.second_pass, "pictures": versions.pictures}


def done_again(tmp_path: Path, module: str) -> set[str]:
    """What another comment in a module makes be done again."""
    package = tmp_path / "pipeline"
    shutil.copytree(PACKAGE, package, ignore=shutil.ignore_patterns("__pycache__"))
    before = {name: digest(package) for name, digest in DIGESTS.items()}
    with (package / module).open("a", encoding="utf-8") as stream:
        stream.write("# another comment\n")
    return {name for name, digest in DIGESTS.items() if digest.__wrapped__(package) != before[name]}


@pytest.mark.parametrize(
    ("module", "again"),
    [
        ("tables/tables.py", set()),
        ("pages/audit_page.py", set()),
        ("run/results.py", set()),
        ("cli.py", set()),
        ("bone/focus.py", {"scans read", "ages"}),
        ("scans/scan_file.py", {"scans read"}),
        ("run/record_text.py", {"scans read", "ages"}),
        ("counting/sequence.py", {"ages"}),
        ("together/review.py", {"ages"}),
        ("pictures/overlay.py", {"pictures"}),
        ("records.py", {"scans read", "ages", "pictures"}),
    ],
)
def test_a_change_of_the_program_makes_only_that_again_which_the_changed_code_makes(tmp_path, module, again):
    assert done_again(tmp_path, module) == again


def house_imports(module: Path) -> set[Path]:
    """Modules of the house that a module imports, at its top or inside a function."""
    found = set()
    for node in ast.walk(ast.parse(module.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("pipeline"):
            place = PACKAGE.parent.joinpath(*(node.module or "").split("."))
            found |= {place.with_suffix(".py"), *((place / alias.name).with_suffix(".py") for alias in node.names)}
    return {path for path in found if path.is_file()}


def leans_on(start: str) -> set[str]:
    """All modules of the house that a module imports, directly or through others."""
    seen: set[Path] = set()
    todo = [PACKAGE / start]
    while todo:
        module = todo.pop()
        if module not in seen:
            seen.add(module)
            todo += house_imports(module)
    return {module.relative_to(PACKAGE).as_posix() for module in seen}


WITHOUT_EFFECT = (
    "settings",
    "errors.py",
    "batch/",
    "tables/",
    "run/places.py",
    "run/ledger",
    "regular_files.py",
    "threads.py",
    "scans/run_mark.py",
)
"""Settings have digests of their own; errors, the child process, opening and writing of files, how many threads,
and the ledger change no result."""


@pytest.mark.parametrize(
    ("digest", "starts"),
    [
        ("scans read", ["run/first_pass.py"]),
        ("ages", ["together/second_pass.py", "run/placing.py"]),
        ("pictures", ["run/drawing.py"]),
    ],
)
def test_every_module_that_makes_a_result_is_in_its_digest(tmp_path, digest, starts):
    package = tmp_path / "pipeline"
    shutil.copytree(PACKAGE, package, ignore=shutil.ignore_patterns("__pycache__"))
    before = DIGESTS[digest](package)
    missed = []
    for module in sorted(set().union(*map(leans_on, starts))):
        text = (package / module).read_text(encoding="utf-8")
        (package / module).write_text(text + "# another comment\n", encoding="utf-8")
        if DIGESTS[digest].__wrapped__(package) == before and not module.startswith(WITHOUT_EFFECT):
            missed.append(module)
        (package / module).write_text(text, encoding="utf-8")
    assert missed == []
