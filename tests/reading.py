"""Drawn bones put through the reader and the second pass without files: what tests of the science share."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from drawing import Drawn, draw_bone
from numpy.typing import NDArray
from whole_run import age_bones

from pipeline.bone.read_bone import read_bones
from pipeline.records import Age, BoneReading, Scan, Specimen
from pipeline.settings.files import read_settings

SETTINGS = read_settings()
DPI = 300.0  # a bone of 15 mm has 177 pixels: enough to see its marks, and quick to read
FIRST_YEAR_MM = 7.5  # radius of the first annulus of a percid that was 130 mm long after its first year
YOUNG_MM = 6.0  # radius of a bone before its first winter
DECLINE = 0.85  # of each increment against the one before, as `draw_bone` has it
LAST = 0.5  # of an increment: what has grown beyond the last annulus


def natural_radius_mm(annuli: int) -> float:
    """Radius of a bone of so many annuli whose first lies at `FIRST_YEAR_MM`."""
    grown = sum(DECLINE**k for k in range(annuli)) + LAST * DECLINE**annuli
    return FIRST_YEAR_MM * grown if annuli else YOUNG_MM


def natural_bone(annuli: int, outline: str = "fan", *, dpi: float = DPI, **more: Any) -> Drawn:
    """A drawn bone of the size that a fish of its age has."""
    return draw_bone(annuli, outline, dpi=dpi, radius_mm=natural_radius_mm(annuli), **more)


def scan_of(picture: NDArray[Any], dpi: float | None = DPI) -> Scan:
    """A picture as if it had been read from a file."""
    return Scan(scan="drawn.png", pixels=picture, white=np.iinfo(picture.dtype).max, dpi=dpi, sha256="")


def readings(picture: NDArray[Any], dpi: float | None = DPI) -> tuple[BoneReading, ...]:
    """What the bones of a picture show, in reading order."""
    return tuple(reading for _, reading in read_bones(scan_of(picture, dpi), (), SETTINGS))


def ages(*bones: BoneReading) -> tuple[Age, ...]:
    """The ages of bones of which no table tells anything."""
    rows = [Specimen(specimen=str(k), scan=b.scan, bone=k) for k, b in enumerate(bones, start=1)]
    return age_bones(list(zip(rows, bones, strict=True)), SETTINGS)


@dataclass(frozen=True)
class Read:
    """One bone: as drawn or photographed, as read, as aged."""

    reading: BoneReading
    age: Age

    @property
    def marks(self) -> NDArray[np.float64]:
        """(annulus, 2) x, y of the marks counted, the innermost first."""
        return np.array([(m.x, m.y) for m in self.age.marks if m.counted]).reshape(-1, 2)


def read_one(picture: NDArray[Any], dpi: float | None = DPI) -> Read:
    """The only bone of a picture."""
    (reading,) = readings(picture, dpi)
    (age,) = ages(reading)
    return Read(reading, age)


@lru_cache(maxsize=64)
def read_natural(annuli: int, outline: str = "fan", lighting: str = "reflected") -> tuple[Drawn, Read]:
    """A natural bone and what is read of it; each is drawn and read once, for whatever tests ask for it."""
    drawn = natural_bone(annuli, outline, lighting=lighting, angle_deg=20.0 + 37.0 * annuli)
    return drawn, read_one(drawn.picture)


def along_axis(drawn: Drawn, points: NDArray[np.float64]) -> NDArray[np.float64]:
    """Pixels from the true focus along the true growth axis, of points x, y."""
    axis = np.subtract(drawn.tip, drawn.focus)
    return np.asarray((points - drawn.focus) @ axis / np.hypot(*axis))


def radius_px(drawn: Drawn) -> float:
    """Length of the true growth axis, pixels."""
    return float(np.hypot(*np.subtract(drawn.tip, drawn.focus)))
