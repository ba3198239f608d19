"""Is anything lost when a batch is killed?

    python -m tests.studies.killed_nights [--kills 20] [--seed 1]

Draws sixty small scans, ages them undisturbed, then as many times from the start as kills are asked for: killed with
SIGKILL at a random moment, started again, run to its end. Tables must be those of the undisturbed run to the last byte,
and the pictures the same. Exit status 1 when they are not. Some three minutes on two cores.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from pipeline.commands.simulate import simulate
from pipeline.simulate.variety import Variety
from tests.studies.asked import numbers

SCANS = 60


def command(drawn: Path, out: Path) -> list[str]:
    """The command that ages the drawn scans."""
    table = drawn / "specimens.csv"
    return [sys.executable, "-m", "pipeline.cli", "age", str(drawn / "scans"), "--specimens", str(table), "--out",
            str(out), "--workers", "2"]  # fmt: skip


def results(out: Path) -> dict[str, bytes]:
    """Tables and pictures; the log of the run, the ledger and run.json tell times and hold other bytes each time."""
    return {
        p.relative_to(out).as_posix(): p.read_bytes()
        for p in sorted(out.rglob("*"))
        if p.is_file() and p.suffix in (".csv", ".jpg", ".png")
    }


def main(kills: int, seed: int) -> int:
    """Print each kill and what came of it."""
    random, same = np.random.default_rng(seed), 0
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        drawn = folder / "drawn"
        simulate(drawn, SCANS, seed, Variety(makes=["layered"], dpis=(300,), tray_share=0.0, levels=("clean",)))
        began = time.monotonic()
        subprocess.run(command(drawn, folder / "undisturbed"), check=True, capture_output=True)
        whole = time.monotonic() - began
        wanted = results(folder / "undisturbed")
        for kill in range(kills):
            out = folder / f"killed-{kill}"
            moment = float(random.uniform(0, whole))
            batch = subprocess.Popen(command(drawn, out), stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
            time.sleep(moment)
            ended = batch.poll() is not None
            batch.kill()
            batch.wait()
            again = subprocess.run(command(drawn, out), capture_output=True, text=True, check=False)
            alike = again.returncode == 0 and results(out) == wanted
            same += alike
            when = "after its end" if ended else f"at {moment:4.1f} s"
            print(f"{when}: {'same' if alike else 'NOT THE SAME'}; {next(iter(again.stderr.splitlines()), '')}")
    print(f"{same} of {kills} as undisturbed ({whole:.1f} s, {len(wanted)} files)")
    return int(same < kills)


if __name__ == "__main__":
    sys.exit(main(**numbers(__doc__, kills=20, seed=1)))
