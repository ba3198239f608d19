"""A child that crashes, hangs, is killed or takes too much ends as a fault with its reason, and touches nobody else."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from small_work import (
    computes,
    doubled,
    exits,
    hogs,
    keeps,
    killed_once,
    kills_itself,
    large,
    length,
    poisons,
    raises,
    sleeps,
    spins,
    talkative,
    threads_allowed,
)

from pipeline.batch import isolate
from pipeline.batch.in_child import MOST_GROWTH_BYTES, MOST_WORK, spent
from pipeline.batch.isolate import Child, Stopped, isolated, start_server
from pipeline.batch.limits import Fault, Limits
from pipeline.codes import REFUSALS
from pipeline.run.child_server import PRELOADED

HERE = Path(__file__).parent
LIMITS = Limits(cpu_seconds=20, wall_seconds=60, memory_megabytes=400)
SHORT = Limits(cpu_seconds=1, wall_seconds=60, memory_megabytes=400)


@pytest.fixture(scope="module", autouse=True)
def _server():
    start_server(PRELOADED)  # one server serves all tests: what it has imported is free for every child


def test_what_the_work_returns_comes_back():
    assert isolated(doubled, 21, LIMITS) == 42


def test_an_answer_of_any_size_comes_back_whole():
    assert isolated(large, 3_000_001, LIMITS) == bytes(3_000_001)


def test_nothing_of_a_child_reaches_the_terminal(capfd):
    assert isolated(talkative, 1, LIMITS) == 1
    assert capfd.readouterr() == ("", "")


def test_children_use_one_thread_each():
    assert isolated(threads_allowed, 0, LIMITS) == ("1", 1)


@pytest.mark.skipif(sys.platform == "win32", reason="there is no server to import anything")
def test_a_file_in_the_users_folder_is_never_taken_for_a_module(tmp_path):
    (tmp_path / "numpy.py").write_text("from pathlib import Path; Path('imported').touch()")
    code = (
        "from small_work import doubled; from pipeline.batch.isolate import *; start_server(['numpy']);"
        "print(isolated(doubled, 2, Limits(cpu_seconds=9, wall_seconds=60, memory_megabytes=400)))"
    )
    script = tmp_path / "elsewhere" / "script.py"
    script.parent.mkdir()
    script.write_text(f"if __name__ == '__main__':\n import sys; sys.path.append({str(HERE)!r}); {code}")
    told = subprocess.run([sys.executable, str(script)], cwd=tmp_path, capture_output=True, text=True, check=True)
    assert told.stdout == "4\n"
    assert not (tmp_path / "imported").exists()


def test_an_exception_is_a_fault_of_the_program_with_its_trace_for_the_log():
    fault = isolated(raises, 1, LIMITS)
    assert (fault.code, "ZeroDivisionError" in fault.detail, "raises" in fault.trace) == ("failed", True, True)


def test_an_exit_without_an_answer_is_a_crash():
    assert isolated(exits, 1, LIMITS) == Fault(code="crashed", detail="ended with exit status 3")


@pytest.mark.skipif(sys.platform == "win32", reason="signals")
def test_a_kill_is_a_crash_that_names_the_signal():
    assert isolated(kills_itself, 1, LIMITS) == Fault(code="crashed", detail="ended by SIGKILL")


@pytest.mark.skipif(sys.platform == "win32", reason="signals")
def test_a_killed_child_is_tried_again_once(tmp_path):
    assert isolated(killed_once, str(tmp_path / "tried"), LIMITS) == "answered"


@pytest.mark.skipif(sys.platform == "win32", reason="CPU limits")
def test_a_hang_in_computation_meets_the_deadline():
    assert isolated(spins, 1, SHORT) == Fault(code="deadline", detail="more than 1 seconds of CPU")


def test_a_hang_in_sleep_meets_the_wall_limit():
    limits = Limits(cpu_seconds=20, wall_seconds=0.5, memory_megabytes=400)
    assert isolated(sleeps, 60, limits).code == "deadline"


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="address space is capped on Linux only")
def test_a_memory_hog_meets_the_cap():
    assert isolated(hogs, 1, LIMITS) == Fault(code="memory", detail="more than 400 megabytes")


def test_every_fault_has_a_code_of_the_registry():
    limits = Limits(cpu_seconds=20, wall_seconds=0.3, memory_megabytes=400)
    assert {isolated(f, 1, limits).code for f in (raises, exits, sleeps)} <= set(REFUSALS)


def test_faults_of_some_leave_the_others_alone():
    works = [doubled, exits, raises, kills_itself] * 5
    with ThreadPoolExecutor(4) as threads:
        answers = list(threads.map(lambda work: isolated(work, 4, LIMITS), works))
    assert answers[::4] == [8] * 5
    assert all(isinstance(a, Fault) for i, a in enumerate(answers) if i % 4)


def test_a_wish_to_stop_ends_the_child_at_once():
    stop = threading.Event()
    threading.Timer(0.3, stop.set).start()
    before = time.monotonic()
    with pytest.raises(Stopped):
        isolated(sleeps, 60, LIMITS, stop)
    assert time.monotonic() - before < 10


@pytest.fixture
def child():
    child = Child()
    yield child
    child.close()


def test_a_child_does_one_piece_of_work_after_the_other(child):
    assert len({child.do(computes, 0.0, LIMITS) for _ in range(20)}) == 1


@pytest.mark.skipif(sys.platform == "win32", reason="signals")
@pytest.mark.parametrize("work", [raises, exits, kills_itself, sleeps, hogs])
def test_what_ends_with_a_fault_in_a_used_child_ends_so_in_a_new_one_and_the_next_piece_is_done(child, work):
    wall_seconds = 1.5 if work is sleeps else 60
    limits = Limits(cpu_seconds=20, wall_seconds=wall_seconds, memory_megabytes=400)
    first = child.do(computes, 0.0, LIMITS)
    assert child.do(work, 4, limits) == isolated(work, 4, limits)
    assert child.do(computes, 0.0, LIMITS) != first


@pytest.mark.skipif(sys.platform == "win32", reason="CPU limits")
def test_the_cpu_deadline_holds_for_each_piece_of_work(child):
    assert len({child.do(computes, 0.8, SHORT) for _ in range(4)}) == 1
    assert child.do(spins, 1, SHORT) == Fault(code="deadline", detail="more than 1 seconds of CPU")


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="memory is asked for on Linux only")
def test_a_child_that_has_grown_is_replaced(child):
    few = [child.do(keeps, 20, LIMITS) for _ in range(5)]
    much = [child.do(keeps, 150, LIMITS) for _ in range(6)]
    assert len({*few}) == 1
    assert len({*much}) >= 3


def test_where_the_system_does_not_tell_memory_a_child_is_replaced_after_so_much_work():
    assert [spent(done, 0, 0) for done in (0, MOST_WORK - 1, MOST_WORK)] == [False, False, True]
    assert not spent(100 * MOST_WORK, 1, MOST_GROWTH_BYTES)  # it tells, and the child has not grown
    assert spent(1, 1, 1 + MOST_GROWTH_BYTES)


@pytest.mark.skipif(sys.platform == "win32", reason="signals")
def test_a_child_that_stands_still_meets_the_wall_limit_however_large_the_work(child):
    first = child.do(computes, 0.0, LIMITS)
    os.kill(first, signal.SIGSTOP)
    limits = Limits(cpu_seconds=20, wall_seconds=0.6, memory_megabytes=400)
    assert child.do(length, bytes(10_000_000), limits) == Fault(
        code="deadline", detail="no end after waiting 1 seconds"
    )
    assert child.do(length, bytes(10_000_000), LIMITS) == 10_000_000


def test_what_work_prints_harms_no_later_work(child, capfd):
    first = child.do(computes, 0.0, LIMITS)
    assert [child.do(talkative, n, LIMITS) for n in range(3)] == [0, 1, 2]
    assert child.do(computes, 0.0, LIMITS) == first
    assert capfd.readouterr() == ("", "")


class NoProcess:
    """Stands for a system that begins no process the first `refusals` times."""

    def __init__(self, refusals: int) -> None:
        self.left, self.there = refusals, isolate._context()

    def Pipe(self):  # noqa: N802
        return self.there.Pipe()

    def Process(self, **how):  # noqa: N802
        self.left -= 1
        if self.left >= 0:
            raise OSError("no more processes")
        return self.there.Process(**how)


def test_a_process_that_cannot_be_begun_is_tried_again_once(monkeypatch):
    system = NoProcess(refusals=1)
    monkeypatch.setattr(isolate, "_context", lambda: system)
    assert isolated(doubled, 21, LIMITS) == 42


def test_work_without_any_process_is_a_crash_and_later_work_is_done(child, monkeypatch):
    system = NoProcess(refusals=2)
    monkeypatch.setattr(isolate, "_context", lambda: system)
    assert child.do(doubled, 21, LIMITS) == Fault(code="crashed", detail="no process could be begun")
    assert child.do(doubled, 21, LIMITS) == 42


@pytest.mark.skipif(sys.platform == "win32", reason="signals")
def test_a_child_killed_while_it_waits_costs_no_work(child):
    first = child.do(computes, 0.0, LIMITS)
    os.kill(first, signal.SIGKILL)
    assert child.do(doubled, 21, LIMITS) == 42


@pytest.mark.skipif(sys.platform == "win32", reason="signals")
def test_work_that_earlier_work_has_spoilt_is_done_again_in_a_new_child(child):
    spoilt = child.do(poisons, 0.2, LIMITS)
    assert child.do(computes, 1.0, LIMITS) != spoilt


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="processes are looked up on Linux only")
def test_a_closed_child_is_gone():
    child = Child()
    process = child.do(computes, 0.0, LIMITS)
    child.close()
    assert not Path(f"/proc/{process}").exists()
