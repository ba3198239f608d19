"""Time that `--help` takes, and time from the start of a run of a thousand scans until the first of them is done.

    python -m tests.benchmarks.first_result [SCANS]

Until then every header has been looked at and the server of the children has started. What reading the scan itself took
is left out in the second figure: that is when the first scan was begun.
"""

from __future__ import annotations

import json
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from tests.benchmarks.memory import copies

OFTEN = 0.02
"""Seconds between two looks."""
HELPS = 5
"""Times that the help is asked for: the middle one counts."""


def help_seconds() -> float:
    """Wall time of `opercle --help`."""
    took = []
    for _ in range(HELPS):
        began = time.monotonic()
        subprocess.run([sys.executable, "-m", "pipeline.start", "--help"], stdout=subprocess.DEVNULL, check=True)
        took.append(time.monotonic() - began)
    return statistics.median(took)


def main(scans: int = 1000) -> None:
    """Print the figures."""
    print(f"--help: {help_seconds():.2f} s")
    with tempfile.TemporaryDirectory() as folder:
        many, run = copies(Path(folder), scans), Path(folder) / "run"
        began = time.monotonic()
        command = [sys.executable, "-m", "pipeline.cli", "age", str(many), "--out", str(run)]
        batch = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        log = run / "log.jsonl"
        while batch.poll() is None and not (log.exists() and log.stat().st_size):
            time.sleep(OFTEN)
        done = time.monotonic() - began
        reading = sum(json.loads(log.read_text().splitlines()[0])["seconds"].values())
        print(f"{scans} scans: {done:.2f} s until the first was done, {done - reading:.2f} s until it was begun")
        batch.terminate()
        batch.wait()


if __name__ == "__main__":
    main(*(int(given) for given in sys.argv[1:]))
