"""Work for the workers of a cluster, which import this module by its name."""

from __future__ import annotations

import multiprocessing
import os
import signal
import time

from pipeline.run.first_pass import Outcome, ScanJob, read_one


def read(job: ScanJob) -> Outcome:
    """Read the scan, after what its name asks for: `lethal...` kills the worker, `endless...` never ends."""
    name = job.ref.scan
    if name.startswith("lethal"):
        parent = multiprocessing.parent_process()
        assert parent is not None
        assert parent.pid is not None
        os.kill(parent.pid, signal.SIGKILL)
    if name.startswith(("lethal", "endless")):
        time.sleep(600)
    time.sleep(0.1)
    return read_one(job)


def facts() -> dict[str, str]:
    """What a made-up machine works with, as its environment says."""
    machine, numpy = os.environ.get("OPERCLE_TEST_MACHINE", "there"), os.environ.get("OPERCLE_TEST_NUMPY", "2.0")
    return {"opercle": "0.1.0", "numpy": numpy, "system": "Linux", "processor": machine}
