"""The frozen records that flow through the house.

Axis order and units: images are arrays (row, column); points are (x, y) in scan pixels, after EXIF
orientation, x right, y down, the centre of the top-left pixel is (0, 0). Strips are arrays (ray, radius). Angles are
degrees from the growth axis, positive from x towards y. `fraction` is the share of the axis from focus (0) to margin
(1). Numpy arrays inside records are read-only.
"""

from __future__ import annotations

from array import array
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

MM_PER_INCH = 25.4
"""Millimetres an inch; resolutions are pixels an inch."""
MACHINE = "machine"
"""The name of this program among the readers."""

Float = NDArray[np.float32]
Numbers = NDArray[np.float64]
Mask = NDArray[np.bool_]
Point = tuple[float, float]


def frozen(array: NDArray[np.generic]) -> None:
    """Make an array read-only, so that a record that holds it cannot be changed from afar."""
    array.flags.writeable = False


# ------------------------------------------------------------------------------------------------ scans
@dataclass(frozen=True, slots=True, kw_only=True)
class ScanRef:
    """One scan file as found on the disk."""

    scan: str
    """Path below the scans folder, with `/`: the scan's name in every table."""
    path: Path
    size: int
    """Bytes."""
    mtime_ns: int
    ctime_ns: int = 0
    """When the file's facts were last changed, which no program can set back; 0: not known."""
    inode: int = 0
    """Number of the file on its disk: another one is another file, whatever it is called; 0: not known."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Scan:
    """One decoded scan, grey."""

    scan: str
    pixels: NDArray[np.uint8] | NDArray[np.uint16]
    """(row, column), the mean of the channels, after orientation; uint8 or uint16 as the file has it."""
    white: int
    """The value of full brightness: 255 or 65535 (or less for 12-in-16 bit, when the file says so)."""
    dpi: float | None
    """Pixels an inch; None when the file does not tell, or tells the incredible."""
    sha256: str
    """Of the file's bytes."""
    notices: tuple[str, ...] = ()


# ------------------------------------------------------------------------------------------------ bones
@dataclass(frozen=True, slots=True, kw_only=True)
class Bone:
    """One bone cut out of a scan. All arrays have one shape (row, column) and share `origin`."""

    number: int
    """1-based position on the scan in reading order: rows top to bottom, left to right in a row."""
    origin: tuple[float, float]
    """Scan pixel (x, y) of the arrays' top-left pixel; whole numbers unless the bone was reduced."""
    grey: Float
    """Brightness 0 (black) to 1 (white)."""
    backing: Float
    """Brightness the backing would have under the bone."""
    mask: Mask
    """True on the bone."""
    outline: Float
    """(n, 2) points x, y of the closed outline, scan pixels."""
    dark_backing: bool
    """The backing is darker than the bone: reflected light on black. Otherwise white backing or light table."""
    lighting_probability: float
    """Probability that `dark_backing` is right."""
    likeness: float
    """0 to 1: how much the shape and the texture are those of an opercle."""
    cut_off: bool
    """The bone reaches over the scan's edge."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Axis:
    """Where growth started, and the line along which marks are counted."""

    focus: Point
    tip: Point
    """The far margin on the growth axis."""
    certainty: float
    """Probability that the focus is within a twentieth of the radius of the true one."""
    by_hand: bool = False

    @property
    def radius_px(self) -> float:
        """Length of the axis in pixels."""
        return float(np.hypot(self.tip[0] - self.focus[0], self.tip[1] - self.focus[1]))


@dataclass(frozen=True, slots=True, kw_only=True)
class Strip:
    """The bone unwrapped about its focus and flattened, so that marks run straight down the rays."""

    value: Float
    """(ray, radius): opacity loss, larger where translucent, the same scale for every lighting."""
    trust: Float
    """(ray, radius): 0 where there is no bone or nothing to see, 1 where the pixel can be believed."""
    source_x: Float
    """(ray, radius): scan pixel x that each sample was taken from."""
    source_y: Float
    angle: Float
    """(ray,): degrees from the growth axis."""
    samples_per_px: float
    """Radial samples a scan pixel on the growth axis."""
    margin: float
    """Radial sample at which the margin lies."""
    base: float
    """Mean value near the focus less that of the blade: how much the thick base hides."""
    rim: Float
    """(step,): opacity loss at `bone.rim.STEPS_PX` inside the margin, each ray from its own; the median over rays."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RadialProfile:
    """The strip averaged over its rays, smoothed along the radius."""

    value: Float
    """(radius,): opacity loss."""
    standard_error: Float
    """(radius,): from the spread between blocks of rays."""
    coverage: Float
    """(radius,): share of the rays' trust present."""
    blocks: Float
    """(block, radius): means of neighbouring rays, freed of their own slow trend."""
    block_trust: Float
    """(block, radius)."""
    block_angle: Float
    """(block,): degrees."""
    margin: float
    """Radial sample at which the margin effectively lies (where coverage is lost)."""
    samples_per_px: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """A candidate annulus of one bone, with raw evidence."""

    x: float
    y: float
    """Crossing with the growth axis, scan pixels: the outer edge of the translucent zone."""
    radius_px: float
    """Distance from the focus along the growth axis."""
    fraction: float
    evidence: array[float]
    """Numbers as named by `bone.evidence.EVIDENCE`; in a third of a tuple's memory, for a run holds them all."""
    arc: tuple[Point, ...]
    """The mark traced across the bone, scan pixels, in order of angle; for drawing."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BoneReading:
    """All that one bone shows: the end of the first pass. Holds no pixels."""

    scan: str
    number: int
    outline: tuple[Point, ...]
    """At most a few hundred points, scan pixels."""
    lighting: str
    """`reflected` or `transmitted`."""
    dpi: float | None
    axis: Axis | None
    """None when nothing could be measured."""
    marks: tuple[Mark, ...] = ()
    """By radius, the smallest first."""
    traits: dict[str, float] = field(default_factory=dict)
    """Numbers about the bone as a whole, as named by `bone.marks.TRAITS`."""
    reasons: tuple[str, ...] = ()
    """Codes found in the pixels alone: damaged, cut-off, blurred, lighting-unsure, focus-unsure, no-bone."""
    notices: tuple[str, ...] = ()
    damage: Point | None = None
    """Where the worst of the damage lies, scan pixels, when it is `damaged`."""
    crop: tuple[float, float, float] | None = None
    """Of the bone's picture in crops/: x, y of its first pixel, and its pixels a scan pixel (`scale`). Scan pixel x
    lies at picture pixel (x - first + 0.5) * scale - 0.5."""


# ------------------------------------------------------------------------------------------------ tables
@dataclass(frozen=True, slots=True, kw_only=True)
class Captured:
    """A capture date as far as it is known."""

    year: int
    month: int | None = None
    day: int | None = None

    def as_date(self) -> date | None:
        """The full date, or None when the day is not known."""
        return None if self.month is None or self.day is None else date(self.year, self.month, self.day)

    def __str__(self) -> str:
        parts = [f"{self.year:04d}"] + [f"{p:02d}" for p in (self.month, self.day) if p is not None]
        return "-".join(parts)


@dataclass(frozen=True, slots=True, kw_only=True)
class Hint:
    """What people say of how a bone lies and was scanned, used instead of what the machine finds. Blank or None:
    nothing."""

    scan: str
    """Name of a scan found (`ScanRef.scan`)."""
    bone: int = 1
    lighting: str = ""
    """`reflected`, `transmitted` or blank."""
    dpi: float | None = None
    focus: Point | None = None
    """Scan pixels; always given together with `tip`."""
    tip: Point | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Specimen(Hint):
    """One row of the specimens table, or the stand-in for a bone that no row names."""

    specimen: str
    fish: str = ""
    """Never blank after reading: the specimen when the table has none."""
    species: str = ""
    water: str = ""
    captured: Captured | None = None
    length_mm: float | None = None
    weight_g: float | None = None
    sex: str = ""
    """`F`, `M`, `U` or blank."""
    maturity: str = ""
    """`immature`, `mature`, `unknown` or blank."""
    side: str = ""
    """`L`, `R` or blank."""
    written: tuple[tuple[str, str], ...] = ()
    """Every cell of the row as written: (column, text), for the columns beyond the fixed ones and for `length_mm`."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """One reader's answer for one specimen."""

    specimen: str
    reader: str
    annuli: int | None
    """None: could not be aged."""
    age_class: int | None = None
    edge: str = ""
    readability: str = ""
    seconds: float | None = None
    read_on: str = ""
    settles: bool = False
    """This answer decides the bone, whatever others say: a joint decision, or that of whoever is in charge."""
    note: str = ""


# ------------------------------------------------------------------------------------------------ results
@dataclass(frozen=True, slots=True, kw_only=True)
class AgedMark:
    """A mark after the second pass: one row of annuli.csv."""

    x: float
    y: float
    radius_px: float
    fraction: float
    probability: float
    """That it is an annulus."""
    counted: bool
    inferred: bool
    """Counted, but nothing shows it: it stands at its expected place."""
    number: int | None
    """1.. among the counted, from the focus outward."""
    arc: tuple[Point, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Age:
    """What the second pass says of one bone."""

    specimen: str
    status: str
    """`aged` or `unreadable`."""
    annuli: int | None = None
    annuli_low: int | None = None
    annuli_high: int | None = None
    confidence: float | None = None
    edge: str = ""
    """`translucent`, `narrow`, `medium`, `wide` or blank."""
    age_class: int | None = None
    age_class_probability: float | None = None
    """That `age_class` is right; None without one."""
    year_class: int | None = None
    first_year: str = ""
    """`clear`, `ambiguous` or blank."""
    reasons: tuple[str, ...] = ()
    notices: tuple[str, ...] = ()
    count_probabilities: tuple[tuple[int, float], ...] = ()
    age_probabilities: tuple[tuple[int, float], ...] = ()
    age_by_count: tuple[tuple[int, int], ...] = ()
    """(annuli, the most probable age class if that count is right); empty without a date."""
    marks: tuple[AgedMark, ...] = ()
    hidden_first_px: float | None = None
    """Radius at which a hidden first annulus would lie, when the first year is ambiguous."""

    @property
    def review(self) -> bool:
        """A person must look."""
        return bool(self.reasons)


@dataclass(frozen=True, slots=True, kw_only=True)
class FinalAge:
    """The age of one bone that counts: people's where they give one, else the machine's."""

    annuli: int | None = None
    age_class: int | None = None
    counted_by: str = ""
    """Names of the readers who gave this count, joined by `;`, or `machine`; blank where there is no answer."""
    settled: bool = False
    """A reading that settles decided it."""
    differ: bool = False
    """Readers give several counts and none of them prevails."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Refusal:
    """A scan that could not be used."""

    scan: str
    stage: str
    """Where it ended: `folder` (before it was opened), `file`, `bones`, `process`."""
    code: str
    detail: str
    """What was found, without times, process numbers or absolute paths."""
