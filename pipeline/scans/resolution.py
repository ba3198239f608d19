"""How many pixels an inch a file states, and whether to believe it."""

from __future__ import annotations

import math
from collections.abc import Sequence

from PIL import Image

from pipeline.records import MM_PER_INCH
from pipeline.scans.scan_header import StatedResolution
from pipeline.settings.first_pass import ScanSettings

CENTIMETRES_AN_INCH = MM_PER_INCH / 10
METRES_AN_INCH = MM_PER_INCH / 1000
UNEVEN = 0.01
"""Share by which two resolutions may differ and still be one: formats round to whole pixels a metre or an inch."""
SAME = 0.001
"""Share within which a resolution is one of `doubtful_dpi`: 72 pixels an inch come back from a PNG as 72.009."""

ORIENTATION_TAG, X_TAG, Y_TAG, UNIT_TAG = 274, 282, 283, 296
UNIT_NONE, UNIT_INCH, UNIT_CENTIMETRE = 1, 2, 3


def believed(stated: Sequence[StatedResolution], settings: ScanSettings) -> tuple[float | None, tuple[str, ...]]:
    """Pixels an inch and the notices about it, from all that a file states.

    None with `no-resolution` when nothing is stated; None with `resolution-doubtful` when what is stated is outside
    the settings' range, is an editor's default, or differs between two places; the mean with `resolution-uneven` when
    across and down differ.
    """
    if not stated:
        return None, ("no-resolution",)
    values = [v for s in stated for v in (s.across, s.down)]
    default = any(math.isclose(v, d, rel_tol=SAME) for v in values for d in settings.doubtful_dpi)
    outside = any(not settings.least_dpi <= v <= settings.most_dpi for v in values)
    means = [(s.across + s.down) / 2 for s in stated]
    if default or outside or any(not math.isclose(m, means[0], rel_tol=UNEVEN) for m in means):
        return None, ("resolution-doubtful",)
    # Where two places agree, the first wins: it is the format's own field, and EXIF is often rounded.
    uneven = not math.isclose(stated[0].across, stated[0].down, rel_tol=UNEVEN)
    return means[0], ("resolution-uneven",) if uneven else ()


def from_fields(place: str, x: float | None, y: float | None, unit: int) -> tuple[StatedResolution, ...]:
    """A resolution from TIFF or EXIF fields (ResolutionUnit 1 none, 2 inch, 3 centimetre; TIFF 6.0, section 8).

    Empty when there is no unit, or no number that can be one; a lone number holds for both directions.
    """
    scale = {UNIT_INCH: 1.0, UNIT_CENTIMETRE: CENTIMETRES_AN_INCH}.get(unit)
    found = [v for v in (x, y) if v is not None and math.isfinite(v) and v > 0]
    if scale is None or not found:
        return ()
    return (StatedResolution(place=place, across=found[0] * scale, down=found[-1] * scale),)


def from_exif(block: bytes) -> tuple[int, tuple[StatedResolution, ...]]:
    """Orientation (1 when absent) and resolution of an EXIF block without its `Exif` prefix.

    A block that cannot be read says nothing: the pixels do not depend on it.
    """
    exif = Image.Exif()
    try:
        exif.load(b"Exif\0\0" + block)
        orientation = exif.get(ORIENTATION_TAG, 1)
        x, y = (_number(exif.get(tag)) for tag in (X_TAG, Y_TAG))
        unit = exif.get(UNIT_TAG, UNIT_INCH)
    except Exception:  # the library raises what it likes on a damaged block
        return 1, ()
    return valid_orientation(orientation), from_fields("EXIF", x, y, unit if isinstance(unit, int) else UNIT_NONE)


def valid_orientation(value: object) -> int:
    """An orientation as stored; 1 (as it is) for a value that means nothing."""
    return value if isinstance(value, int) and 1 <= value <= 8 else 1


def _number(value: object) -> float | None:
    try:
        return float(value)  # type: ignore[arg-type]  # rationals, integers and floats all convert
    except (TypeError, ValueError, ZeroDivisionError):
        return None
