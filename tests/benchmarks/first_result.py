"""Time from the start of a run of a thousand scans until the first of them is done.

    python -m tests.benchmarks.first_result [SCANS]

Until then every header has been looked at and the server of the children has started.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
import time
from pathlib import Path

from tests.benchmarks.memory import copies

OFTEN = 0.02
"""Seconds between two looks."""


def main(scans: int = 1000) -> None:
    """Print the figure."""
    with tempfile.TemporaryDirectory() as folder:
        many, run = copies(Path(folder), scans), Path(folder) / "run"
        began = time.monotonic()
        command = [sys.executable, "-m", "pipeline.cli", "age", str(many), "--out", str(run)]
        batch = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        log = run / "log.jsonl"
        while batch.poll() is None and not (log.exists() and log.stat().st_size):
            time.sleep(OFTEN)
        print(f"{scans} scans: {time.monotonic() - began:.1f} s until the first was done")
        batch.terminate()
        batch.wait()


if __name__ == "__main__":
    main(*(int(given) for given in sys.argv[1:]))
