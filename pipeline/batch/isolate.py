"""One piece of work in one child process: deadline, memory cap, exit -> answer or fault. All POSIX-only code is here.

A child that crashes, hangs, is killed or takes too much ends as a `Fault` with a code of `codes.REFUSALS` and never
touches another. Children are forked from a small server that has the heavy imports done, so that one costs some ten
milliseconds; where such a server does not exist (Windows) each child starts anew, has no CPU deadline and no memory
cap, and only the wall limit holds.
"""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import pickle
import re
import signal
import sys
import threading
import time
import traceback
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from multiprocessing.connection import Connection, wait
from multiprocessing.context import BaseContext
from pathlib import Path
from typing import Any, Protocol, TypeVar

from pipeline.threads import ONE_THREAD

try:
    import fcntl
    import resource
except ImportError:  # Windows has no such limits and locks; the wall limit alone holds there.
    fcntl = resource = None  # type: ignore[assignment]

Job = TypeVar("Job")
Answer = TypeVar("Answer")

_TICK_SECONDS = 0.2
"""How often a waiting parent looks up: bounds the time from Ctrl-C to the end."""
_SLEPT_SECONDS = 5.0
"""A tick that took longer than this was the machine's sleep and is not held against the child."""
_MESSAGE_BYTES = 4000
"""Below the size that a pipe takes whole, so that a child stopped in mid-answer cannot block the parent."""
_GRACE_CPU_SECONDS = 5
"""From the CPU deadline's polite signal to the one that cannot be refused."""
_LOST = 255
"""Exit status given when nobody can tell how a child ended (the fork server itself was killed)."""
_OPENCV_NO_MEMORY = -4
_MEGABYTE = 2**20
_KEEP_MEMORY = {
    "MALLOC_MMAP_THRESHOLD_": str(32 * _MEGABYTE),
    "MALLOC_TRIM_THRESHOLD_": str(256 * _MEGABYTE),
    "MALLOC_TOP_PAD_": str(16 * _MEGABYTE),
    "GLIBC_TUNABLES": "glibc.malloc.hugetlb=1",  # pages of two megabytes, where the system has them
}
"""Bytes. The system clears every page that it hands out; a child that keeps what it has freed and uses it again needs a
tenth less CPU. Arrays above the first figure still go back at once. (glibc; other systems do not know these names.)"""

_starting = threading.Lock()
"""Held while a child is started or its exit status fetched: the standard library polls all children in both places, and
two threads that do so at once can lose a status."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """What one piece of work may take."""

    cpu_seconds: int
    wall_seconds: float
    """Without the time the machine slept."""
    memory_megabytes: int
    """On top of the program itself."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """How a piece of work ended without an answer."""

    code: str
    """`deadline`, `memory`, `crashed` or `failed`, as in `codes.REFUSALS`."""
    detail: str
    """Without times, process numbers or absolute paths: the same fault always reads the same."""
    trace: str = ""
    """Where in the program it ended, for the log only."""


class Flag(Protocol):
    """Set by whoever no longer wants the work; a `threading.Event` is one."""

    def is_set(self) -> bool:
        """Whether to stop."""


class Stopped(Exception):  # noqa: N818  (an answer to the user's wish, not an error)
    """The user asked to stop; the work in hand was dropped."""


def start_server(preload: Sequence[str]) -> None:
    """Start the process that children are forked from, with the modules `preload` imported. Call before any work."""
    # Workers must not fight over cores, nor take for a module what happens to lie in the folder the user is in.
    given = {**ONE_THREAD, "PYTHONSAFEPATH": "1"} | _KEEP_MEMORY
    kept = {name: os.environ.get(name) for name in given}
    os.environ.update(given)
    context = _context()
    try:
        if context.get_start_method() == "forkserver":
            context.set_forkserver_preload(list(preload))
            with _interrupt_ignored():  # inherited: Ctrl-C is the parent's to handle, at every moment of a child's life
                from multiprocessing.forkserver import ensure_running

                ensure_running()
    finally:
        for name, value in kept.items():
            if value is None:
                del os.environ[name]
            else:
                os.environ[name] = value


def isolated(work: Callable[[Job], Answer], job: Job, limits: Limits, stop: Flag | None = None) -> Answer | Fault:
    """Run `work(job)` in a child process of its own and return what it returns, or the fault it ended with.

    `work` must be a function of a module (not of the main script), `job` and the answer must pickle. Blocks; to do
    several at once, call it from several threads. Tried again once when the child was killed by a signal that is not
    ours (a neighbour's memory hunger may have been the cause). Raises `Stopped` soon after `stop` is set.
    """
    answer, again = _attempt(work, job, limits, stop)
    if again:
        answer, _ = _attempt(work, job, limits, stop)
    return answer


def _attempt(work: Callable[[Job], Answer], job: Job, limits: Limits, stop: Flag | None) -> tuple[Answer | Fault, bool]:
    """One try: the answer or fault, and whether another try makes sense."""
    receiver, sender = _context().Pipe(duplex=False)
    process = _context().Process(target=_child, args=(sender, work, job, limits), daemon=True)  # type: ignore[attr-defined]
    try:
        with _starting, _without_main():
            process.start()
    except (OSError, EOFError):  # the fork server was ended from outside; the next try begins another
        return Fault(code="crashed", detail="no process could be begun"), True
    finally:
        sender.close()
    message_is_whole = False
    try:
        message, in_time = _listen(receiver, process.sentinel, limits.wall_seconds, stop)
        message_is_whole = bool(message)
    finally:
        receiver.close()
        if not wait([process.sentinel], timeout=_TICK_SECONDS if message_is_whole else 0):
            process.kill()  # only what still runs: the number of a process that has ended may be another's by now
        with _starting:
            process.join()
        status = process.exitcode
        process.close()
    if message:
        return pickle.loads(message), False
    if not in_time:
        return Fault(code="deadline", detail=f"no end after waiting {limits.wall_seconds:.0f} seconds"), False
    return _fault_of_exit(status if status is not None else _LOST, limits)


def _listen(receiver: Connection, sentinel: int, wall_seconds: float, stop: Flag | None) -> tuple[bytes, bool]:
    """The child's whole message (empty when it ended without one), and whether it ended in time."""
    parts: list[bytes] = []
    waited = 0.0
    while waited < wall_seconds:
        if stop is not None and stop.is_set():
            raise Stopped
        before = time.monotonic()
        ready = wait([receiver, sentinel], timeout=_TICK_SECONDS)
        tick = time.monotonic() - before
        waited += tick if tick < _SLEPT_SECONDS else _TICK_SECONDS
        if receiver in ready:
            try:
                part = receiver.recv_bytes()
            except (EOFError, ConnectionError):
                return b"", True
            if not part:  # the end of the message
                return b"".join(parts), True
            parts.append(part)
        elif sentinel in ready:
            return b"", True
    return b"", False


def _fault_of_exit(status: int, limits: Limits) -> tuple[Fault, bool]:
    if status >= 0:
        return Fault(code="crashed", detail=f"ended with exit status {status}"), status == _LOST
    try:
        name = signal.Signals(-status).name
    except ValueError:
        name = f"signal {-status}"
    if name == "SIGXCPU":
        return Fault(code="deadline", detail=f"more than {limits.cpu_seconds} seconds of CPU"), False
    return Fault(code="crashed", detail=f"ended by {name}"), True


# ------------------------------------------------------------------------------------------------ in the child
def _child(sender: Connection, work: Callable[[Any], Any], job: Any, limits: Limits) -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    _silence()
    _die_with_parent()
    _limit(limits)
    try:
        message = pickle.dumps(work(job), protocol=pickle.HIGHEST_PROTOCOL)
    except BaseException as e:  # every way to fail is an answer about this piece of work
        message = b""
        fault = _fault_of_exception(e, limits)
    if not message:
        message = pickle.dumps(fault)
    for start in range(0, len(message), _MESSAGE_BYTES):
        sender.send_bytes(message[start : start + _MESSAGE_BYTES])
    sender.send_bytes(b"")
    sender.close()
    os._exit(0)  # nothing is left to tidy, and a library's own tidying could still crash


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
    if resource is None:
        return
    _cap(resource.RLIMIT_CPU, limits.cpu_seconds, limits.cpu_seconds + _GRACE_CPU_SECONDS)
    _cap(resource.RLIMIT_CORE, 0, 0)
    allowed = limits.memory_megabytes * _MEGABYTE + _address_space()
    with contextlib.suppress(ValueError, OSError):  # macOS refuses to cap address space; the other limits hold there
        _cap(resource.RLIMIT_AS, allowed, allowed)


def _cap(kind: int, soft: int, hard: int) -> None:
    """Lower a limit; one that is lower already stays."""
    _, already = resource.getrlimit(kind)
    if already != resource.RLIM_INFINITY:
        soft, hard = min(soft, already), min(hard, already)
    resource.setrlimit(kind, (soft, hard))


def _address_space() -> int:
    """Bytes of address space that the program takes before any work (Linux; elsewhere 0)."""
    try:
        pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[0])
    except OSError:
        return 0
    return pages * resource.getpagesize()


def cores() -> int:
    """Processor cores that this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def peak_megabytes() -> float:
    """Largest resident memory of this process so far, megabytes; 0 where the system does not tell."""
    if resource is None:
        return 0.0
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return float(peak / _MEGABYTE if sys.platform == "darwin" else peak / 2**10)


# ------------------------------------------------------------------------------------------------ in the parent
@contextlib.contextmanager
def held(folder: Path) -> Iterator[bool]:
    """Hold a folder against all who ask the same; False: another does. (Windows and some network drives hold none.)"""
    if fcntl is None:
        yield True
        return
    handle, alone = os.open(folder, os.O_RDONLY), True
    try:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            alone = not isinstance(error, BlockingIOError)
        yield alone
    finally:
        os.close(handle)


def _context() -> BaseContext:
    methods = multiprocessing.get_all_start_methods()
    return multiprocessing.get_context("forkserver" if "forkserver" in methods else "spawn")


@contextlib.contextmanager
def _without_main() -> Iterator[None]:
    """Keep a child from importing the parent's main script anew: nothing of ours lies there, and it costs much."""
    main = sys.modules["__main__"]
    kept = {name: main.__dict__.get(name) for name in ("__file__", "__spec__")}
    main.__dict__.update(dict.fromkeys(kept))
    try:
        yield
    finally:
        main.__dict__.update(kept)


@contextlib.contextmanager
def _interrupt_ignored() -> Iterator[None]:
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    kept = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, kept)
