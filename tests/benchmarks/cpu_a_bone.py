"""CPU of the whole command a bone, against the floor of the same scans: decoded, blurred once, written as JPEG; and
beside it the script that a technician would write: each scan decoded, the grey along one line through the bone, peaks.

    python -m tests.benchmarks.cpu_a_bone [BONES] [SEED]

Draws scans of 600 dpi, ages them with one worker and with two, and prints CPU seconds a bone and how many times the
floor that is, and how much faster two workers are. The floor is measured before and after: on a busy machine both move.
"""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path

import cv2
from scipy.ndimage import gaussian_filter1d
from scipy.signal import find_peaks

from pipeline.commands.simulate import simulate
from pipeline.simulate.variety import Variety
from tests.benchmarks.cost import Cost, cost_of

DPI = 600
BLUR_PX = 1.0
JPEG_QUALITY = 90
HALF_WIDTH, PROFILE_PX, PROMINENCE = 5, 3.0, 2.0
"""Of the transect: rows to either side, smoothing along it (pixels), least height of a peak (grey levels)."""


def floor(scans: Path) -> float:
    """CPU seconds that the least one can do with these scans takes."""
    cv2.setNumThreads(1)
    began = time.process_time()
    for path in sorted(scans.iterdir()):
        picture = cv2.imread(str(path), cv2.IMREAD_UNCHANGED)
        blurred = cv2.GaussianBlur(picture, (0, 0), BLUR_PX)
        shown = blurred if blurred.dtype == "uint8" else (blurred >> 8).astype("uint8")
        cv2.imencode(".jpg", shown, [cv2.IMWRITE_JPEG_QUALITY, JPEG_QUALITY])
    return time.process_time() - began


def transect(scans: Path) -> float:
    """CPU seconds that one profile a scan, and its peaks, take: no bone is found, no axis, nothing is drawn."""
    cv2.setNumThreads(1)
    began = time.process_time()
    for path in sorted(scans.iterdir()):
        picture = cv2.imread(str(path), cv2.IMREAD_GRAYSCALE)
        middle = picture.shape[0] // 2
        line = picture[middle - HALF_WIDTH : middle + HALF_WIDTH + 1].mean(axis=0)
        find_peaks(gaussian_filter1d(line, PROFILE_PX), prominence=PROMINENCE)
    return time.process_time() - began


def whole_command(drawn: Path, run: Path, workers: int) -> Cost:
    """Cost of `opercle age` over a drawn set."""
    tables = ["--specimens", str(drawn / "specimens.csv"), "--out", str(run), "--workers", str(workers)]
    return cost_of(["-m", "pipeline.cli", "age", str(drawn / "scans"), *tables])


def main(bones: int = 200, seed: int = 1) -> None:
    """Print the figures."""
    with tempfile.TemporaryDirectory() as folder:
        drawn = Path(folder) / "drawn"
        made = simulate(drawn, bones, seed, Variety(makes=["layered"], dpis=(DPI,)))
        print(f"{made.bones} bones on {made.scans} scans of {DPI} dpi")
        floor(drawn / "scans")  # the files come from memory from now on, for both
        least = floor(drawn / "scans")
        one, two = (whole_command(drawn, Path(folder) / f"run-{n}", n) for n in (1, 2))
        least = (least + floor(drawn / "scans")) / 2
        script = transect(drawn / "scans")
    print(f"floor: {least / made.bones:.4f} s of CPU a bone; a transect script: {script / made.bones:.4f} s")
    for name, cost in (("one worker", one), ("two workers", two)):
        each, times = cost.cpu_seconds / made.bones, cost.cpu_seconds / least
        print(f"{name}: {each:.4f} s of CPU a bone, {times:.1f} times the floor; {cost.seconds:.1f} s in all")
    print(f"two workers are {one.seconds / two.seconds:.2f} times as fast as one")


if __name__ == "__main__":
    main(*(int(given) for given in sys.argv[1:]))
