"""Names of species as people write them, and what is odd about a table of specimens without being a fault."""

from __future__ import annotations

import difflib
from collections.abc import Callable, Sequence
from dataclasses import replace

from pipeline.records import Specimen
from pipeline.settings.whole import Settings
from pipeline.tables.faults import Faults, named_rows

_ALIKE = 0.8
"""Likeness of two names (0 to 1) from which the one may be a slip of the other."""
_OF_A_FISH: dict[str, Callable[[Specimen], str]] = {
    "species": lambda s: s.species.casefold(),
    "water": lambda s: s.water.casefold(),
    "captured": lambda s: str(s.captured or ""),
    "length_mm": lambda s: "" if s.length_mm is None else f"{s.length_mm:g}",
    "weight_g": lambda s: "" if s.weight_g is None else f"{s.weight_g:g}",
    "sex": lambda s: s.sex,
    "maturity": lambda s: s.maturity,
}
"""What all bones of one fish share."""


def named_species(rows: Sequence[Specimen], settings: Settings) -> list[Specimen]:
    """The rows with species under the names that the settings give for their other names."""
    name = names_of_species(settings)
    return [replace(s, species=name(s.species)) for s in rows]


def names_of_species(settings: Settings) -> Callable[[str], str]:
    """What gives a species the name that the settings have for it; a name they do not know stays."""
    others = {folded(name): species for name, species in settings.other_names.items()}
    return lambda species: others.get(folded(species), species)


def folded(name: str) -> str:
    """A name without what people vary: case, and blanks, hyphens or underscores between words."""
    return " ".join(name.replace("-", " ").replace("_", " ").split()).casefold()


def remark_on_species(rows: Sequence[tuple[int, Specimen]], settings: Settings, faults: Faults) -> None:
    """Say which species are nearly, but not quite, those of the settings. `rows` are (row, specimen)."""
    known = [*settings.species, *settings.other_names]
    unknown: dict[str, list[int]] = {}
    for row, specimen in rows:
        name = specimen.species.strip()
        if name and not settings.knows(name) and folded(name) not in map(folded, settings.other_names):
            unknown.setdefault(name, []).append(row)
    for name, numbers in unknown.items():
        near = difflib.get_close_matches(folded(name), known, n=1, cutoff=_ALIKE)
        if near:
            faults.remark(
                f"the species {name} in {named_rows(numbers)} has no settings; did you mean {near[0]}? "
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
