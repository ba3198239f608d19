"""A set of drawn bones on the disk: scans, specimens table and truth."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from pipeline.simulate.plan import DrawnScan
from pipeline.simulate.truth import Row, Tables
from pipeline.simulate.write import write_scan
from pipeline.tables.tables import Column, write_table

COLUMNS: dict[str, tuple[Column, ...]] = {
    "specimens": (
        Column("specimen"),
        Column("scan"),
        Column("bone", "count"),
        Column("fish"),
        Column("species"),
        Column("water"),
        Column("captured"),
        Column("length_mm", "count"),
        Column("weight_g", "number"),
        Column("sex"),
        Column("maturity"),
        Column("side"),
    ),
    "truth": (
        Column("specimen"),
        Column("annuli", "count"),
        Column("age_class", "count"),
        Column("first_year_obscured", "flag"),
        Column("false_checks", "count"),
        Column("split_annuli", "count"),
        Column("damaged", "flag"),
        Column("level"),
        Column("focus_x", "px"),
        Column("focus_y", "px"),
        Column("axis_x", "px"),
        Column("axis_y", "px"),
        Column("dpi", "count"),
        Column("lighting"),
        Column("dpi_tag"),
        Column("outline"),
        Column("make"),
    ),
    "truth_annuli": (
        Column("specimen"),
        Column("number", "count"),
        Column("x", "px"),
        Column("y", "px"),
        Column("radius_px", "px"),
        Column("fraction", "number"),
        Column("visibility", "number"),
        Column("kind"),
    ),
    "truth_arcs": (
        Column("specimen"),
        Column("number", "count"),
        Column("kind"),
        Column("deg", "number"),
        Column("radius_px", "px"),
    ),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Drawn:
    """What a call has drawn."""

    scans: int
    bones: int


def write_set(out: Path, scans: Iterable[DrawnScan]) -> Drawn:
    """Write scans and their tables into a folder, one scan at a time."""
    folder = out / "scans"
    folder.mkdir(parents=True, exist_ok=True)
    tables = Tables()
    count = 0
    for scan in scans:
        write_scan(folder, scan)
        tables.extend(scan.tables)
        count += 1
    for name, columns in COLUMNS.items():
        rows: list[Row] = getattr(tables, name)
        write_table(out / f"{name}.csv", columns, ([row[c.name] for c in columns] for row in rows))
    return Drawn(scans=count, bones=len(tables.truth))
