"""A stand-in for the reading of one scan that does what the file's name says; run in child processes."""

from __future__ import annotations

import hashlib
import os
import signal
import time
from pathlib import Path, PurePosixPath

from pipeline.records import BoneReading, Refusal
from pipeline.run.first_pass import Outcome, RefusedRead, ScanJob, ScanRead, Unchanged
from pipeline.run.record_text import kept

JPEG = (Path(__file__).parent / "grey.jpg").read_bytes()
"""16 x 16 grey pixels."""


def read(job: ScanJob) -> Outcome:
    """Tiny files named `KIND-ANYTHING.png`; kinds are the functions below, `trayN` holds N bones, all else one."""
    name = PurePosixPath(job.ref.scan).stem
    kind = name.split("-")[0]
    content = job.ref.path.read_bytes()
    sha256 = hashlib.sha256(content).hexdigest()
    others_hold = sha256 == job.known_sha256
    if others_hold and not job.bones:
        return Unchanged(scan=job.ref.scan)
    if kind in FAULTS:
        FAULTS[kind]()
    if kind == "truncated":
        refusal = Refusal(scan=job.ref.scan, stage="file", code="truncated", detail="the file ends too early")
        return RefusedRead(refusal=refusal)
    count = int(kind.removeprefix("tray")) if kind.startswith("tray") else 1
    bones = tuple(
        BoneReading(
            scan=job.ref.scan, number=n, outline=((0.0, 0.0), (9.0, 0.0), (9.0, 9.0)), lighting="reflected", dpi=600.0,
            axis=None, traits={"sum": float(sum(content) + n)}, crop=(0.0, 0.0, 1.0),
        )
        for n in (job.bones if others_hold else range(1, count + 1))
    )  # fmt: skip
    return ScanRead(
        scan=job.ref.scan, sha256=sha256, width=16, height=16, bones=tuple(kept(b) for b in bones),
        others_hold=others_hold,
        seconds={"file": 0.0}, peak_megabytes=1.0, crops=tuple((b.number, JPEG) for b in bones), whole=JPEG,
    )  # fmt: skip


def _spins() -> None:
    while True:
        pass


def _hogs() -> None:
    import numpy as np

    held = [np.ones(2**24)]
    while True:
        held.append(np.ones(2**24))


def _raises() -> None:
    raise ValueError("of no use to anybody")


def _noisy() -> None:
    print("noise")
    os.write(1, b"noise of C code\n")
    os.write(2, b"noise of C code\n")


FAULTS = {
    "killed": lambda: os.kill(os.getpid(), signal.SIGKILL),
    "exits": lambda: os._exit(3),
    "spins": _spins,
    "sleeps": lambda: time.sleep(600),
    "slow": lambda: time.sleep(0.05),
    "hogs": _hogs,
    "raises": _raises,
    "noisy": _noisy,
}
