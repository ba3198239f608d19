"""What a scan's header says, before any pixel is decoded."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class StatedResolution:
    """A resolution as one place in the file states it."""

    place: str
    """`pHYs`, `JFIF`, `EXIF` or `TIFF`."""
    across: float
    """Pixels an inch from left to right, as stored."""
    down: float
    """Pixels an inch from top to bottom, as stored."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stored:
    """The picture as a file of any format stores it, before orientation."""

    format: str
    """`TIFF`, `PNG` or `JPEG`."""
    width: int
    height: int
    bits: int
    """Of one sample."""
    colours: int
    """1 for grey and palette, 3 for colour; alpha and other extra samples do not count."""
    significant_bits: int
    """Fewer than `bits` when the header says that the top ones are unused."""
    orientation: int
    """1 to 8, as EXIF and TIFF number them."""
    stated: tuple[StatedResolution, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ScanHeader:
    """What is known of a scan without decoding it."""

    scan: str
    format: str
    """`TIFF`, `PNG`, `JPEG`, or blank when the file is none of them."""
    width: int
    """Pixels as shown, after orientation; 0 when the header cannot be read."""
    height: int
    bits: int
    """Of one sample; 0 when the header cannot be read."""
    colours: int
    """1 grey, 3 colour; 0 when the header cannot be read."""
    orientation: int
    dpi: float | None
    notices: tuple[str, ...]
    refusal: tuple[str, str] | None
    """Code and detail when the header alone refuses the scan. None promises nothing of the pixels."""
