"""Scan files as scanners' programs write them."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import tifffile
from PIL import Image

from pipeline.simulate.plan import DrawnScan

JPEG_QUALITY = 88  # what a scanner's program offers as good
PNG_EFFORT = 3  # of 9: fast, and hardly larger
COMPRESSIONS = (None, "zlib", "lzw")


def write_scan(folder: Path, scan: DrawnScan) -> None:
    """Write one scan; TIFF, PNG or JPEG by the ending of its name."""
    path = folder / scan.name
    if path.suffix == ".tif":
        tifffile.imwrite(
            path,
            scan.pixels,
            photometric="rgb" if scan.pixels.ndim == 3 else "minisblack",
            metadata=None,
            software=False,
            compression=COMPRESSIONS[sum(scan.name.encode()) % len(COMPRESSIONS)],
            rowsperstrip=128,
            resolution=None if scan.dpi is None else (scan.dpi, scan.dpi),
            resolutionunit=None if scan.dpi is None else "INCH",
        )
        return
    how: dict[str, Any] = {"compress_level": PNG_EFFORT} if path.suffix == ".png" else {"quality": JPEG_QUALITY}
    if scan.dpi is not None:
        how["dpi"] = (scan.dpi, scan.dpi)
    Image.fromarray(scan.pixels).save(path, **how)
