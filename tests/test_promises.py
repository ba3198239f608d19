"""What the project promises of itself: the house stands as drawn, and the pages say what the program does."""

from __future__ import annotations

import ast
import re
import subprocess
import tomllib
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from statistics import median

import pytest
import typer
from pydantic import BaseModel

from pipeline import cli
from pipeline.codes import NOTICES, REASONS, REFUSALS
from pipeline.run import results
from pipeline.settings.files import SHIPPED
from pipeline.settings.whole import Settings
from pipeline.tables import readings, specimens

TOP = Path(__file__).parent.parent
README = (TOP / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (TOP / "DEVELOPERS.md").read_text(encoding="utf-8")
NOTEBOOKS = [page.read_text(encoding="utf-8") for page in sorted(TOP.glob("tests/*/README.md"))]
MODULES = {p.relative_to(TOP).as_posix(): p.read_text(encoding="utf-8") for p in (TOP / "pipeline").rglob("*.py")}
TREES = {name: ast.parse(text) for name, text in MODULES.items()}

ROOMS = (
    "start",
    "first_instants",
    "cli", "command_line",
    "commands", "desk", "pages", "learn", "run", "batch", "pictures", "audit", "growth", "together", "counting",
    "bone", "tables", "scans", "simulate", "settings", "codes", "fish_records",
    "records", "estimate", "names", "regular_files", "threads", "errors",
)  # fmt: skip
"""From the top down: a room may import from those below it."""
PURE = ("bone", "counting", "together", "audit", "growth")
"""Rooms of pure functions: files, clocks, processes and printing belong elsewhere."""
IMPURE = {
    "asyncio", "concurrent", "distributed", "logging", "multiprocessing", "os", "pathlib", "shutil",
    "sqlite3", "subprocess", "sys", "tempfile", "threading", "time", "tqdm", "typer",
}  # fmt: skip
MOST_LINES = 350
"""Of a module. Longer ones have, as a rule, more than one job."""
COMMANDS = typer.main.get_command(cli.app).commands


def room(module: str) -> str:
    """The room of `pipeline/bone/focus.py` is `bone`, that of `pipeline/codes.py` is `codes`."""
    return Path(module).parts[1].removesuffix(".py")


def imports(module: str) -> Iterator[tuple[str, str]]:
    """Each import of a module as (from where, what)."""
    for node in ast.walk(TREES[module]):
        if isinstance(node, ast.Import):
            yield from ((alias.name, "") for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{module}: imports are written in full"
            yield from ((node.module or "", alias.name) for alias in node.names)


def house_imports(module: str) -> Iterator[tuple[str, str]]:
    """Each import of a module from the house as (room, what)."""
    for where, what in imports(module):
        if where == "pipeline":
            yield what, ""
        elif where.startswith("pipeline."):
            yield where.split(".")[1], what


def tracked() -> list[str]:
    """Files of the project, without what is built, installed or cached."""
    told = subprocess.run(["git", "ls-files"], cwd=TOP, capture_output=True, text=True, check=False)
    if told.returncode:
        pytest.skip("not a checkout of the repository: cannot tell the project's files from others")
    return told.stdout.splitlines()


# ------------------------------------------------------------------------------------------------ the house
def test_imports_point_down_the_page_only():
    order = {name: place for place, name in enumerate(ROOMS)}
    wrong = [
        f"{module} imports {below}"
        for module in MODULES
        if room(module) != "__init__"
        for below, _ in house_imports(module)
        if below != room(module) and order[below] < order[room(module)]
    ]
    assert wrong == []


@pytest.mark.parametrize("pure", PURE)
def test_pure_rooms_touch_no_file_clock_process_or_screen(pure):
    mine = [module for module in MODULES if room(module) == pure]
    found = [f"{m} imports {w}" for m in mine for w, _ in imports(m) if w.split(".")[0] in IMPURE]
    found += [
        f"{m} line {node.lineno} calls {node.func.id}"
        for m in mine
        for node in ast.walk(TREES[m])
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in ("print", "open", "input")
    ]
    assert found == []


def test_what_draws_bones_and_what_reads_them_share_nothing_but_names_of_types():
    shared = {
        below: {what for m in MODULES if room(m) == "simulate" for b, what in house_imports(m) if b == below}
        & {what for m in MODULES if room(m) == "bone" for b, what in house_imports(m) if b == below}
        for below in ROOMS
    }
    assert set(shared.pop("records")) <= {"Float", "Mask", "Point"}
    assert not any(shared.values())
    assert all(
        below in ("simulate", "records") for m in MODULES if room(m) == "simulate" for below, _ in house_imports(m)
    )


def test_only_the_ledger_speaks_sql_and_only_the_command_line_takes_options():
    assert {m for m in MODULES for where, _ in imports(m) if where.split(".")[0] == "sqlite3"} == {
        "pipeline/run/ledger_file.py",
        "pipeline/run/run_lock.py",
    }
    sql = re.compile(r'"(SELECT|INSERT|UPDATE|DELETE|PRAGMA|BEGIN) ')
    speak = {m for m, text in MODULES.items() if sql.search(text)}
    assert {m for m in speak if not m.startswith("pipeline/run/ledger")} == {"pipeline/run/run_lock.py"}
    assert {m for m in MODULES for where, _ in imports(m) if where.split(".")[0] == "typer"} == {
        "pipeline/cli.py",
        "pipeline/command_line/help_page.py",
        "pipeline/command_line/number_options.py",
    }


def test_modules_are_short():
    lines = {m: len(text.splitlines()) for m, text in MODULES.items()}
    assert [m for m, many in lines.items() if many > MOST_LINES] == []
    assert median(lines.values()) < 150


def test_nothing_stands_in_the_program_that_only_tests_use():
    pages = [p.read_text(encoding="utf-8") for p in (TOP / "pipeline").rglob("*") if p.suffix in (".html", ".js")]
    words = Counter(re.findall(r"\w+", "\n".join([*MODULES.values(), *pages])))
    defined = {
        name
        for tree in TREES.values()
        for node in tree.body
        for name in (
            [node.name]
            if isinstance(node, ast.FunctionDef | ast.ClassDef)
            else [t.id for t in getattr(node, "targets", [getattr(node, "target", None)]) if isinstance(t, ast.Name)]
        )
    }
    assert len(defined) > 1000
    assert [name for name in sorted(defined) if words[name] < 2] == []


def test_every_module_says_what_it_is_for():
    assert [m for m, tree in TREES.items() if not ast.get_docstring(tree)] == []


def test_nothing_new_stands_at_the_top_of_the_project():
    allowed = {"README.md", "DEVELOPERS.md", "pyproject.toml", "LICENSE", "pipeline", "configs", "tests", "fixtures"}
    top = {name.split("/")[0] for name in tracked()}
    assert {name for name in top if not name.startswith(".")} <= allowed


def test_nothing_is_left_to_do():
    words = ("TO" + "DO", "FIX" + "ME", "XX" + "X")
    texts = [name for name in tracked() if Path(name).suffix in (".py", ".toml", ".md", ".html", ".css", ".js", "")]
    assert [n for n in texts if any(w in (TOP / n).read_text(encoding="utf-8", errors="ignore") for w in words)] == []


def test_every_package_is_in_the_wheel():
    listed = tomllib.loads((TOP / "pyproject.toml").read_text(encoding="utf-8"))["tool"]["setuptools"]["packages"]
    there = {".".join(Path(m).parent.parts) for m in MODULES}
    assert set(listed) == there | {"pipeline.configs"}


# ------------------------------------------------------------------------------------------------ codes
ALL_CODES = REASONS | NOTICES | REFUSALS


def test_a_code_stands_for_one_thing():
    assert len(ALL_CODES) == len(REASONS) + len(NOTICES) + len(REFUSALS)
    assert all(name == code.code for name, code in ALL_CODES.items())


@pytest.mark.parametrize("registry", [REASONS, NOTICES, REFUSALS], ids=["reasons", "notices", "refusals"])
def test_the_readme_lists_the_codes_in_the_words_of_the_registry(registry):
    lines = README.splitlines()
    start = lines.index(row_of(next(iter(registry.values()))))
    end = next(n for n in range(start, len(lines)) if not lines[n].startswith("|"))
    assert lines[start:end] == [row_of(code) for code in registry.values()]


def row_of(code) -> str:
    return f"| `{code.code}` | {code.means} | {code.cure} |"


def test_every_code_is_used():
    used = {
        node.value
        for module, tree in TREES.items()
        if module != "pipeline/codes.py"
        for node in ast.walk(tree)
        if isinstance(node, ast.Constant) and isinstance(node.value, str)
    }
    assert set(ALL_CODES) - used == set()


def test_every_scan_is_refused_with_a_code_of_the_registry():
    given = {
        node.args[0].value
        for tree in TREES.values()
        for node in ast.walk(tree)
        if isinstance(node, ast.Call)
        and getattr(node.func, "id", "") in ("ScanRefused", "Fault")
        and node.args
        and isinstance(node.args[0], ast.Constant)
    }
    assert given <= set(REFUSALS)


# ------------------------------------------------------------------------------------------------ settings
def leaves(model: type[BaseModel], at: tuple[str, ...] = ()) -> Iterator[tuple[tuple[str, ...], bool]]:
    """Every key that a model has, by its place, and whether it must be given."""
    for name, field in model.model_fields.items():
        kind = field.annotation
        if isinstance(kind, type) and issubclass(kind, BaseModel):
            yield from leaves(kind, (*at, name))
        else:
            yield (*at, name), field.is_required()


def stands_in(content: object, place: tuple[str, ...]) -> bool:
    for key in place:
        if not isinstance(content, dict) or key not in content:
            return False
        content = content[key]
    return True


KEYS = dict(leaves(Settings))


def test_every_setting_has_its_value_in_a_file():
    shipped = [tomllib.loads((SHIPPED / f"{name}.toml").read_text(encoding="utf-8")) for name in ("general", "fitted")]
    must = [place for place, required in KEYS.items() if required]
    assert [".".join(place) for place in must if not any(stands_in(content, place) for content in shipped)] == []


@pytest.mark.parametrize("file", sorted(p.name for p in SHIPPED.glob("*.toml") if p.name != "fitted.toml"))
def test_every_value_in_a_settings_file_says_what_it_means(file):
    lines = (SHIPPED / file).read_text(encoding="utf-8").splitlines()
    assert lines[0].startswith("# ")
    bare = [line for line in lines if "=" in line.split("#")[0] and not re.search(r"# *\S+( +\S+){2,}", line)]
    assert [line for line in bare if not line.startswith("species = ")] == []


def test_every_setting_is_read_by_the_program():
    read = {
        node.attr
        for module, tree in TREES.items()
        if not module.startswith("pipeline/settings/")
        for node in ast.walk(tree)
        if isinstance(node, ast.Attribute)
    }
    assert [".".join(place) for place in KEYS if place[-1] not in read] == []


def test_the_readme_names_every_settings_file_that_a_user_gives():
    for file in SHIPPED.glob("*.toml"):
        content = tomllib.loads(file.read_text(encoding="utf-8"))
        assert (
            f"`{content.get('species', file.stem)}`" in README
            or f"--settings {file.stem}" in README
            or (f"`{file.name}`" in README)
        )


# ------------------------------------------------------------------------------------------------ pages
def section_of(command: str) -> str:
    """The README's section that shows a command at work."""
    sections = re.split(r"^## ", README, flags=re.MULTILINE)
    found = [s for s in sections if re.search(rf"^```sh\nopercle {command} ", s, flags=re.MULTILINE)]
    assert found, f"no section of README.md shows `opercle {command} ...` in a block of its own"
    return found[0]


@pytest.mark.parametrize("command", sorted(COMMANDS))
def test_the_readme_tells_of_every_command_and_each_of_its_options(command):
    told = section_of(command)
    options = [o for p in COMMANDS[command].params for o in p.opts if o.startswith("--") and o != "--help"]
    assert [option for option in options if f"| `{option}` |" not in told] == []


def test_the_pages_show_no_command_or_option_that_does_not_exist():
    for page in (README, DEVELOPERS, *NOTEBOOKS):
        for line in re.findall(r"opercle ((?:[a-z]+ )[^`|\n]*)", "\n".join(re.findall(r"```sh\n(.*?)```", page, re.S))):
            command, *words = line.split()
            assert command in COMMANDS, line
            known = {option for p in COMMANDS[command].params for option in p.opts}
            assert {word for word in words if word.startswith("--")} <= known, line


@pytest.mark.parametrize("table", ["AGES", "ANNULI", "COUNT_PROBABILITIES", "AGE_PROBABILITIES", "REFUSED", "CHANGES"])
def test_the_readme_tells_of_every_column_that_comes_out(table):
    assert [c.name for c in getattr(results, table) if f"`{c.name}`" not in README] == []


@pytest.mark.parametrize("table", [specimens, readings], ids=["specimens", "readings"])
def test_the_readme_tells_of_every_column_that_goes_in(table):
    assert [name for name in (*table.REQUIRED, *table.OPTIONAL) if f"`{name}`" not in README] == []


def test_the_readme_tells_every_exit_status():
    (told,) = re.findall(r"^### Exit status\n(.*?)^#", README, re.S | re.M)
    assert all(f"**{status}**" in told for status in (0, 1, 2))


def test_the_readmes_two_commands_are_one_line_each_and_the_checks_run_the_second():
    lines = [line for line in README.splitlines() if line.startswith("python3 -m venv")]
    ages, tests = lines
    assert " && opercle age fixtures/scans --specimens fixtures/specimens.csv " in ages
    assert tests.endswith(" && python -m pytest")
    assert tests in (TOP / ".ci" / "run").read_text(encoding="utf-8").splitlines()


def test_every_file_that_a_page_links_to_is_there():
    for page in (README, DEVELOPERS):
        for target in re.findall(r"\]\((?!https?:)([^)#]+)\)", page):
            assert (TOP / target).is_file(), target


def test_the_picture_of_the_readme_is_small():
    pictures = re.findall(r"!\[[^\]]+\]\(([^)]+)\)", README)
    assert pictures
    assert all((TOP / picture).stat().st_size < 200_000 for picture in pictures)


def test_every_folder_of_tests_is_explained():
    folders = {p.name for p in (TOP / "tests").iterdir() if p.is_dir() and list(p.glob("*.py"))}
    assert {name for name in folders if f"`tests/{name}/`" not in DEVELOPERS} == set()


def test_every_room_is_explained():
    rooms = {room(module) for module in MODULES} - {"__init__"}
    assert {name for name in rooms if not re.search(rf"`{name}(/|\.py)`", DEVELOPERS)} == set()


def test_no_two_classes_have_the_same_name():
    names = Counter(node.name for tree in TREES.values() for node in ast.walk(tree) if isinstance(node, ast.ClassDef))
    assert [name for name, times in names.items() if times > 1] == []
