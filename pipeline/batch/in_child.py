"""What a child process does: one piece of work after the other, each within its own limits."""

from __future__ import annotations

import contextlib
import math
import multiprocessing
import os
import pickle
import re
import signal
import threading
import time
import traceback
from multiprocessing.connection import Connection, wait
from pathlib import Path

from pipeline.batch.limits import Fault, Limits

try:
    import resource
except ImportError:  # Windows has no such limits; the wall limit alone holds there.
    resource = None  # type: ignore[assignment]

MEGABYTE = 2**20
MOST_GROWTH_BYTES = 256 * MEGABYTE
"""Memory that a child may keep from one piece of work to the next; with more it ends, and the next begins small."""
MOST_WORK = 200
"""Pieces of work that a child does where the system does not tell how much memory it takes; then the next begins."""
MESSAGE_BYTES = 4000
"""Below the size that a pipe takes whole, so that a child stopped in mid-answer cannot block the parent."""
_PAGE_BYTES = resource.getpagesize() if resource is not None else 1
_OPENCV_NO_MEMORY = -4


def serve(connection: Connection) -> None:
    """Do what comes in, one piece of work after the other, until no more comes or this process is spent."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    _silence()
    _die_with_parent()
    at_first, done = _bytes_in_memory(), 0
    while not spent(done, at_first, _bytes_in_memory()):
        try:
            asked = connection.recv_bytes()
        except (EOFError, OSError):
            break
        message = _answer(asked)
        for start in range(0, len(message), MESSAGE_BYTES):
            connection.send_bytes(message[start : start + MESSAGE_BYTES])
        connection.send_bytes(b"")
        done += 1
    connection.close()
    os._exit(0)  # nothing is left to tidy, and a library's own tidying could still crash


def spent(done: int, bytes_at_first: int, bytes_now: int) -> bool:
    """Whether a process ends after `done` pieces of work; 0 bytes: the system does not tell."""
    if not bytes_at_first:
        return done >= MOST_WORK
    return bytes_now - bytes_at_first >= MOST_GROWTH_BYTES


def _answer(asked: bytes) -> bytes:
    """What one piece of work returns, or the fault it ends with, pickled."""
    limits, task = pickle.loads(asked)
    try:
        _limit(limits)
        work, job = pickle.loads(task)
        return pickle.dumps(work(job), protocol=pickle.HIGHEST_PROTOCOL)
    except BaseException as e:  # every way to fail is an answer about this piece of work
        fault = _fault_of_exception(e, limits)
    return pickle.dumps(fault)


def _fault_of_exception(error: BaseException, limits: Limits) -> Fault:
    if isinstance(error, MemoryError) or getattr(error, "code", None) == _OPENCV_NO_MEMORY:
        error.__traceback__ = None  # let go of the arrays that the frames hold
        return Fault(code="memory", detail=f"more than {limits.memory_megabytes} megabytes")
    return Fault(code="failed", detail=f"{type(error).__name__} in {_place(error)}", trace=_trace(error))


def _trace(error: BaseException) -> str:
    """Python's traceback without the folders of this machine: a run, and its log, may be handed on."""
    steps = [(frame.f_code, line) for frame, line in traceback.walk_tb(error.__traceback__)]
    lines = [f"{Path(code.co_filename).name} line {line} in {code.co_name}" for code, line in steps]
    own_words = re.sub(r"[/\\][^\s'\"]*[/\\]", "", f"{type(error).__name__}: {error}")
    return "\n".join([*lines, own_words])


def _place(error: BaseException) -> str:
    """The innermost line of this program that took part, as `bone/marks.py line 40`."""
    package = Path(__file__).resolve().parent.parent
    place = "the program's start"
    for frame, line in traceback.walk_tb(error.__traceback__):
        file = Path(frame.f_code.co_filename)
        if file.is_relative_to(package) and file != Path(__file__):
            place = f"{file.relative_to(package).as_posix()} line {line}"
    return place


def _silence() -> None:
    """Libraries write warnings straight to the terminal; nothing of a child's may reach it."""
    nowhere = os.open(os.devnull, os.O_RDWR)
    for stream in (0, 1, 2):
        os.dup2(nowhere, stream)


def _die_with_parent() -> None:
    """A parent that is killed must not leave children that go on reading."""
    parent = multiprocessing.parent_process()
    assert parent is not None

    def watch(sentinel: int) -> None:
        wait([sentinel])
        os._exit(1)

    threading.Thread(target=watch, args=(parent.sentinel,), daemon=True).start()


def _limit(limits: Limits) -> None:
    """Bound what this process may take from now on; what it took for earlier work is not counted."""
    if resource is None:
        return
    _cap(resource.RLIMIT_CPU, math.ceil(time.process_time()) + limits.cpu_seconds)
    _cap(resource.RLIMIT_CORE, 0)
    with contextlib.suppress(ValueError, OSError):  # macOS refuses to cap address space; the other limits hold there
        _cap(resource.RLIMIT_AS, limits.memory_megabytes * MEGABYTE + _pages(0) * _PAGE_BYTES)


def _cap(kind: int, wanted: int) -> None:
    """Set a limit, as far as the one that the system sets allows."""
    _, most = resource.getrlimit(kind)
    resource.setrlimit(kind, (wanted if most == resource.RLIM_INFINITY else min(wanted, most), most))


def _bytes_in_memory() -> int:
    return _pages(1) * _PAGE_BYTES


def _pages(which: int) -> int:
    """Pages of address space (0) or of memory (1) that this process takes (Linux; elsewhere 0)."""
    try:
        return int(Path("/proc/self/statm").read_text(encoding="ascii").split()[which])
    except OSError:
        return 0
