"""The command line says what went wrong in a line, with an exit status for scripts, and never a traceback."""

from __future__ import annotations

import errno
import re
import subprocess
import sys

import pytest
from typer.testing import CliRunner

from pipeline import cli
from pipeline.errors import RunError, TableError

COMMANDS = [command.name or command.callback.__name__ for command in cli.app.registered_commands]


def ended(monkeypatch, capsys, error: BaseException) -> tuple[object, str, str]:
    def fails() -> None:
        raise error

    monkeypatch.setattr(cli, "app", fails)
    with pytest.raises(SystemExit) as end:
        cli.main()
    out, err = capsys.readouterr()
    return end.value.code, out, err


def shown(*arguments: str) -> str:
    told = CliRunner().invoke(cli.app, arguments, prog_name="opercle")
    assert told.exit_code == 0
    return told.stdout


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_shows_one_worked_example(command):
    page = shown(command, "--help")
    assert page.count(f"opercle {command} ") >= 1
    assert page.count("Example:") == 1


@pytest.mark.parametrize("command", COMMANDS)
def test_help_names_what_to_write_and_no_kind_or_bound_of_the_program(command):
    assert not re.search(r"<[a-zA-Z]|list\[|[<>]=|\{", shown(command, "--help"))


def test_usage_names_what_must_be_given_and_the_list_of_commands_cuts_no_sentence():
    assert "Usage: opercle age SCANS... --out FOLDER [OPTIONS]" in shown("age", "--help")
    assert "Usage: opercle refit RUN READINGS --out FILE [OPTIONS]" in shown("refit", "--help")
    everything = shown("--help")
    assert all(f"\n  {command} " in everything for command in COMMANDS)
    assert "..." not in everything.split("Commands:")[1]


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["age", "scans", "--out", "x", "--workers", "0"], "'0' is not a whole number of at least 1."),
        (["age", "scans", "--out", "x", "--workers", "two"], "'two' is not a whole number of at least 1."),
        (["desk", "run", "--port", "65536"], "'65536' is not a whole number from 0 to 65535."),
        (["triage", "run", "--max-error", "nan"], "'nan' is not a share from 0 to 1, as 0.02 for two in a hundred."),
        (["triage", "run", "--max-error", "2 %"], "'2 %' is not a share from 0 to 1, as 0.02 for two in a hundred."),
    ],
)
def test_a_number_that_cannot_be_is_named_with_what_it_may_be(arguments, says):
    told = CliRunner().invoke(cli.app, arguments)
    assert (told.exit_code, says in told.output) == (2, True)


@pytest.mark.parametrize(
    "arguments", [["age"], ["age", "scans"], ["age", "scans", "--out", "x", "--workers", "0"], ["nonsense"]]
)
def test_wrong_usage_has_the_status_2(arguments):
    assert CliRunner().invoke(cli.app, arguments).exit_code == 2


def test_what_could_not_be_done_has_the_status_1_and_its_reason_on_standard_error(monkeypatch, capsys):
    assert ended(monkeypatch, capsys, RunError("the reason; the cure")) == (1, "", "the reason; the cure\n")


def test_every_fault_of_a_table_is_a_line(monkeypatch, capsys):
    assert ended(monkeypatch, capsys, TableError(["row 2: a", "row 3: b"])) == (1, "", "row 2: a\nrow 3: b\n")


def test_a_missing_system_library_is_told_with_what_to_install(monkeypatch, capsys):
    missing = ImportError("libGL.so.1: cannot open shared object file: No such file or directory")
    status, _, err = ended(monkeypatch, capsys, missing)
    assert status == 1
    assert "apt-get install libgl1 libglib2.0-0" in err
    assert len(err.splitlines()) == 1


@pytest.mark.parametrize(
    ("error", "says"),
    [
        (OSError(errno.ENOSPC, "No space left on device", "run/crops/a-1.jpg"), "run/crops/a-1.jpg: No space left"),
        (MemoryError(), "fewer --workers"),
        (ZeroDivisionError("division by zero"), "please report this line"),
    ],
)
def test_even_what_nobody_foresaw_is_one_line(monkeypatch, capsys, error, says):
    status, out, err = ended(monkeypatch, capsys, error)
    assert (status, out, len(err.splitlines())) == (1, "", 1)
    assert says in err


def test_help_needs_no_image_library():
    code = "import sys; from pipeline import cli; print(sorted({'cv2', 'scipy', 'numpy'} & set(sys.modules)))"
    told = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert told.stdout == "[]\n"


def test_the_parent_of_all_children_loads_no_library_that_only_drawing_or_workbooks_need():
    unneeded = {"matplotlib", "openpyxl", "scipy.interpolate", "scipy.optimize", "scipy.stats", "skimage", "sklearn"}
    code = f"import sys; import pipeline.commands.age; print(sorted({unneeded} & set(sys.modules)))"
    found = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert found.stdout == "[]\n"
