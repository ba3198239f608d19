"""What the child takes that reads the largest scan a flatbed gives: A4 at 1200 dpi, 16 bits, grey and in colour.

    python -m tests.benchmarks.large_tray

Drawn trays of 300 dpi, laid side by side, enlarged fourfold and made noisy; a command a scan, so that no peak is that
of the scan before; two minutes. Beside the child's seconds those of decoding the file, by tifffile alone.
"""

from __future__ import annotations

import json
import tempfile
import time
from pathlib import Path

import cv2
import numpy as np
import tifffile

from pipeline.commands.simulate import simulate
from pipeline.simulate.variety import Variety
from tests.benchmarks.cost import cost_of

WIDTH, HEIGHT = 2480, 3508
"""A4 at 300 dpi, pixels."""
ENLARGED = 4
NOISE = 200
"""Of 65535: a scanner's last bits."""


def tray(folder: Path) -> np.ndarray:
    """A4 at 1200 dpi, full of bones, uint16."""
    simulate(
        folder, 40, 1, Variety(makes=["layered"], dpis=(300,), tray_share=1.0, levels=("clean",), lightings=("dark",))
    )
    page = np.zeros((HEIGHT, WIDTH), np.uint8)
    x = y = row = 0
    for path in sorted((folder / "scans").iterdir()):
        drawn = cv2.imread(str(path), cv2.IMREAD_GRAYSCALE)
        if x + drawn.shape[1] > WIDTH:
            x, y, row = 0, y + row, 0
        part = drawn[: HEIGHT - y, :WIDTH]
        page[y : y + part.shape[0], x : x + part.shape[1]] = part
        x, row = x + part.shape[1], max(row, part.shape[0])
        if y >= HEIGHT:
            break
    large = cv2.resize(page, None, fx=ENLARGED, fy=ENLARGED, interpolation=cv2.INTER_CUBIC).astype(np.uint16) * 256
    large += np.random.default_rng(1).integers(0, NOISE, large.shape, dtype=np.uint16)
    return large


def decoded_in(scan: Path) -> float:
    """Seconds, the file being in memory already."""
    began = time.monotonic()
    tifffile.imread(scan)
    return time.monotonic() - began


def main() -> None:
    """Print the figures."""
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        (folder / "scans").mkdir()
        grey = tray(folder / "drawn")
        more = {"resolution": (1200, 1200), "resolutionunit": 2}
        tifffile.imwrite(folder / "scans" / "grey.tif", grey, **more)
        colour = np.stack([grey] * 3, axis=-1)
        tifffile.imwrite(folder / "scans" / "colour.tif", colour, photometric="rgb", compression="zlib", **more)
        del colour
        for scan in sorted((folder / "scans").iterdir()):
            run = folder / f"run-{scan.stem}"
            cost_of(["-m", "pipeline.cli", "age", str(scan), "--out", str(run), "--workers", "1"])
            told = json.loads((run / "log.jsonl").read_text().splitlines()[0])
            took, decoding = sum(told["seconds"].values()), decoded_in(scan)
            print(f"{scan.name}: {grey.size / 1e6:.0f} megapixels, {told.get('bones', told['outcome'])} bones, "
                  f"{told.get('megabytes')} megabytes at most, seconds {told['seconds']}")  # fmt: skip
            print(f"  decoding alone {decoding:.2f} s: {took / decoding:.1f} times as long, "
                  f"the file alone {told['seconds']['file'] / decoding:.1f} times")  # fmt: skip


if __name__ == "__main__":
    main()
