"""The same isolated call placed on the workers of a distributed scheduler; answers come back to this process alone.

What travels is pickled here, as bytes: a job there, an answer back. Functions are pickled by name, so every machine
needs the same opercle; that, and that all see the same scans, is checked before the start.
"""

from __future__ import annotations

import contextlib
import ipaddress
import itertools
import logging
import pickle
import threading
import time
import uuid
import warnings
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Future
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any, Protocol
from urllib.parse import urlsplit

import distributed
from distributed.comm import get_address_host

from pipeline.batch.cluster_worker import Facts, RemoteCall, WorkerFacts, answer, look, unlike
from pipeline.batch.limits import Fault, Limits
from pipeline.errors import RunError
from pipeline.records import ScanRef

Say = Callable[[str], None]

KIND = ("system", "processor")
"""Facts that may differ from machine to machine; all others must not."""
_CONNECT_SECONDS = 10
"""To wait for a scheduler's answer: one that is there answers within a second."""
_LOOK_LIMIT_SECONDS = 300
"""To wait for the workers' first answer: each imports all that its children need."""
_LOOK_SECONDS = 2.0
"""Between two looks at which workers are there."""
_PROBES = 5
"""Scans that every worker is asked about, besides the first of each folder."""
_STOP_SECONDS = 5
"""To wait for the scheduler to take leave; it drops what nobody waits for in any case."""
_MOST_STARTS = 3
"""How often a scan is begun before it is held to be what ends its workers."""
_MOST_TIMES = 3
"""How often a scan is placed for which the scheduler gave up, because more workers were lost than it allows."""
_LETHAL = Fault(code="crashed", detail="worker after worker of the cluster was lost while reading it")
_NO_WORKER_LEFT = (
    "all workers of the cluster are gone; nothing that was read is lost. Start workers and give the same command again "
    "to go on"
)


class ScanWork(Protocol):
    """A job about one scan: a dataclass with the scan's file in it."""

    @property
    def ref(self) -> ScanRef:
        """The scan."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Ground:
    """What every machine of a batch must have in common with this one."""

    facts: Facts
    preload: tuple[str, ...]
    """Modules that every child needs."""
    folders: tuple[Path, ...]
    """Where scans lie, absolute: workers open nothing outside."""


class Cluster:
    """The workers of a scheduler: as many scans at once as they have threads, each in a child process of its worker."""

    def __init__(
        self,
        address: str,
        ground: Ground,
        scans: Sequence[ScanRef],
        *,
        trusted: bool,
        patience_seconds: float,
        say: Say,
    ) -> None:
        """Connect, and check that the workers have the ground in common and see a few of the `scans`.

        `trusted`: the user knows that an address off this machine is open to everybody who reaches it. The batch ends
        when no worker is there for `patience_seconds`. Raises RunError.
        """
        _check_address(address, trusted)
        self._ground = ground
        self._client = _connected(address)
        try:
            threads = self._client.nthreads()
            if not threads:
                raise RunError(f"{address}: the scheduler has no worker; start `dask worker {address}` and try again")
            self._hosts = {_host(worker) for worker in threads}
            self._versions = _without_kind(ground.facts())
            self._check(_few(scans, ground.folders), say)
        except BaseException:
            self._client.close(timeout=_STOP_SECONDS)
            raise
        # Beside the scan in hand, one waits for each thread, so that none is idle while an answer travels.
        self.workers = 2 * sum(threads.values())
        self._patience = patience_seconds
        self._name, self._numbers = f"opercle-{uuid.uuid4().hex}", itertools.count()
        self._in_hand: dict[Future[Any], Any] = {}
        self._starts: Counter[str] = Counter()
        """How often each task in hand was begun."""
        self._lock = threading.Lock()
        self._stopped = threading.Event()
        self._client.subscribe_topic(self._name, self._began)
        threading.Thread(target=self._watch, name="workers", daemon=True).start()

    def submit(self, work: Callable[[Any], Any], job: ScanWork, limits: Limits) -> Future[Any]:
        """Begin as soon as a thread of a worker is free. The scheduler places a scan again when its worker is lost."""
        path = job.ref.path.absolute()
        there = replace(job, ref=replace(job.ref, path=path))  # type: ignore[type-var]
        call = RemoteCall(
            task=pickle.dumps((work, there), protocol=pickle.HIGHEST_PROTOCOL),
            limits=limits,
            path=path,
            folder=next((f for f in self._ground.folders if path.is_relative_to(f)), path),
            preload=self._ground.preload,
            facts=self._ground.facts,
            versions=self._versions,
            topic=self._name,
        )
        future: Future[Any] = Future()
        self._place(future, pickle.dumps(call, protocol=pickle.HIGHEST_PROTOCOL), times=1)
        return future

    def stop(self) -> None:
        """Cancel the scans in hand, whose workers end their children at once, and leave the scheduler."""
        self._stopped.set()
        with self._lock:
            remotes = list(self._in_hand.values())
        with contextlib.suppress(Exception):  # the scheduler may be gone, which is as good
            self._client.cancel(remotes)
        with contextlib.suppress(Exception):
            self._client.close(timeout=_STOP_SECONDS)

    # -------------------------------------------------------------------------------------------- before the start
    def _check(self, probes: Sequence[ScanRef], say: Say) -> None:
        facts, preload = self._ground.facts, self._ground.preload
        here = facts()
        asked = (look, facts, tuple(probes), preload)
        answers = _within(_LOOK_LIMIT_SECONDS, lambda: self._client.run(*asked, on_error="return"))
        for worker, seen in sorted(answers.items()):
            _check_versions(f"worker {worker}", here, seen)
            if seen.fault:
                raise RunError(
                    f"worker {worker}: {seen.fault}; --cluster needs the scans in a folder that all machines share "
                    "under the same path"
                )
            for name in KIND:
                if seen.facts.get(name) != here[name]:
                    say(
                        f"worker {worker}: its {name} is {seen.facts.get(name)}, here {here[name]}; the last digits of "
                        "results may differ from those of one machine. Use machines of one kind where that matters"
                    )
        try:
            scheduler = self._client.run_on_scheduler(look, facts, (), ())
        except Exception as e:  # it handles our functions by name, so it must know them too
            scheduler = e
        _check_versions("the scheduler", here, scheduler)

    # -------------------------------------------------------------------------------------------- while it runs
    def _place(self, future: Future[Any], message: bytes, times: int) -> None:
        key = f"{self._name}-{next(self._numbers)}"
        # Workers on other machines that came after the check are not used.
        remote = self._client.submit(answer, message, key=key, pure=False, workers=sorted(self._hosts))
        with self._lock:
            self._in_hand[future] = remote
        remote.add_done_callback(partial(self._settle, future, message, times))

    def _began(self, event: tuple[float, str]) -> None:
        """A worker tells that it begins a task; more often than once only after a worker was lost."""
        _, key = event
        with self._lock:
            self._starts[key] += 1
            future = next((f for f, remote in self._in_hand.items() if remote.key == key), None)
        if future and self._starts[key] > _MOST_STARTS:
            self._end(future, _LETHAL, None)

    def _settle(self, future: Future[Any], message: bytes, times: int, remote: Any) -> None:
        """One task has ended, placed for the `times`-th time; called in a thread of the client."""
        found: Any = None
        error: RunError | None = None
        try:
            if remote.status in ("cancelled", "lost"):
                error = RunError("the cluster's scheduler is gone; start it and give the same command again to go on")
            else:
                found = pickle.loads(remote.result())
        except distributed.KilledWorker:
            # The scheduler also counts workers that were lost while a scan only waited there.
            if self._starts[remote.key] < _MOST_STARTS and times < _MOST_TIMES:
                self._place(future, message, times + 1)
                return
            found = _LETHAL
        except RunError as e:
            error = e
        except Exception as e:
            error = RunError(f"the cluster failed ({type(e).__name__}: {_first_line(e)}); see the log of its workers")
        self._end(future, found, error)

    def _end(self, future: Future[Any], found: Any, error: RunError | None) -> None:
        with self._lock:
            remote = self._in_hand.pop(future, None)
        if remote is None:  # given up before
            return
        self._starts.pop(remote.key, None)
        if error:
            future.set_exception(error)
        else:
            future.set_result(found)

    def _watch(self) -> None:
        """Give up what is in hand when no worker has been there for long."""
        last_seen = time.monotonic()
        while not self._stopped.wait(_LOOK_SECONDS):
            with contextlib.suppress(Exception):  # a scheduler that is gone ends the tasks by itself
                if self._hosts & {_host(worker) for worker in self._client.nthreads()}:
                    last_seen = time.monotonic()
            if time.monotonic() - last_seen > self._patience:
                with self._lock:
                    waiting = list(self._in_hand)
                for future in waiting:
                    self._end(future, None, RunError(_NO_WORKER_LEFT))


# ------------------------------------------------------------------------------------------------ address and versions
def _check_address(address: str, trusted: bool) -> None:
    scheme, _, rest = address.rpartition("://")
    try:
        parts = urlsplit(f"//{rest}")
        whole = bool(parts.hostname and parts.port)
    except ValueError:
        whole = False
    if scheme not in ("", "tcp", "tls") or not whole:
        raise RunError(f"--cluster {address}: is no address; write tcp://HOST:PORT or tls://HOST:PORT of a scheduler")
    if scheme == "tls":
        if distributed.Security().get_connection_args("client").get("ssl_context") is None:
            raise RunError(
                f"--cluster {address}: there are no TLS settings; give distributed.comm.tls (ca-file, client.cert, "
                "client.key) in distributed's configuration"
            )
    elif not (trusted or _is_this_machine(parts.hostname or "")):
        raise RunError(
            f"--cluster {address}: is another machine, and nothing protects the way there: whoever reaches that port "
            "can run programs as you on every worker. Use tls://, or say --open-cluster if that network is yours alone"
        )


def _is_this_machine(host: str) -> bool:
    try:
        return host == "localhost" or ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def _within(seconds: float, call: Callable[[], Any]) -> Any:
    """What the call returns, or TimeoutError: the library waits for ever for an address that says nothing."""
    found: Future[Any] = Future()

    def settle() -> None:
        try:
            found.set_result(call())
        except BaseException as e:
            found.set_exception(e)

    threading.Thread(target=settle, name="connecting", daemon=True).start()
    try:
        return found.result(seconds)
    except TimeoutError:
        raise TimeoutError(f"no answer within {seconds:.0f} seconds") from None


def _connected(address: str) -> Any:
    # Its own lines would stand between ours; what concerns the user stands in one of those.
    for name in [n for n in logging.root.manager.loggerDict if n.startswith(("distributed", "tornado", "asyncio"))]:
        logging.getLogger(name).setLevel(logging.CRITICAL)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # about versions, which are compared below
            wait = _CONNECT_SECONDS
            return _within(2 * wait, lambda: distributed.Client(address, timeout=wait, set_as_default=False))
    except Exception as e:
        raise RunError(
            f"--cluster {address}: no scheduler answers there ({_first_line(e)}); check the address, and that "
            "`dask scheduler` runs"
        ) from None


def _host(worker: str) -> str:
    return str(get_address_host(worker))


def _without_kind(facts: Mapping[str, str]) -> dict[str, str]:
    return {name: version for name, version in facts.items() if name not in KIND}


def _check_versions(who: str, here: Mapping[str, str], seen: object) -> None:
    """`seen` is what `look` found there, or the error it ended with. Raises RunError."""
    if not isinstance(seen, WorkerFacts):
        raise RunError(
            f"{who}: cannot run opercle {here['opercle']} ({type(seen).__name__}); install the same opercle[cluster] "
            "there and start it anew"
        )
    differences = unlike(_without_kind(here), seen.facts)
    if differences:
        raise RunError(f"{who}: {differences}; install the same versions on every machine")


def _few(scans: Sequence[ScanRef], folders: Sequence[Path]) -> list[ScanRef]:
    """Some scans, evenly spread, and the first of each folder; paths absolute."""
    absolute = [replace(ref, path=ref.path.absolute()) for ref in scans]
    chosen = absolute[:: max(len(absolute) // _PROBES, 1)][:_PROBES]
    firsts = (next((r for r in absolute if r.path.is_relative_to(folder)), None) for folder in folders)
    return [*chosen, *(r for r in firsts if r is not None)]


def _first_line(error: Exception) -> str:
    return (str(error).strip().splitlines() or [""])[0][:200]
