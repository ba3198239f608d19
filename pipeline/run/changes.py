"""What a later call changed in the ages, and why."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping

from pipeline.records import Age
from pipeline.run.ledger_ages import AgedBone, Change

OTHER_BONES = "other-bones"
"""Cause when nothing of the bone itself differs: the run's bones together changed what is expected."""

_COLUMNS = ("status", "annuli", "edge", "age_class", "year_class", "first_year", "review")
"""Columns whose changes are told: what a person may have copied elsewhere."""


def changes(before: Iterable[AgedBone], now: Iterable[AgedBone], causes: Mapping[str, str]) -> Iterator[Change]:
    """Every told cell that differs, in the order of `now`.

    `causes` says of each scan why it was read the last time. Bones that are new or gone are no changes.
    """
    known = {a.specimen.specimen: a for a in before}
    for new in now:
        old = known.get(new.specimen.specimen)
        if old is None:
            continue
        cells = [(column, _cell(old.age, column), _cell(new.age, column)) for column in _COLUMNS]
        differing = [cell for cell in cells if cell[1] != cell[2]]
        cause = ";".join(_causes(old, new, causes)) if differing else ""
        for column, was, becomes in differing:
            yield Change(specimen=new.specimen.specimen, column=column, old=was, new=becomes, cause=cause)


def _cell(age: Age, column: str) -> str:
    value = getattr(age, column)
    if isinstance(value, bool):
        return "true" if value else "false"
    return "" if value is None else str(value)


def _causes(old: AgedBone, new: AgedBone, causes: Mapping[str, str]) -> list[str]:
    differing = [name for name in new.sources if new.sources[name] != old.sources.get(name)]
    names = {"row": "table", "settings": "settings", "code": "version"}
    found = [causes.get(new.specimen.scan, "file") if name == "bone" else names[name] for name in differing]
    return list(dict.fromkeys(found)) or [OTHER_BONES]
