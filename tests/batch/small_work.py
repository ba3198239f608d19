"""Work for child processes: imported by each of them, so it imports nothing of weight."""

from __future__ import annotations

import os
import signal
import time
from pathlib import Path


def doubled(job: int) -> int:
    return 2 * job


def talkative(job: int) -> int:
    print("a library says something")
    os.write(1, b"and so does its C code\n")
    os.write(2, b"to both streams\n")
    return job


def raises(job: int) -> int:
    return job // 0


def exits(job: int) -> int:
    os._exit(3)


def kills_itself(job: int) -> int:
    os.kill(os.getpid(), signal.SIGKILL)
    return job


def killed_once(job: str) -> str:
    first = Path(job)
    if not first.exists():
        first.touch()
        os.kill(os.getpid(), signal.SIGKILL)
    return "answered"


def spins(job: int) -> int:
    while True:
        job += 1


def sleeps(job: float) -> float:
    time.sleep(job)
    return job


def hogs(job: int) -> int:
    import numpy as np

    return sum(int(np.ones(job * 2**17).sum()) for _ in [[np.ones(2**24) for _ in range(64)]])


def large(job: int) -> bytes:
    return bytes(job)


def length(job: bytes) -> int:
    return len(job)


def threads_allowed(job: int) -> tuple[str | None, int]:
    import cv2

    return os.environ.get("OMP_NUM_THREADS"), cv2.getNumThreads()


_kept: list[bytearray] = []


def keeps(megabytes: int) -> int:
    """Work that never gives back what it takes; returns its process."""
    _kept.append(bytearray(megabytes * 2**20))
    _kept[-1][:: 2**12] = b"x" * len(_kept[-1][:: 2**12])
    return os.getpid()


def computes(seconds: float) -> int:
    """Takes CPU, and returns its process."""
    end = time.process_time() + seconds
    while time.process_time() < end:
        pass
    return os.getpid()


def poisons(job: float) -> int:
    """Answers, and leaves something behind that kills its process a little later."""
    signal.setitimer(signal.ITIMER_REAL, job)
    return os.getpid()
