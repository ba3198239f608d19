"""Tables of ages that people give, one row a fish, and tables of fish that were only measured. Checked row by row."""

from __future__ import annotations

import statistics
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from pipeline.fish_records import Fish
from pipeline.records import Captured
from pipeline.settings.whole import Settings
from pipeline.tables.cells import RowCells
from pipeline.tables.dates import dates
from pipeline.tables.faults import Faults
from pipeline.tables.given_table import GivenRow, read_given_table, table_path
from pipeline.tables.specimens import CONDITION, LEAST_MEDIAN_MM, MATURITY_WORDS, SEX_WORDS, WEIGHT_G
from pipeline.tables.spellings import names_of_species

REQUIRED = ("fish", "species", "water", "age_class", "length_mm")
OPTIONAL = ("sex", "maturity", "captured", "weight_g", "length_type", "counted_by", "review")
LENGTH_TYPES = {kind: kind for kind in ("total", "fork", "standard")}
LENGTHS_REQUIRED = ("species", "water", "length_mm")
LENGTH_MM = (10.0, 2000.0)
MOST_AGE = 100
TOTAL = "total"


@dataclass(frozen=True, slots=True, kw_only=True)
class FishTable:
    """A table of ages, checked."""

    fish: tuple[Fish, ...]
    other_lengths: int
    """Fish whose length is not a total length: it is left out."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasuredFish:
    """One row of a table of lengths."""

    row: int
    species: str
    water: str
    length_mm: float
    cells: tuple[str, ...]
    """As written, in the order of the columns."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LengthsTable:
    """Fish that were only measured."""

    columns: tuple[str, ...]
    rows: tuple[MeasuredFish, ...]


def read_fish(path: Path, settings: Settings) -> FishTable:
    """Read a table of ages; `settings` know other names of species.

    Raises TableError with every fault, each as `file, row N: what was found; cure`."""
    faults = Faults(table_path(path)[0].name)
    table = read_given_table(path, REQUIRED, OPTIONAL, faults)
    captured = dates("captured", table.rows, faults)
    name = names_of_species(settings)
    rows = [RowCells(row, faults, semicolons=table.semicolons) for row in table.rows]
    if not rows and not faults.found:
        faults.add(None, "no row below the header", "give one row a fish")
    found = [_fish(row, captured.get(row.row_number), name, path.name) for row in rows]
    _check_units([f.length_mm for f, _ in found], faults)
    first: dict[str, int] = {}
    for row, (fish, _) in zip(rows, found, strict=True):
        earlier = first.setdefault(fish.fish, row.row_number)
        if fish.fish and earlier != row.row_number:
            row.fault(f"the fish {fish.fish} is also in row {earlier}", "give each fish one row")
        if fish.length_mm and fish.weight_g:
            factor = 1e5 * fish.weight_g / fish.length_mm**3
            if not CONDITION[0] <= factor <= CONDITION[1]:
                row.fault(
                    f"the weight_g {row.text('weight_g')} of a fish of {fish.length_mm:g} mm",
                    "give grams and millimetres; this looks like another unit, or another fish",
                )
    faults.check()
    return FishTable(fish=tuple(f for f, _ in found), other_lengths=sum(other for _, other in found))


def read_lengths(path: Path, settings: Settings) -> LengthsTable:
    """Read a table of lengths, all columns kept. Raises TableError as `read_fish` does."""
    faults = Faults(table_path(path)[0].name)
    table = read_given_table(path, LENGTHS_REQUIRED, ("length_type",), faults)
    name = names_of_species(settings)
    rows = [
        _measured(RowCells(row, faults, semicolons=table.semicolons), row, name, table.columns) for row in table.rows
    ]
    if not rows and not faults.found:
        faults.add(None, "no row below the header", "give one row a fish")
    _check_units([r.length_mm for r in rows], faults)
    faults.check()
    return LengthsTable(columns=table.columns, rows=tuple(rows))


def _fish(row: RowCells, captured: Captured | None, name: Callable[[str], str], source: str) -> tuple[Fish, bool]:
    """The fish, and whether its length is another than the total one."""
    length = row.number("length_mm", *LENGTH_MM, "mm")
    kind = row.word("length_type", LENGTH_TYPES) or TOTAL
    fish = Fish(
        fish=row.identity("fish"),
        species=name(row.needed("species")).casefold(),
        water=row.needed("water"),
        age_class=row.whole("age_class", 0, MOST_AGE, ", or leave it blank"),
        length_mm=length if kind == TOTAL else None,
        weight_g=row.number("weight_g", *WEIGHT_G, "g") if kind == TOTAL else None,
        sex=row.word("sex", SEX_WORDS),
        maturity=row.word("maturity", MATURITY_WORDS),
        captured=captured,
        counted_by=row.text("counted_by"),
        review=row.flag("review"),
        source=source,
    )
    return fish, length is not None and kind != TOTAL


def _measured(row: RowCells, given: GivenRow, name: Callable[[str], str], columns: Sequence[str]) -> MeasuredFish:
    row.needed("length_mm")
    kind = row.word("length_type", LENGTH_TYPES) or TOTAL
    if kind != TOTAL:
        row.fault(f"the length_type {kind}", "an age-length key needs total lengths: convert it, or leave the row out")
    return MeasuredFish(
        row=row.row_number,
        species=name(row.needed("species")).casefold(),
        water=row.needed("water"),
        length_mm=row.number("length_mm", *LENGTH_MM, "mm") or 0.0,
        cells=tuple(given.cells.get(name, "") for name in columns),
    )


def _check_units(lengths: Sequence[float | None], faults: Faults) -> None:
    known = [x for x in lengths if x]
    if known and statistics.median(known) < LEAST_MEDIAN_MM:
        faults.add(
            None,
            f"half of the fish in length_mm are no longer than {statistics.median(known):g} mm",
            "this looks like inches or centimetres; give millimetres",
        )
