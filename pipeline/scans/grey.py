"""Samples of any kind to grey, in bands of rows, so that no whole copy of a colour scan is made."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

Grey = NDArray[Any]
"""(row, column), uint8 or uint16."""

BAND_SAMPLES = 1 << 22
"""Samples handled at a time: 8 megabytes of 16 bit, small beside a scan and large beside the cost of a call."""


@dataclass(frozen=True, slots=True, kw_only=True)
class GreyRule:
    """How samples become grey.

    Grey is the mean of the colour channels. Alpha is ignored: a scanner has none, so what stands under it is what the
    scanner saw, and an editor's transparent margin hides nothing that would be a mark.
    """

    colours: int
    """Leading samples of a pixel that are colour: 1 or 3."""
    table: NDArray[np.uint8] | None = None
    """(256,): grey of each sample, for palettes, fewer than 8 bits, and white stored as 0. Only with one colour."""
    inverted: bool = False
    """White is stored as 0, in more than 8 bits."""


def put_grey(samples: NDArray[Any], rule: GreyRule, out: Grey) -> None:
    """Write the grey of `samples` (row, column, sample) into `out` (row, column), which may be smaller."""
    rows, columns = out.shape
    step = max(1, BAND_SAMPLES // max(1, columns * samples.shape[2]))
    for top in range(0, rows, step):
        band = samples[top : min(top + step, rows), :columns]
        out[top : top + step] = _grey(band, rule)


def _grey(band: NDArray[Any], rule: GreyRule) -> Grey:
    band = band.astype(band.dtype.newbyteorder("="), copy=False)
    if rule.colours == 3:
        # OpenCV rounds to the nearest and never overflows; four samples are its limit, and alpha gets no weight.
        shown = np.ascontiguousarray(band[..., :4])
        weights = np.zeros((1, shown.shape[2]), np.float32)
        weights[0, :3] = 1 / 3
        mean: Grey = cv2.transform(shown, weights)
        return mean
    first = band[..., 0]
    if rule.table is not None:
        looked_up: Grey = rule.table[first]
        return looked_up
    grey: Grey = np.iinfo(first.dtype).max - first if rule.inverted else first
    return grey


def spread_table(bits: int, *, inverted: bool = False) -> NDArray[np.uint8] | None:
    """Table that spreads samples of 1 to 8 bits over 0 to 255; None when 8-bit samples stay as they are."""
    if bits == 8 and not inverted:
        return None
    most = (1 << bits) - 1
    table = np.full(256, 255, np.uint8)
    table[: most + 1] = np.arange(most + 1) * 255 // most
    return 255 - table if inverted else table


def palette_table(colours: NDArray[Any]) -> NDArray[np.uint8]:
    """Table from a palette (n, 3) of 8-bit colours; places beyond the palette are black."""
    table = np.zeros(256, np.uint8)
    n = min(256, len(colours))
    table[:n] = np.rint(np.asarray(colours[:n], np.float64).mean(axis=1))
    return table


def unpacked(packed: NDArray[np.uint8], bits: int, columns: int) -> NDArray[np.uint8]:
    """Samples of 1, 2 or 4 bits, the first in the highest bits, from bytes (row, byte) to (row, column)."""
    if bits == 8:
        return packed[:, :columns]
    shifts = np.arange(8 - bits, -1, -bits, dtype=np.uint8)
    spread: NDArray[np.uint8] = (packed[:, :, None] >> shifts) & np.uint8((1 << bits) - 1)
    return spread.reshape(len(packed), -1)[:, :columns]
