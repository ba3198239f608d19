"""A batch does every task once, holds back what would fill memory, and says how far it is."""

from __future__ import annotations

import pytest
from small_work import doubled

from pipeline.batch.batch import Here, Progress, Task, run_batch
from pipeline.batch.isolate import start_server
from pipeline.batch.limits import Limits
from pipeline.run.child_server import PRELOADED

LIMITS = Limits(cpu_seconds=20, wall_seconds=60, memory_megabytes=400)


@pytest.fixture
def place():
    start_server(PRELOADED)
    here = Here(2)
    yield here
    here.stop()


def test_every_task_is_done_once(place):
    taken = {}
    run_batch(doubled, [Task(n, LIMITS) for n in range(20)], place, lambda job, answer: taken.update({job: answer}))
    assert taken == {n: 2 * n for n in range(20)}


def test_an_interrupt_drops_what_is_in_hand_and_passes_on(place):
    taken = []

    def take(job: int, answer: object) -> None:
        taken.append(job)
        if len(taken) == 3:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        run_batch(doubled, [Task(n, LIMITS) for n in range(200)], place, take)
    assert len(taken) == 3


def test_only_a_few_tasks_are_begun_before_their_answers_are_taken():
    class Counting:
        workers = 2
        begun = 0

        def submit(self, work, job, limits):
            from concurrent.futures import Future

            self.begun += 1
            future = Future()
            future.set_result(work(job))
            return future

        def stop(self):
            raise AssertionError("nothing went wrong")

    place, seen = Counting(), []
    run_batch(
        doubled, [Task(n, LIMITS) for n in range(50)], place, lambda job, answer: seen.append(place.begun - len(seen))
    )
    assert max(seen) <= place.workers + 1


def test_progress_without_a_terminal_is_whole_lines_on_standard_error(capsys):
    progress = Progress(scans=3, report_seconds=0)
    for refused in (False, True, False):
        progress.step(refused=refused, bones=0 if refused else 2, flagged=1)
    progress.close()
    out, err = capsys.readouterr()
    assert out == ""
    assert err.splitlines()[-1] == "scans done 3 of 3, refused 1; bones 4, flagged by their picture alone 3"
