"""What is odd about a table of specimens without being a fault."""

from __future__ import annotations

import difflib
from collections.abc import Callable, Mapping, Sequence

from pipeline.records import Specimen
from pipeline.settings.whole import Settings
from pipeline.tables.faults import Faults, named_rows
from pipeline.tables.spellings import folded

_ALIKE = 0.8
"""Likeness of two names (0 to 1) from which the one may be a slip of the other."""
_OF_A_FISH: dict[str, Callable[[Specimen], str]] = {
    "species": lambda s: folded(s.species),
    "water": lambda s: folded(s.water),
    "captured": lambda s: str(s.captured or ""),
    "length_mm": lambda s: "" if s.length_mm is None else f"{s.length_mm:g}",
    "weight_g": lambda s: "" if s.weight_g is None else f"{s.weight_g:g}",
    "sex": lambda s: s.sex,
    "maturity": lambda s: s.maturity,
}
"""What all bones of one fish share."""


def remark_on_species(rows: Sequence[tuple[int, Specimen]], settings: Settings, faults: Faults) -> None:
    """Say which species are nearly, but not quite, those of the settings. `rows` are (row, specimen)."""
    known = [*settings.species, *settings.other_names]
    unknown: dict[str, list[int]] = {}
    spelled: dict[str, str] = {}
    for row, specimen in rows:
        name = folded(specimen.species)
        if name and name not in map(folded, known):
            spelled.setdefault(name, specimen.species)
            unknown.setdefault(name, []).append(row)
    for name, numbers in unknown.items():
        near = difflib.get_close_matches(name, known, n=1, cutoff=_ALIKE)
        if near:
            faults.remark(
                f"the species {spelled[name]} in {named_rows(numbers)} has no settings; did you mean {near[0]}? "
                "Correct the table, or the general settings apply"
            )


def remark_on_fish(rows: Sequence[tuple[int, Specimen]], faults: Faults) -> None:
    """Say which bones of one fish tell different things of it. `rows` are (row, specimen)."""
    first: dict[str, tuple[int, Specimen]] = {}
    for row, specimen in rows:
        other_row, other = first.setdefault(specimen.fish, (row, specimen))
        for column, value in _OF_A_FISH.items():
            if value(specimen) and value(other) and value(specimen) != value(other):
                faults.remark(
                    f"the bones of fish {specimen.fish} in rows {other_row} and {row} have different {column} "
                    f"({value(other)}, {value(specimen)}); check that they are of one fish"
                )


def remark_on_spellings(column: str, rows: Sequence[tuple[int, str]], first: Mapping[str, str], faults: Faults) -> None:
    """Say which names stand in several spellings. `rows` are (row, name as written), `first` gives each name's first
    spelling."""
    others: dict[str, dict[str, list[int]]] = {}
    for row, name in rows:
        if name != first[name]:
            others.setdefault(first[name], {}).setdefault(name, []).append(row)
    for name, written in others.items():
        also = ", ".join(f"{other} in {named_rows(numbers)}" for other, numbers in written.items())
        faults.remark(f"the {column} {name} is also written {also}; taken as one")
