"""One name, many spellings: species and waters as people write them, brought to one."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace

from pipeline.records import Specimen
from pipeline.settings.whole import Settings


def folded(name: str) -> str:
    """A name without what people vary: case, and blanks, hyphens or underscores between words."""
    return " ".join(name.replace("-", " ").replace("_", " ").split()).casefold()


def first_spellings(names: Iterable[str]) -> Mapping[str, str]:
    """Every name with the first of those that are the same when folded. A lone dash is a name, not a blank."""
    first: dict[str, str] = {}
    return {name: first.setdefault(folded(name) or name, name) for name in names}


def names_of_species(settings: Settings) -> Callable[[str], str]:
    """What gives a species the name that the settings have for it; a name they do not know stays."""
    known = {folded(name): name for name in settings.species}
    known |= {folded(name): species for name, species in settings.other_names.items()}
    return lambda species: known.get(folded(species), species)


def with_one_spelling(
    rows: Sequence[Specimen], in_settings: Callable[[str], str], waters: Mapping[str, str]
) -> list[Specimen]:
    """The rows with species as `in_settings` names them, those it does not know in their first spelling, and waters as
    `waters` spells them."""
    species = first_spellings(in_settings(s.species) for s in rows)
    return [replace(s, species=species[in_settings(s.species)], water=waters[s.water]) for s in rows]
