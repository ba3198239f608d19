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
    process = subprocess.Popen([sys.executable, *command], stdout=subprocess.DEVNULL)
    _, status, used = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    seconds = time.monotonic() - began
    if process.returncode:
        raise subprocess.CalledProcessError(process.returncode, command)
    while True:
        try:
            os.wait()
        except ChildProcessError:
            break
    return Cost(cpu_seconds=_cpu_of_children() - before, seconds=seconds, parent_megabytes=used.ru_maxrss / 1024)


def _cpu_of_children() -> float:
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime
