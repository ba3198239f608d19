"""What is known of every drawn bone: the rows of the truth tables and of the specimens table."""

from __future__ import annotations

from dataclasses import dataclass, field, fields

import numpy as np
from scipy.ndimage import map_coordinates

from pipeline.records import Point
from pipeline.simulate.marks import AXIS, PER_DEGREE, Line
from pipeline.simulate.noise import Array
from pipeline.simulate.outline import DIRECTIONS
from pipeline.simulate.picture import BonePicture

ARC_DEG = np.arange(-40, 41, 4)  # directions, degrees from the growth axis, at which arcs are written down
SECTORS_DEG = np.arange(-27, 28, 6.0)  # directions in which the contrast of a mark is measured
SECTOR_HALF_DEG = 2.0
CONTRAST_FLOOR = 0.006  # share of full brightness: less is noise
CONTRAST_SCALE = (
    0.045  # contrast above the floor that makes a mark two thirds visible; 0.013 makes it a quarter visible
)
OBSCURED_BELOW = 0.25  # visibility of the first annulus

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
class ScanFacts:
    """What holds for all bones of one scan."""

    scan: str
    level: str
    lighting: str
    dpi: int
    dpi_tag: str
    """`right`, `missing` or `absurd`: what the file tells of its resolution."""


def describe(
    tables: Tables, facts: ScanFacts, specimen: Row, picture: BonePicture, corner: tuple[int, int], grey: Array
) -> None:
    """Add all rows of one bone.

    `specimen` holds its columns of the specimens table; `grey` is the finished scan, 0 to 1.
    """
    name = str(specimen["specimen"])
    tables.specimens.append(specimen)
    focus = (picture.place.focus[0] + corner[0], picture.place.focus[1] + corner[1])
    tip = _at(picture, corner, 0.0, picture.axis_px)
    seen: dict[int, float] = {}
    lines = sorted(
        (m for m in picture.marks.lines if m.kind in ("annulus", "check")), key=lambda m: float(m.outer[AXIS])
    )
    for line in lines:
        radius = float(line.outer[AXIS])
        x, y = _at(picture, corner, 0.0, radius)
        visible = visibility(grey, picture, corner, line, bright=facts.lighting != "dark")
        if line.kind == "annulus":
            seen[line.number] = visible
        tables.truth_annuli.append(
            {
                "specimen": name,
                "number": line.number,
                "x": round(x, 2),
                "y": round(y, 2),
                "radius_px": round(radius, 2),
                "fraction": round(radius / picture.axis_px, 5),
                "visibility": round(visible, 3),
                "kind": line.kind,
            }
        )
        for degrees in ARC_DEG:  # image orientation: a mirrored bone turns the other way
            row = AXIS + round(float(-degrees if picture.place.mirrored else degrees) * PER_DEGREE)
            tables.truth_arcs.append(
                {
                    "specimen": name,
                    "number": line.number,
                    "kind": line.kind,
                    "deg": float(degrees),
                    "radius_px": round(float(line.outer[row]), 2),
                }
            )
    fish = picture.fish
    tables.truth.append(
        {
            "specimen": name,
            "annuli": fish.annuli,
            "age_class": fish.age_class,
            "first_year_obscured": bool(fish.annuli and seen[1] < OBSCURED_BELOW),
            "false_checks": sum(m.kind == "check" for m in lines),
            "split_annuli": picture.marks.splits,
            "damaged": picture.damaged,
            "level": facts.level,
            "focus_x": round(focus[0], 2),
            "focus_y": round(focus[1], 2),
            "axis_x": round(tip[0], 2),
            "axis_y": round(tip[1], 2),
            "dpi": facts.dpi,
            "lighting": facts.lighting,
            "dpi_tag": facts.dpi_tag,
            "outline": picture.outline.family,
        }
    )


def visibility(grey: Array, picture: BonePicture, corner: tuple[int, int], line: Line, bright: bool) -> float:
    """0 to 1: contrast of a mark in the finished scan, in the clearer half of the sectors around the growth axis.

    `bright`: translucent zones are brighter than opaque ones.
    """
    contrasts = []
    inner = np.maximum.reduce([y for y in picture.marks.years if y[AXIS] < line.outer[AXIS] - 1e-3])
    for middle in SECTORS_DEG:
        rows = (
            AXIS + ((middle + np.linspace(-SECTOR_HALF_DEG, SECTOR_HALF_DEG, 9)) * PER_DEGREE).round().astype(int)
        ) % DIRECTIONS
        if line.loss[rows].mean() < 0.02:
            contrasts.append(0.0)
            continue
        outer, width = line.outer[rows], np.maximum(line.width[rows], 1.5)
        reach = outer - inner[rows]
        zone = outer - np.linspace(0.15, 0.6, 4)[:, None] * width
        beyond = outer + np.maximum(line.edge_px, 1.0) * np.array([[0.9], [1.4], [2.0]])
        before = outer - np.minimum(np.linspace(1.3, 1.8, 3)[:, None] * width, 0.8 * reach)
        flanks = np.concatenate([beyond, before])
        difference = _mean(grey, picture, corner, rows, zone) - _mean(grey, picture, corner, rows, flanks)
        contrasts.append(difference if bright else -difference)
    clearer = np.sort(contrasts)[len(contrasts) // 2 :]
    return float(1 - np.exp(-max(float(clearer.mean()) - CONTRAST_FLOOR, 0.0) / CONTRAST_SCALE))


def _mean(grey: Array, picture: BonePicture, corner: tuple[int, int], rows: Array, radius: Array) -> float:
    inside = np.minimum(radius, picture.outline.margin(1.0)[rows] * picture.axis_px - 1.5)
    degrees = np.broadcast_to((rows - AXIS) / PER_DEGREE, radius.shape)
    x, y = picture.place.at(degrees, np.maximum(inside, 0))
    return float(map_coordinates(grey, [y + corner[1], x + corner[0]], order=1, mode="nearest").mean())


def _at(picture: BonePicture, corner: tuple[int, int], degrees: float, radius: float) -> Point:
    x, y = picture.place.at(np.array(degrees), np.array(radius))
    return float(x) + corner[0], float(y) + corner[1]
