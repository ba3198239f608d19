"""Work in child processes: deadline, memory cap, exit -> answer or fault.

Work that crashes, hangs, is killed or takes too much ends as a `Fault` with a code of `codes.REFUSALS`, its child with
it, and never touches another's. Children are forked from a small server that has the heavy imports done, so that one
costs some ten milliseconds; where such a server does not exist (Windows) a child starts anew, has no CPU deadline and
no memory cap, and only the wall limit holds.
"""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import pickle
import signal
import sys
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from multiprocessing.connection import Connection, wait
from multiprocessing.context import BaseContext
from multiprocessing.process import BaseProcess
from pathlib import Path
from typing import Any, Protocol, TypeVar

from pipeline.batch.in_child import MEGABYTE, serve
from pipeline.batch.limits import Fault, Limits
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
_LOST = 255
"""Exit status given when nobody can tell how a child ended (the fork server itself was killed)."""
_KEEP_MEMORY = {
    "MALLOC_MMAP_THRESHOLD_": str(32 * MEGABYTE),
    "MALLOC_TRIM_THRESHOLD_": str(256 * MEGABYTE),
    "MALLOC_TOP_PAD_": str(16 * MEGABYTE),
    "GLIBC_TUNABLES": "glibc.malloc.hugetlb=1",  # pages of two megabytes, where the system has them
}
"""Bytes. The system clears every page that it hands out; a child that keeps what it has freed and uses it again needs a
tenth less CPU. Arrays above the first figure still go back at once. (glibc; other systems do not know these names.)"""

_starting = threading.Lock()
"""Held while a child is started or its exit status fetched: the standard library polls all children in both places, and
two threads that do so at once can lose a status."""


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
    """`Child.do` in a child that does nothing else."""
    with contextlib.closing(Child()) as child:
        return child.do(work, job, limits, stop)


class Child:
    """A process that does one piece of work after the other. It begins when it is first needed, and another begins in
    its place when it was lost, has grown, or has ended a piece of work with a fault. For one thread at a time."""

    def __init__(self) -> None:
        self._process: BaseProcess | None = None
        self._connection: Connection | None = None
        self._sender: threading.Thread | None = None

    def do(self, work: Callable[[Job], Answer], job: Job, limits: Limits, stop: Flag | None = None) -> Answer | Fault:
        """Run `work(job)` in the child and return what it returns, or the fault it ended with.

        `work` must be a function of a module (not of the main script), `job` and the answer must pickle. Blocks; to do
        several at once, use several children from several threads. Done again in a new child where earlier work may
        have spoilt this one; and once more when it was killed by a signal that is not ours (a neighbour's memory
        hunger may have been the cause). Raises `Stopped` soon after `stop` is set.
        """
        task = pickle.dumps((limits, pickle.dumps((work, job))))
        used = self._there()
        answer, again = self._attempt(task, limits, stop)
        if used and isinstance(answer, Fault) and answer.code != "deadline":
            answer, again = self._attempt(task, limits, stop)
        if again:
            answer, _ = self._attempt(task, limits, stop)
        return answer  # type: ignore[no-any-return]

    def close(self) -> None:
        """End the process."""
        self._end(patience_seconds=_TICK_SECONDS)

    def _there(self) -> bool:
        """Whether there is a process that waits for work."""
        if self._process is not None and wait([self._process.sentinel], timeout=0):
            self._end(patience_seconds=0)  # it has grown, or was killed while it waited
        return self._process is not None

    def _attempt(self, task: bytes, limits: Limits, stop: Flag | None) -> tuple[Any, bool]:
        """One try: the answer or fault, and whether another try makes sense."""
        try:
            process, connection = self._begun()
        except (OSError, EOFError):  # the fork server was ended from outside; the next try begins another
            return Fault(code="crashed", detail="no process could be begun"), True
        message, in_time = b"", True
        try:
            # A child that stands still takes no more than a pipe holds; only the time spent listening is limited.
            self._sender = threading.Thread(target=_send, args=(connection, task), daemon=True)
            self._sender.start()
            message, in_time = _listen(connection, process.sentinel, limits.wall_seconds, stop)
        except BaseException:
            self._end(patience_seconds=0)
            raise
        if not message:
            status = self._end(patience_seconds=0)
            if not in_time:
                return Fault(code="deadline", detail=f"no end after waiting {limits.wall_seconds:.0f} seconds"), False
            return _fault_of_exit(status, limits)
        answer = pickle.loads(message)
        if isinstance(answer, Fault):
            self.close()
        return answer, False

    def _begun(self) -> tuple[BaseProcess, Connection]:
        if self._process is None or self._connection is None:
            ours, theirs = _context().Pipe()
            process = _context().Process(target=serve, args=(theirs,), daemon=True)  # type: ignore[attr-defined]
            try:
                with _starting, _without_main():
                    process.start()
            except BaseException:
                ours.close()
                raise
            finally:
                theirs.close()
            self._process, self._connection = process, ours
        return self._process, self._connection

    def _end(self, patience_seconds: float) -> int:
        """End the process, killed if it does not end of itself in this time; its exit status."""
        process, connection, sender = self._process, self._connection, self._sender
        self._process = self._connection = self._sender = None
        if process is None or connection is None:
            return 0
        if patience_seconds:
            connection.close()  # all is sent and answered: the child ends when nothing more can come
        if not wait([process.sentinel], timeout=patience_seconds):
            process.kill()  # only what still runs: the number of a process that has ended may be another's by now
        with _starting:
            process.join()
        if sender is not None:
            sender.join()  # nobody is there to take the rest
        connection.close()
        status = process.exitcode
        process.close()
        return status if status is not None else _LOST


def _send(connection: Connection, task: bytes) -> None:
    with contextlib.suppress(ConnectionError):  # the child has ended
        connection.send_bytes(task)


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


def cores() -> int:
    """Processor cores that this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def peak_megabytes() -> float:
    """Largest resident memory of this process so far, megabytes; 0 where the system does not tell."""
    if resource is None:
        return 0.0
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return float(peak / MEGABYTE if sys.platform == "darwin" else peak / 2**10)


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
