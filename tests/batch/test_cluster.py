"""A batch on a cluster gives what a batch on one machine gives, and says in one line why it cannot.

The scheduler and its workers are processes of their own, started by their command lines, as a user does.
"""

from __future__ import annotations

import contextlib
import csv
import io
import json
import os
import shutil
import sys
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import cluster_work
import psutil
import pytest

from pipeline.batch import cluster
from pipeline.batch.cluster import Cluster, Ground
from pipeline.commands.age import age
from pipeline.commands.asked import Request
from pipeline.errors import Interrupted, RunError
from pipeline.run import reading_scans, versions
from pipeline.scans.scan_folder import find_scans

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="signals")

TOP = Path(__file__).parent.parent.parent
FIXTURES = TOP / "fixtures" / "scans"
TABLES = ("ages", "annuli", "count_probabilities", "age_probabilities", "refused", "changes")


@dataclass(frozen=True)
class Dask:
    """A scheduler and the processes of its workers."""

    address: str
    start: Callable[..., psutil.Process]
    """Begin one more worker of one thread."""

    def workers(self, wanted: int) -> None:
        """Wait until so many are there."""
        from distributed import Client

        with Client(self.address, set_as_default=False) as client:
            client.wait_for_workers(wanted, timeout=20)


@contextlib.contextmanager
def dask(folder: Path, allowed_failures: int) -> Iterator[Dask]:
    """A scheduler on this machine; ends with all its workers."""
    folder.mkdir()
    env = os.environ | {
        "PYTHONPATH": os.pathsep.join((str(TOP), str(Path(__file__).parent))),
        "DASK_DISTRIBUTED__SCHEDULER__ALLOWED_FAILURES": str(allowed_failures),
        "DASK_DISTRIBUTED__WORKER__PROFILE__ENABLED": "False",
    }
    file = folder / "scheduler.json"
    begun: list[psutil.Process] = []

    def begin(kind: str, *options: str) -> psutil.Process:
        command = [sys.executable, "-m", f"distributed.cli.dask_{kind}", "--host", "127.0.0.1", "--no-dashboard"]
        with (folder / f"{kind}-{len(begun)}.log").open("wb") as log:
            process = psutil.Popen(
                [*command, "--scheduler-file", str(file), *options], env=env, cwd=folder, stdout=log, stderr=log
            )
        begun.append(process)
        return process

    begin("scheduler", "--port", "0")
    try:
        while not file.exists() or not file.read_text():
            time.sleep(0.02)
        address = json.loads(file.read_text())["address"]
        yield Dask(address, lambda *options: begin("worker", "--nthreads", "1", *options))
    finally:
        for process in reversed(begun):
            family = [process, *process.children(recursive=True)] if process.is_running() else []
            for member in family:
                with contextlib.suppress(psutil.NoSuchProcess):
                    member.kill()
            process.wait()


@pytest.fixture(scope="module")
def two(tmp_path_factory):
    """Two workers, each watched by a nanny, and a scan may lose one worker."""
    with dask(tmp_path_factory.mktemp("two") / "dask", allowed_failures=1) as found:
        nannies = [found.start() for _ in range(2)]
        yield found, nannies


@pytest.fixture(scope="module")
def scans(tmp_path_factory) -> Path:
    """Six small scans."""
    folder = tmp_path_factory.mktemp("scans") / "scans"
    folder.mkdir()
    for path in sorted(FIXTURES.glob("*.*"))[:6]:
        shutil.copy2(path, folder / path.name)
    return folder


@pytest.fixture(scope="module")
def local(scans, two, tmp_path_factory) -> Path:
    """The run of one machine; the workers come up meanwhile."""
    out = tmp_path_factory.mktemp("local") / "run"
    run(scans, out)
    two[0].workers(2)
    return out


def run(folder: Path, out: Path, address: str = "", **more) -> list[str]:
    lines: list[str] = []
    request = Request(**({"scans": (folder,), "out": out, "workers": 2, "cluster": address} | more))
    age(request, lines.append, cluster_work.read)
    return lines


def tables(out: Path) -> dict[str, bytes]:
    return {name: (out / f"{name}.csv").read_bytes() for name in TABLES}


def with_one_more(folder: Path, name: str) -> Path:
    """A folder of two good scans and another."""
    scans = folder / "scans"
    scans.mkdir()
    for file in ("sauger_1.jpg", "sauger_2.tif"):
        shutil.copy(FIXTURES / file, scans / file)
    shutil.copy(FIXTURES / "perch_1.png", scans / name)
    return scans


def worker_of(nanny: psutil.Process) -> psutil.Process:
    """The worker that a nanny watches over: the child that has children of its own (it has a server to fork from)."""
    return next(child for child in nanny.children() if child.children())


def ground(folder: Path) -> Ground:
    return Ground(facts=versions.of_cluster, preload=(), folders=(folder,))


def test_tables_are_those_of_one_machine_to_the_last_byte(local, scans, two, tmp_path, capfd):
    lines = run(scans, tmp_path / "run", two[0].address)
    assert tables(tmp_path / "run") == tables(local)
    assert not [line for line in lines if "worker" in line]
    assert "distributed" not in capfd.readouterr().err


def test_a_worker_killed_in_the_middle_costs_nothing(local, scans, two, tmp_path):
    found, nannies = two
    victim, out = worker_of(nannies[0]), tmp_path / "run"

    def kill() -> None:
        while not (out / "log.jsonl").exists():
            time.sleep(0.01)
        victim.kill()

    killing = threading.Thread(target=kill)
    killing.start()
    run(scans, out, found.address)
    killing.join()
    assert not victim.is_running()
    assert tables(out) == tables(local)


def test_a_scan_that_kills_worker_after_worker_is_refused_and_the_others_are_read(local, two, tmp_path, monkeypatch):
    monkeypatch.setattr(cluster, "_MOST_STARTS", 1)
    folder = with_one_more(tmp_path, "lethal.png")
    two[0].workers(2)
    run(folder, tmp_path / "run", two[0].address)
    (refused,) = csv.DictReader(io.StringIO((tmp_path / "run" / "refused.csv").read_text()))
    assert (refused["scan"], refused["reason"]) == ("lethal.png", "crashed")
    assert "worker after worker" in refused["detail"]
    here = [line for line in (local / "annuli.csv").read_text().splitlines() if line.startswith("sauger")]
    assert (tmp_path / "run" / "annuli.csv").read_text().splitlines()[1:] == here


def test_an_interrupt_ends_what_is_in_hand_on_the_workers(two, tmp_path, monkeypatch):
    found, nannies = two
    folder = with_one_more(tmp_path, "endless.png")
    found.workers(2)

    def interrupted(self, job, outcome):
        raise KeyboardInterrupt

    monkeypatch.setattr(reading_scans.Keeper, "take", interrupted)
    with pytest.raises(Interrupted, match=r"stopped: scans done 0 of 3.*same command again"):
        run(folder, tmp_path / "run", found.address)
    for _ in range(300):
        children = [c for n in nannies for server in worker_of(n).children() for c in server.children()]
        if not children:
            break
        time.sleep(0.01)
    assert children == []


def test_scans_that_workers_see_otherwise_are_told_before_the_start(local, scans, two):
    first, *others = find_scans((scans,)).scans
    gone = replace(first, path=scans / "on_my_own_disk.png")
    other = replace(first, mtime_ns=first.mtime_ns + 1)
    for scan, said in ((gone, "on_my_own_disk.png: cannot be opened there"), (other, "another size or time there")):
        with pytest.raises(RunError, match=f"worker .*{said}.*a folder that all machines share"):
            Cluster(two[0].address, ground(scans), [scan, *others], trusted=False, patience_seconds=9, say=print)


def test_workers_open_nothing_outside_the_folders_of_scans(local, scans, two, tmp_path, monkeypatch):
    folder, outside = tmp_path / "scans", tmp_path / "outside.png"
    folder.mkdir()
    shutil.copy(FIXTURES / "perch_1.png", folder / "perch_1.png")
    shutil.copy(FIXTURES / "perch_1.png", outside)
    found = find_scans((folder,))
    (folder / "perch_1.png").unlink()
    (folder / "perch_1.png").symlink_to(outside)
    stat = outside.stat()
    found = replace(found, scans=(replace(found.scans[0], mtime_ns=stat.st_mtime_ns),))
    monkeypatch.setattr("pipeline.commands.asked.find_scans", lambda *_: found)
    run(folder, tmp_path / "run", two[0].address)
    assert "lies outside the folder of scans" in (tmp_path / "run" / "refused.csv").read_text()


def test_other_versions_are_an_error_and_another_processor_is_a_line(local, scans, two, monkeypatch):
    said: list[str] = []
    whole = Ground(facts=cluster_work.facts, preload=(), folders=())
    monkeypatch.setenv("OPERCLE_TEST_MACHINE", "here")
    Cluster(two[0].address, whole, [], trusted=False, patience_seconds=9, say=said.append).stop()
    assert [line.partition(";")[0].partition(": ")[2] for line in said] == ["its processor is there, here here"] * 2
    monkeypatch.setenv("OPERCLE_TEST_NUMPY", "1.0")
    with pytest.raises(RunError, match=r"worker .*: numpy is 2\.0 there, 1\.0 here; install the same versions"):
        Cluster(two[0].address, whole, [], trusted=False, patience_seconds=9, say=said.append)


@pytest.mark.parametrize("host", ["10.1.2.3", "scans.example.org", "[2001:db8::1]"])
def test_a_scheduler_on_another_machine_needs_protection_or_the_users_word(scans, tmp_path, host):
    with pytest.raises(RunError, match=r"another machine.*run programs as you.*tls://.*--open-cluster"):
        run(scans, tmp_path / "run", f"tcp://{host}:8786")
    assert not (tmp_path / "run").exists()


@pytest.mark.parametrize(
    ("address", "said"),
    [
        ("tls://10.1.2.3:8786", "no TLS settings"),
        ("ucx://127.0.0.1:8786", "is no address"),
        ("127.0.0.1", "is no address"),
        ("127.0.0.1:many", "is no address"),
        ("127.0.0.1:1", "no scheduler answers"),
    ],
)
def test_an_address_of_no_use_is_one_line(scans, tmp_path, monkeypatch, address, said):
    monkeypatch.setattr(cluster, "_CONNECT_SECONDS", 0.3)
    with pytest.raises(RunError, match=said) as told:
        run(scans, tmp_path / "run", address)
    assert "\n" not in str(told.value)
    assert not (tmp_path / "run").exists()


def test_without_the_package_it_is_told_what_to_install(scans, tmp_path, monkeypatch):
    monkeypatch.delitem(sys.modules, "pipeline.batch.cluster")
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(RunError, match=r"distributed is missing; install opercle\[cluster\]"):
        run(scans, tmp_path / "run", "127.0.0.1:8786")


def test_a_cluster_without_workers_is_told_at_the_start_and_later(scans, tmp_path):
    (tmp_path / "short.toml").write_text("[batch]\nwithout_workers_seconds = 0.5\n")
    with dask(tmp_path / "dask", allowed_failures=9) as found:
        with pytest.raises(RunError, match="the scheduler has no worker; start `dask worker"):
            run(scans, tmp_path / "run", found.address)
        assert not (tmp_path / "run").exists()
        found.start("--no-nanny")
        found.workers(1)
        (tmp_path / "scans").mkdir()
        shutil.copy(FIXTURES / "perch_1.png", tmp_path / "scans" / "lethal.png")
        with pytest.raises(RunError, match=r"all workers of the cluster are gone.*same command again"):
            run(tmp_path / "scans", tmp_path / "run", found.address, settings=(str(tmp_path / "short.toml"),))
