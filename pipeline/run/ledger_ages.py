"""The ages of a run's ledger, and what later calls changed in them."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from pipeline.records import Age, FinalAge, Specimen
from pipeline.run import record_text
from pipeline.run.ledger_file import LedgerFile


@dataclass(frozen=True, slots=True, kw_only=True)
class AgedBone:
    """One row of ages.csv as the ledger keeps it."""

    specimen: Specimen
    """As used: with the people's corrections in."""
    age: Age
    """Without arcs. The machine's."""
    final: FinalAge
    """People's where they give one."""
    sources: Mapping[str, str]
    """Digests of all that the age was made from, by name: tells why it changed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """Of one row of ages.csv, what decides whether a person must look."""

    specimen: str
    confidence: float | None
    """None: unreadable."""
    age_class_probability: float | None
    """None: no age class."""
    reasons: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Call:
    """A call that changed ages.csv: the first one made it."""

    number: int
    command: str
    finished: str
    """ISO time, UTC."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One cell of ages.csv that a later call changed."""

    call: int
    """Number of the call."""

    specimen: str
    column: str
    old: str
    new: str
    cause: str


class AgeRows:
    """Rows of ages.csv as last written, and their changes."""

    def __init__(self, file: LedgerFile) -> None:
        self._file = file

    def all(self) -> tuple[AgedBone, ...]:
        """Every row of ages.csv as last written, in its order."""
        query = "SELECT record, age, final, sources FROM ages ORDER BY position"
        with self._file.whole_rows():
            return tuple(aged_bone(*row) for row in self._file.rows(query))

    def one(self, specimen: str) -> AgedBone | None:
        """One row of ages.csv as last written; None when there is none."""
        query = "SELECT record, age, final, sources FROM ages WHERE specimen = ?"
        return next((aged_bone(*row) for row in self._file.rows(query, specimen)), None)

    def shown_bones(self) -> tuple[str, ...]:
        """Specimens of which a bone was found and its axis, in the order of ages.csv."""
        query = """
            SELECT ages.specimen FROM ages JOIN bones
            ON bones.scan = json_extract(ages.record, '$.scan') AND bones.number = json_extract(ages.record, '$.bone')
            WHERE json_extract(bones.measures, '$.axis') IS NOT NULL ORDER BY position"""
        return tuple(str(s) for (s,) in self._file.rows(query))

    def specimens(self) -> dict[str, tuple[str, int]]:
        """Scan and number of the bone of every specimen, in the order of ages.csv."""
        query = "SELECT specimen, json_extract(record, '$.scan'), json_extract(record, '$.bone') FROM ages"
        rows = self._file.rows(f"{query} ORDER BY position")
        with self._file.whole_rows():
            return {str(s): (str(scan), int(str(bone))) for s, scan, bone in rows}

    def place(self, specimen: str) -> tuple[str, int] | None:
        """Scan and number of the bone of one specimen; None when there is none."""
        query = "SELECT json_extract(record, '$.scan'), json_extract(record, '$.bone') FROM ages WHERE specimen = ?"
        return next(((str(scan), int(str(bone))) for scan, bone in self._file.rows(query, specimen)), None)

    def calls(self) -> tuple[Call, ...]:
        """All calls that changed ages.csv, the earliest first."""
        rows = self._file.rows("SELECT number, command, finished FROM calls ORDER BY number")
        return tuple(Call(number=int(str(n)), command=str(c), finished=str(f)) for n, c, f in rows)

    def changes(self) -> Iterator[Change]:
        """All changes of ages by earlier calls, the earliest first."""
        for n, s, c, old, new, cause in self._file.each_row(
            "SELECT call, specimen, name, old, new, cause FROM changes ORDER BY id"
        ):
            yield Change(call=int(str(n)), specimen=str(s), column=str(c), old=str(old), new=str(new), cause=str(cause))

    def outcomes(self) -> tuple[Outcome, ...]:
        """Every row of ages.csv as last written, in its order, without all that makes `all` slow."""
        parts = [f"json_extract(age, '$.{part}')" for part in ("confidence", "age_class_probability", "reasons")]
        query = f"SELECT specimen, {', '.join(parts)} FROM ages"
        with self._file.whole_rows():
            return tuple(
                Outcome(
                    specimen=str(specimen),
                    confidence=confidence,  # type: ignore[arg-type]
                    age_class_probability=age_class,  # type: ignore[arg-type]
                    reasons=tuple(json.loads(str(reasons))),
                )
                for specimen, confidence, age_class, reasons in self._file.rows(f"{query} ORDER BY position")
            )


def aged_bone(record: object, age: object, final: object, sources: object) -> AgedBone:
    """A row of ages.csv from its texts."""
    return AgedBone(
        specimen=record_text.read_specimen(str(record)),
        age=record_text.read_age(str(age)),
        final=FinalAge(**json.loads(str(final))),
        sources=json.loads(str(sources)),
    )
