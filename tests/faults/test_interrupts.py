"""Ctrl-C at any instant, closed streams, terminals that know little: one line, the right status, no traceback."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

FIXTURES = Path(__file__).parent.parent.parent / "fixtures"
COMMAND = [sys.executable, "-m", "pipeline.start"]

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="signals")


@pytest.mark.parametrize("moment", [0.05, 0.12, 0.3, 0.8, 1.6])
def test_ctrl_c_at_any_instant_ends_with_130_and_a_line(tmp_path, moment):
    code = "print('ready', flush=True); import pipeline.start; pipeline.start.main()"
    arguments = ["age", str(FIXTURES / "scans"), "--out", str(tmp_path / "run"), "--workers", "1"]
    ready = subprocess.Popen(
        [sys.executable, "-c", code, *arguments], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    assert ready.stdout is not None
    ready.stdout.readline()
    time.sleep(moment)
    ready.send_signal(signal.SIGINT)
    time.sleep(0.1)
    ready.send_signal(signal.SIGINT)
    _, err = ready.communicate(timeout=60)
    assert ready.returncode == 130, err
    assert "Traceback" not in err
    assert "stopped" in err.splitlines()[-1]


def test_a_command_has_one_thread_of_linear_algebra_and_of_opencv():
    code = (
        "import os, pipeline.cli, pipeline.start\n"
        "def command():\n"
        "    import cv2, numpy, sklearn.utils.parallel, threadpoolctl\n"
        "    print(cv2.getNumThreads(), *{pool['num_threads'] for pool in threadpoolctl.threadpool_info()})\n"
        "pipeline.cli.main = command\n"
        "pipeline.start.main()\n"
    )
    printed = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout
    assert printed.split() == ["1", "1"]


def test_a_closed_standard_error_changes_neither_work_nor_status(tmp_path):
    line = " ".join([*COMMAND, "simulate", str(tmp_path / "drawn"), "--n", "1", "2>&-"])
    ended = subprocess.run(line, shell=True, capture_output=True, text=True, check=False)
    assert (ended.returncode, "bones on" in ended.stdout, ended.stderr) == (0, True, "")
    ended = subprocess.run(" ".join([*COMMAND, "age", "none", "--out", "x", "2>&-"]), shell=True, capture_output=True)
    assert (ended.returncode, ended.stdout) == (1, b"")


def test_a_terminal_that_knows_ascii_only_gets_the_rest_spelt_out(tmp_path):
    told = subprocess.run(
        [*COMMAND, "age", "дъска", "--out", str(tmp_path / "run")], capture_output=True, text=True, check=False,
        env=os.environ | {"PYTHONIOENCODING": "ascii"},
    )  # fmt: skip
    assert told.returncode == 1
    assert told.stderr.strip().endswith("no such file or folder; check the path")


def test_control_characters_in_a_name_do_not_reach_the_terminal(tmp_path):
    told = subprocess.run(
        [*COMMAND, "age", "\x1b[31mred", "--out", str(tmp_path / "run")], capture_output=True, text=True, check=False
    )
    assert (told.returncode, told.stderr) == (1, "\\x1b[31mred: no such file or folder; check the path\n")
