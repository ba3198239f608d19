"""What a worker of a cluster does: it tells what it works with and sees, and reads scans in children of its own.

Jobs and answers stay pickled in the worker: only its children, and the process that began the batch, look into them.
"""

from __future__ import annotations

import pickle
import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from multiprocessing import current_process
from pathlib import Path
from typing import Any

from pipeline import regular_files
from pipeline.batch.isolate import isolated, start_server
from pipeline.batch.limits import Fault, Limits
from pipeline.errors import RunError
from pipeline.records import ScanRef

Facts = Callable[[], Mapping[str, str]]
"""A function of a module that tells what its machine works with: name to version."""

_starting = threading.Lock()
"""Held while a thread sees to the server that children are forked from."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RemoteCall:
    """One piece of work as it travels."""

    task: bytes
    """The work, a function of a module, and its job, pickled."""
    limits: Limits
    path: Path
    """Absolute: the scan that the job is about."""
    folder: Path
    """The scan must lie in it, as the worker sees both."""
    preload: tuple[str, ...]
    facts: Facts
    versions: Mapping[str, str]
    """That the worker's `facts` must agree with."""
    topic: str
    """Under which the worker tells that it begins."""


@dataclass(frozen=True, slots=True, kw_only=True)
class WorkerFacts:
    """What a machine of the cluster tells before the start."""

    facts: Mapping[str, str]
    fault: str
    """What is wrong with the scans as it sees them; blank: nothing."""


def look(facts: Facts, probes: Sequence[ScanRef], preload: tuple[str, ...]) -> WorkerFacts:
    """What this machine works with, and how it sees the scans `probes`; makes it ready for work with `preload`."""
    if preload:
        _prepare(preload)
    return WorkerFacts(facts=_own(facts), fault=next(filter(None, map(_fault_of, probes)), ""))


def _fault_of(ref: ScanRef) -> str:
    """How a scan differs from what it is on the machine that began the batch."""
    try:
        facts = ref.path.stat()
        with regular_files.opened(ref.path) as stream:
            stream.read(1)
    except OSError as e:
        return f"{ref.path}: cannot be opened there ({e.strerror})"
    if (facts.st_size, facts.st_mtime_ns) != (ref.size, ref.mtime_ns):
        return f"{ref.path}: has another size or time there, so it is a copy or another file"
    return ""


def answer(message: bytes) -> bytes:
    """Do one piece of work in a child of this worker: `RemoteCall` -> answer or fault, both pickled."""
    call: RemoteCall = pickle.loads(message)
    differences = unlike(call.versions, _own(call.facts))
    if differences:  # of a worker that came after the check
        raise RunError(f"a worker that came later: {differences}; stop it and give the same command again to go on")
    if not _lies_in(call.path, call.folder):
        outside = Fault(code="unreadable-file", detail="as a worker sees it, it lies outside the folder of scans")
        return pickle.dumps(outside)
    _prepare(call.preload)
    import distributed  # here, because children import this module too

    worker = distributed.get_worker()
    key = worker.get_current_task()
    worker.log_event(call.topic, key)
    found = isolated(_done, call.task, call.limits, _Unwanted(worker.state.tasks, key))
    return pickle.dumps(found) if isinstance(found, Fault) else found


def _done(task: bytes) -> bytes:
    """In the child: do the work and pickle its answer."""
    work, job = pickle.loads(task)
    return pickle.dumps(work(job), protocol=pickle.HIGHEST_PROTOCOL)


class _Unwanted:
    """Set as soon as nobody waits for a task's answer any more: it was cancelled, or its client is gone."""

    def __init__(self, tasks: Mapping[str, Any], key: str) -> None:
        """`tasks` are those that the worker knows of."""
        self._tasks = tasks
        self._key = key

    def is_set(self) -> bool:
        """Whether to drop the work."""
        task = self._tasks.get(self._key)
        return task is None or task.state != "executing"


@cache
def _own(facts: Facts) -> Mapping[str, str]:
    """This machine's facts, which hold as long as its process lives."""
    return facts()


def _prepare(preload: tuple[str, ...]) -> None:
    with _starting:
        # A worker that is watched over by a nanny is marked as one that has no children. That mark only asks the
        # standard library to refuse them; ours end with their parent in any case.
        current_process().daemon = False
        start_server(preload)


def _lies_in(path: Path, folder: Path) -> bool:
    try:
        return path.resolve().is_relative_to(folder.resolve())
    except (OSError, RuntimeError):  # links that lead in a circle
        return False


def unlike(here: Mapping[str, str], there: Mapping[str, str]) -> str:
    """In words, what of `here` is otherwise `there`; blank: nothing."""
    differ = [f"{name} is {there.get(name, 'not')} there, {v} here" for name, v in here.items() if there.get(name) != v]
    return ", ".join(differ)
