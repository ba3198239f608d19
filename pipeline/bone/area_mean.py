"""Smaller pictures whose pixels are means over an area."""

from __future__ import annotations

import cv2

from pipeline.records import Float


def area_mean(image: cv2.typing.MatLike, scale: float) -> Float:
    """The picture (row, column) at a scale of at most 1, its type kept.

    New pixel x covers x / scale to (x + 1) / scale of the old, exactly; the last one of a row may reach a little beyond
    the picture and then repeats its last pixel.
    """
    # Means over whole pixels are several times as fast as over parts, so as much as can be is done by them.
    whole = int(1 / scale)
    rows, columns = (-(-side // whole) for side in image.shape)
    down, across = rows * whole - image.shape[0], columns * whole - image.shape[1]
    even = cv2.copyMakeBorder(image, 0, down, 0, across, cv2.BORDER_REPLICATE) if down or across else image
    first = cv2.resize(even, (columns, rows), interpolation=cv2.INTER_AREA)
    rest = scale * whole
    return cv2.resize(first, None, fx=rest, fy=rest, interpolation=cv2.INTER_AREA)  # type: ignore[return-value]
