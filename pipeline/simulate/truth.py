"""What is known of every drawn bone: the rows of the truth tables and of the specimens table."""

from __future__ import annotations

from dataclasses import dataclass, field, fields

import numpy as np
from scipy.ndimage import map_coordinates

from pipeline.records import Float, Point
from pipeline.simulate.fish import DrawnFish
from pipeline.simulate.noise import Array
from pipeline.simulate.place import AXIS, DIRECTIONS, PER_DEGREE, Place

ARC_DEG = np.arange(-40, 41, 4)  # directions, degrees from the growth axis, at which arcs are written down
SECTORS_DEG = np.arange(-27, 28, 6.0)  # directions in which the contrast of a mark is measured
SECTOR_HALF_DEG = 2.0
CONTRAST_FLOOR = 0.006  # share of full brightness: less is noise
CONTRAST_SCALE = (
    0.045  # contrast above the floor that makes a mark two thirds visible; 0.013 makes it a quarter visible
)
SAMPLES_A_GRAIN = 3.0  # neighbouring samples share their grain
UPPER_HALF = 0.8  # mean of the upper half of a normal distribution, in standard deviations
OBSCURED_BELOW = 0.25  # visibility of the first annulus
NOT_DRAWN = 0.02  # mean strength of a line, below which it is not there in a sector

Row = dict[str, str | int | float | bool]


@dataclass(frozen=True, slots=True)
class Tables:
    """Rows by table; the names are those of the files."""

    specimens: list[Row] = field(default_factory=list)
    truth: list[Row] = field(default_factory=list)
    truth_annuli: list[Row] = field(default_factory=list)
    truth_arcs: list[Row] = field(default_factory=list)

    def extend(self, other: Tables) -> None:
        """Add the rows of another set below."""
        for table in fields(self):
            getattr(self, table.name).extend(getattr(other, table.name))


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownLine:
    """An annulus or a check as it was drawn. Curves (DIRECTIONS,) run about the focus, see `place`."""

    kind: str
    """`annulus` or `check`."""
    number: int
    """Of the annulus; of the year of life for a check."""
    outer: Float
    """(DIRECTIONS,) px: where opaque growth resumes, the outer edge of the winter zone."""
    width: Float
    """(DIRECTIONS,) px, of the winter zone."""
    strength: Float
    """(DIRECTIONS,) 0 where the line does not run, 1 where it is plainest."""
    edge_px: float
    """Width over which opaque growth resumes; its middle is `outer`."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DrawnBone:
    """All that is known of one bone on a finished scan, whatever make drew it."""

    fish: DrawnFish
    outline: str
    """Family of its outline."""
    place: Place
    """On the scan."""
    axis_px: float
    margin: Float
    """(DIRECTIONS,) px: distance of the margin from the focus."""
    lines: tuple[KnownLine, ...]
    splits: int
    """Annuli drawn as two lines that run together."""
    damaged: bool
    bright_winters: bool | None
    """Translucent zones are brighter than opaque ones in the finished scan; None where a slanting lamp makes them
    brighter on one side of the fan and darker on the other."""
    grainy: bool = False
    """Grain as strong as marks, toner for instance, covers the finished scan: chance contrast counts for nothing."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ScanFacts:
    """What holds for all bones of one scan."""

    scan: str
    level: str
    lighting: str
    dpi: int
    dpi_tag: str
    """`right`, `missing` or `absurd`: what the file tells of its resolution."""
    make: str
    """Which of the makes of drawings it is."""


def describe(tables: Tables, facts: ScanFacts, specimen: Row, bone: DrawnBone, grey: Array) -> None:
    """Add all rows of one bone.

    `specimen` holds its columns of the specimens table; `grey` is the finished scan, 0 to 1.
    """
    name = str(specimen["specimen"])
    tables.specimens.append(specimen)
    focus = bone.place.focus
    tip = _at(bone, 0.0, bone.axis_px)
    seen: dict[int, float] = {}
    lines = sorted(bone.lines, key=lambda m: float(m.outer[AXIS]))
    for line in lines:
        radius = float(line.outer[AXIS])
        x, y = _at(bone, 0.0, radius)
        visible = visibility(grey, bone, line)
        if line.kind == "annulus":
            seen[line.number] = visible
        tables.truth_annuli.append(
            {
                "specimen": name,
                "number": line.number,
                "x": round(x, 2),
                "y": round(y, 2),
                "radius_px": round(radius, 2),
                "fraction": round(radius / bone.axis_px, 5),
                "visibility": round(visible, 3),
                "kind": line.kind,
            }
        )
        for degrees in ARC_DEG:  # image orientation: a mirrored bone turns the other way
            row = AXIS + round(float(-degrees if bone.place.mirrored else degrees) * PER_DEGREE)
            tables.truth_arcs.append(
                {
                    "specimen": name,
                    "number": line.number,
                    "kind": line.kind,
                    "deg": float(degrees),
                    "radius_px": round(float(line.outer[row]), 2),
                }
            )
    fish = bone.fish
    tables.truth.append(
        {
            "specimen": name,
            "annuli": fish.annuli,
            "age_class": fish.age_class,
            "first_year_obscured": bool(fish.annuli and seen[1] < OBSCURED_BELOW),
            "false_checks": sum(m.kind == "check" for m in lines),
            "split_annuli": bone.splits,
            "damaged": bone.damaged,
            "level": facts.level,
            "focus_x": round(focus[0], 2),
            "focus_y": round(focus[1], 2),
            "axis_x": round(tip[0], 2),
            "axis_y": round(tip[1], 2),
            "dpi": facts.dpi,
            "lighting": facts.lighting,
            "dpi_tag": facts.dpi_tag,
            "outline": bone.outline,
            "make": facts.make,
        }
    )


def visibility(grey: Array, bone: DrawnBone, line: KnownLine) -> float:
    """0 to 1: contrast of a mark in the finished scan, in the clearer half of the sectors around the growth axis."""
    contrasts = []
    before = [m.outer for m in bone.lines if m.kind == "annulus" and m.outer[AXIS] < line.outer[AXIS] - 1e-3]
    inner = np.maximum.reduce([np.zeros(DIRECTIONS, np.float32), *before])
    for middle in SECTORS_DEG:
        rows = (
            AXIS + ((middle + np.linspace(-SECTOR_HALF_DEG, SECTOR_HALF_DEG, 9)) * PER_DEGREE).round().astype(int)
        ) % DIRECTIONS
        if line.strength[rows].mean() < NOT_DRAWN:
            contrasts.append(0.0)
            continue
        outer, width = line.outer[rows], np.maximum(line.width[rows], 1.5)
        reach = outer - inner[rows]
        zone = outer - np.linspace(0.15, 0.6, 4)[:, None] * width
        beyond = outer + np.maximum(line.edge_px, 1.0) * np.array([[0.9], [1.4], [2.0]])
        within = outer - np.minimum(np.linspace(1.3, 1.8, 3)[:, None] * width, 0.8 * reach)
        flanks = np.concatenate([beyond, within])
        difference = _mean(grey, bone, rows, zone) - _mean(grey, bone, rows, flanks)
        by_chance = _chance(grey, bone, rows, zone, flanks) if bone.grainy else 0.0
        contrasts.append(_signed(difference, bone.bright_winters) - by_chance)
    clearer = np.sort(contrasts)[len(contrasts) // 2 :]
    return float(1 - np.exp(-max(float(clearer.mean()) - CONTRAST_FLOOR, 0.0) / CONTRAST_SCALE))


def _signed(difference: float, bright: bool | None) -> float:
    return abs(difference) if bright is None else difference if bright else -difference


def _mean(grey: Array, bone: DrawnBone, rows: Array, radius: Array) -> float:
    return float(_samples(grey, bone, rows, radius).mean())


def _chance(grey: Array, bone: DrawnBone, rows: Array, zone: Array, flanks: Array) -> float:
    """Contrast that grain alone has, on average, in the clearer half of the sectors."""
    squares = [_samples(grey, bone, rows, radius).var() / (radius.size / SAMPLES_A_GRAIN) for radius in (zone, flanks)]
    return UPPER_HALF * float(np.sqrt(sum(squares)))


def _samples(grey: Array, bone: DrawnBone, rows: Array, radius: Array) -> Array:
    inside = np.minimum(radius, bone.margin[rows] - 1.5)
    degrees = np.broadcast_to((rows - AXIS) / PER_DEGREE, radius.shape)
    x, y = bone.place.at(degrees, np.maximum(inside, 0))
    return np.asarray(map_coordinates(grey, [y, x], order=1, mode="nearest"))


def _at(bone: DrawnBone, degrees: float, radius: float) -> Point:
    x, y = bone.place.at(np.array(degrees), np.array(radius))
    return float(x), float(y)
