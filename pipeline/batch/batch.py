"""Doing it many times: how many pieces of work at once, progress, Ctrl-C, never more in memory than is in hand."""

from __future__ import annotations

import contextlib
import sys
import threading
import time
from collections.abc import Callable, Iterable
from concurrent.futures import FIRST_COMPLETED, Future, ThreadPoolExecutor, wait
from dataclasses import dataclass
from itertools import islice
from queue import SimpleQueue
from typing import Any, Generic, Protocol, TypeVar

from tqdm import tqdm

from pipeline.batch.isolate import Child
from pipeline.batch.limits import Fault, Limits

Job = TypeVar("Job")
Answer = TypeVar("Answer")

_SMOOTHED_OVER = 20
"""Time left is shown once this many pieces of work are done; fewer say little."""


class Workplace(Protocol):
    """Where isolated work is done: on this machine, or on others by the same call."""

    workers: int

    def submit(self, work: Callable[[Any], Any], job: Any, limits: Limits) -> Future[Any]:
        """Begin `isolated(work, job, limits)` as soon as a worker is free."""

    def stop(self) -> None:
        """Drop all work in hand."""


class Here:
    """This machine: as many children at once as there are workers, each watched by one thread."""

    def __init__(self, workers: int) -> None:
        self.workers = workers
        self._stop = threading.Event()
        self._threads = ThreadPoolExecutor(max_workers=workers, thread_name_prefix="worker")
        self._children: SimpleQueue[Child] = SimpleQueue()
        for _ in range(workers):
            self._children.put(Child())

    def submit(self, work: Callable[[Any], Any], job: Any, limits: Limits) -> Future[Any]:
        """Begin as soon as a worker is free."""
        return self._threads.submit(self._do, work, job, limits)

    def _do(self, work: Callable[[Any], Any], job: Any, limits: Limits) -> Any:
        child = self._children.get()
        try:
            return child.do(work, job, limits, self._stop)
        finally:
            self._children.put(child)

    def stop(self) -> None:
        """End the children, whatever they have in hand, and wait until they are gone."""
        self._stop.set()
        self._threads.shutdown(wait=True, cancel_futures=True)
        while not self._children.empty():
            self._children.get().close()


@dataclass(frozen=True, slots=True)
class Task(Generic[Job]):
    """One piece of work."""

    job: Job
    limits: Limits


def run_batch(
    work: Callable[[Job], Answer],
    tasks: Iterable[Task[Job]],
    place: Workplace,
    take: Callable[[Job, Answer | Fault], None],
) -> None:
    """Do every task; `take` gets each job with its answer, in the order they end, in the caller's thread, and `tasks`
    is drawn from there too.

    Only a few more tasks than workers are begun at a time, so a slow `take` holds the workers back instead of filling
    memory. KeyboardInterrupt, and any error of `take`, drops what is in hand and passes on.
    """
    left = iter(tasks)
    in_hand: dict[Future[Any], Job] = {}
    try:
        while True:
            for task in islice(left, place.workers + 1 - len(in_hand)):
                in_hand[place.submit(work, task.job, task.limits)] = task.job
            if not in_hand:
                return
            for future in wait(in_hand, return_when=FIRST_COMPLETED).done:
                take(in_hand.pop(future), future.result())
    except BaseException:
        place.stop()
        raise


class Progress:
    """Tells on standard error how far the batch is: a bar on a terminal, a line at intervals elsewhere."""

    def __init__(self, scans: int, report_seconds: float) -> None:
        """`report_seconds` is the time between two lines where there is no terminal."""
        self._scans = scans
        self._every = report_seconds
        self._done = self._refused = self._bones = self._flagged = 0
        self._began = self._printed = time.monotonic()
        on_terminal = sys.stderr.isatty()
        self._bar = tqdm(total=scans, unit="scan", dynamic_ncols=True, file=sys.stderr) if on_terminal else None

    def step(self, *, refused: bool, bones: int, flagged: int) -> None:
        """One more scan is done."""
        self._done += 1
        self._refused += refused
        self._bones += bones
        self._flagged += flagged
        if self._bar is not None:
            self._bar.set_postfix_str(f"refused {self._refused}; {self._bones_line()}", refresh=False)
            self._bar.update()
        elif self._done == min(_SMOOTHED_OVER, self._scans) or time.monotonic() - self._printed >= self._every:
            self._printed = time.monotonic()
            with contextlib.suppress(BrokenPipeError):  # nobody listens any more; the work goes on
                print(self.line(), file=sys.stderr, flush=True)

    def line(self) -> str:
        """How far, in one line."""
        left = self._scans - self._done
        account = f"scans done {self._done} of {self._scans}, refused {self._refused}; {self._bones_line()}"
        if not left or self._done < min(_SMOOTHED_OVER, self._scans):
            return account
        seconds = (time.monotonic() - self._began) / self._done * left
        return f"{account}; scans left {left}, about {spoken_seconds(seconds)}"

    def _bones_line(self) -> str:
        # The ages, once all scans are read, flag more of them.
        return f"bones {self._bones}, flagged by their picture alone {self._flagged}"

    def close(self) -> None:
        """Leave the terminal as it was found."""
        if self._bar is not None:
            self._bar.close()


def spoken_seconds(seconds: float) -> str:
    """A time as people say it."""
    if seconds < 90:
        return f"{seconds:.0f} seconds"
    return f"{seconds / 60:.0f} minutes" if seconds < 90 * 60 else f"{seconds / 3600:.1f} hours"
