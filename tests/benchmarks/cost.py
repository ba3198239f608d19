"""CPU and memory of a command with all its child processes, however deep (Linux)."""

from __future__ import annotations

import ctypes
import os
import resource
import subprocess
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

_START = """
import os, subprocess, sys
process = subprocess.Popen(sys.argv[1:], stdout=subprocess.DEVNULL)
_, status, used = os.wait4(process.pid, 0)
print(os.waitstatus_to_exitcode(status), used.ru_maxrss)
"""
"""Begins a command from a small process: the system reckons in the peak of whoever begins it."""
_ADOPT_ORPHANS = 36
"""PR_SET_CHILD_SUBREAPER of prctl(2): children whose parent has ended become ours, so that their CPU is told to us."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Cost:
    """What a command took."""

    cpu_seconds: float
    """Of the command and all its descendants."""
    seconds: float
    """From its start to its end."""
    parent_megabytes: float
    """Largest resident memory of the command's own process."""


def cost_of(command: Sequence[str]) -> Cost:
    """Run `python ...` to its end. Raises CalledProcessError when it fails."""
    if ctypes.CDLL(None).prctl(_ADOPT_ORPHANS, 1, 0, 0, 0):
        raise OSError("this system does not hand over orphaned processes")
    before, began = _cpu_of_children(), time.monotonic()
    starter = [sys.executable, "-c", _START, sys.executable, *command]
    status, kilobytes = map(int, subprocess.run(starter, stdout=subprocess.PIPE, check=True).stdout.split())
    seconds = time.monotonic() - began
    if status:
        raise subprocess.CalledProcessError(status, command)
    while True:
        try:
            os.wait()
        except ChildProcessError:
            break
    return Cost(cpu_seconds=_cpu_of_children() - before, seconds=seconds, parent_megabytes=kilobytes / 1024)


def peak_megabytes() -> float:
    """Largest resident memory of this process so far; nothing of the process that began it is reckoned in."""
    status = dict(line.split(":", 1) for line in Path("/proc/self/status").read_text().splitlines())
    return int(status["VmHWM"].split()[0]) / 1024


def _cpu_of_children() -> float:
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime
