"""What a later call changed in the ages, and why."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping

from pipeline.run.ledger_ages import AgedBone, Change

OTHER_BONES = "other bones of the run change what is expected of this one"
"""Cause when nothing of the bone itself differs."""
_SOURCES = {
    "row": "another row in the table of specimens, or a correction",
    "settings": "other settings",
    "code": "another version of opercle",
    "people": "readings entered",
}
_READ_AGAIN = {
    "new": "a new scan",
    "file": "the scan's file changed",
    "settings": _SOURCES["settings"],
    "version": _SOURCES["code"],
    "table": _SOURCES["row"],
    "picture": "read again because a picture was gone",
    "retried": "tried again after a fault",
}
"""Cause by why the scan was read the last time (`plan.WHY`)."""

_FINAL_COLUMNS = {"final_annuli": "annuli", "final_age_class": "age_class"}
"""Columns of the final age, and their names in its record."""
_COLUMNS = ("status", "annuli", "edge", "age_class", "year_class", "first_year", "review")
"""Columns whose changes are listed: what a person may have copied elsewhere."""


def changes(
    before: Iterable[AgedBone], now: Iterable[AgedBone], causes: Mapping[str, str], call: int
) -> Iterator[Change]:
    """Every listed cell that differs in this call, in the order of `now`.

    `causes` says of each scan why it was read the last time. Bones that are new or gone are no changes.
    """
    known = {a.specimen.specimen: a for a in before}
    for new in now:
        old = known.get(new.specimen.specimen)
        if old is None:
            continue
        cells = [(column, _cell(old.age, column), _cell(new.age, column)) for column in _COLUMNS]
        cells += [(c, _cell(old.final, name), _cell(new.final, name)) for c, name in _FINAL_COLUMNS.items()]
        differing = [cell for cell in cells if cell[1] != cell[2]]
        cause = "; ".join(_causes(old, new, causes)) if differing else ""
        for column, was, becomes in differing:
            yield Change(call=call, specimen=new.specimen.specimen, column=column, old=was, new=becomes, cause=cause)


def _cell(age: object, column: str) -> str:
    value = getattr(age, column)
    if isinstance(value, bool):
        return "true" if value else "false"
    return "" if value is None else str(value)


def _causes(old: AgedBone, new: AgedBone, causes: Mapping[str, str]) -> list[str]:
    differing = [name for name in new.sources if new.sources[name] != old.sources.get(name)]
    read = _READ_AGAIN[causes.get(new.specimen.scan, "file")]
    found = [read if name == "bone" else _SOURCES[name] for name in differing]
    return list(dict.fromkeys(found)) or [OTHER_BONES]
