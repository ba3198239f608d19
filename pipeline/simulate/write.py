"""Scan files as scanners' programs write them."""

from __future__ import annotations

from pathlib import Path

import tifffile
from PIL import Image

from pipeline.simulate.draw import DrawnScan

JPEG_QUALITY = 88  # what a scanner's program offers as good
COMPRESSIONS = (None, "zlib", "lzw")


def write_scan(folder: Path, scan: DrawnScan) -> None:
    """Write one scan; TIFF, PNG or JPEG by the ending of its name."""
    path = folder / scan.name
    if path.suffix == ".tif":
        compression = COMPRESSIONS[sum(scan.name.encode()) % len(COMPRESSIONS)]
        resolution = {} if scan.dpi is None else {"resolution": (scan.dpi, scan.dpi), "resolutionunit": "INCH"}
        tifffile.imwrite(path, scan.pixels, photometric="rgb" if scan.pixels.ndim == 3 else "minisblack", metadata=None, software=False,
                         compression=compression, rowsperstrip=128, **resolution)
        return
    told = {} if scan.dpi is None else {"dpi": (scan.dpi, scan.dpi)}
    picture = Image.fromarray(scan.pixels)
    if path.suffix == ".png":
        picture.save(path, compress_level=3, **told)
    else:
        picture.save(path, quality=JPEG_QUALITY, **told)
