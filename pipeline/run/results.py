"""The tables of a run, from what the ledger holds."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from pipeline.records import MM_PER_INCH, Age, BoneReading, FinalAge, Refusal, Specimen
from pipeline.run.ledger_ages import Change
from pipeline.tables.tables import Cell, Column, write_table

AGES = (
    Column("specimen"), Column("scan"), Column("bone", "count"), Column("fish"), Column("species"), Column("water"),
    Column("captured"), Column("length_mm"), Column("status"), Column("annuli", "count"), Column("annuli_low", "count"),
    Column("annuli_high", "count"), Column("confidence", "probability"), Column("edge"), Column("age_class", "count"),
    Column("year_class", "count"), Column("first_year"), Column("review", "flag"), Column("reasons"), Column("notices"),
    Column("final_annuli", "count"), Column("final_age_class", "count"), Column("counted_by"), Column("lighting"),
    Column("dpi", "dpi"), Column("radius_px", "px"), Column("radius_mm", "mm"), Column("focus_x", "px"),
    Column("focus_y", "px"), Column("axis_x", "px"), Column("axis_y", "px"),
    Column("annuli_seen", "count"), Column("age_class_probability", "probability"),
)  # fmt: skip
ANNULI = (
    Column("specimen"), Column("number", "count"), Column("x", "px"), Column("y", "px"), Column("radius_px", "px"),
    Column("radius_mm", "mm"), Column("fraction", "probability"), Column("probability", "probability"),
    Column("counted", "flag"), Column("inferred", "flag"),
)  # fmt: skip
COUNT_PROBABILITIES = (Column("specimen"), Column("annuli", "count"), Column("probability", "probability"))
AGE_PROBABILITIES = (Column("specimen"), Column("age_class", "count"), Column("probability", "probability"))
REFUSED = (Column("scan"), Column("reason"), Column("detail"))
CHANGES = (Column("specimen"), Column("column"), Column("old"), Column("new"), Column("cause"), Column("call", "count"))

TABLES = ("ages.csv", "annuli.csv", "count_probabilities.csv", "age_probabilities.csv", "refused.csv", "changes.csv")

_KEPT_AS_WRITTEN = ("length_mm",)
"""Fixed columns of the specimens table that come out as they were written."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Result:
    """All that one row of ages.csv shows."""

    specimen: Specimen
    reading: BoneReading | None
    age: Age
    final: FinalAge = field(default_factory=FinalAge)
    """People's where they give one."""
    sources: Mapping[str, str] = field(default_factory=dict)
    """Digests of all that the age was made from."""


def write_tables(
    run: Path,
    results: Sequence[Result],
    extra_columns: Sequence[str],
    refusals: Iterable[Refusal],
    changes: Iterable[Change],
) -> dict[str, str]:
    """Write all tables into the run's folder; returns the name of each and that under which it was written.

    The two differ where another program holds the table open.
    """
    columns = (*AGES, *(Column(name) for name in given_names(extra_columns)))
    tables: dict[str, tuple[Sequence[Column], Iterable[Sequence[Cell]]]] = {
        "ages.csv": (columns, (_age_row(r, extra_columns) for r in results)),
        "annuli.csv": (ANNULI, _annuli_rows(results)),
        "count_probabilities.csv": (COUNT_PROBABILITIES, _shares(results, "count_probabilities")),
        "age_probabilities.csv": (AGE_PROBABILITIES, _shares(results, "age_probabilities")),
        "refused.csv": (REFUSED, ((r.scan, r.code, r.detail) for r in refusals)),
        "changes.csv": (CHANGES, ((c.specimen, c.column, c.old, c.new, c.cause, c.call) for c in changes)),
    }
    return {name: write_table(run / name, *table).name for name, table in tables.items()}


def given_names(extra_columns: Sequence[str]) -> tuple[str, ...]:
    """Names under which a specimens table's own columns come out: `given_` before one that is ours already."""
    taken = {column.name for column in AGES}
    names = []
    for name in extra_columns:
        while name in taken:
            name = f"given_{name}"
        taken.add(name)
        names.append(name)
    return tuple(names)


def _age_row(r: Result, extra_columns: Sequence[str]) -> tuple[Cell, ...]:
    s, age, bone = r.specimen, r.age, r.reading
    as_written = dict(s.written)
    axis = bone.axis if bone else None
    dpi = bone.dpi if bone else None
    radius_px = axis.radius_px if axis else None
    seen = sum(m.counted and not m.inferred for m in age.marks) if age.status == "aged" else None
    return (
        s.specimen, s.scan, s.bone, s.fish, s.species, s.water,
        str(s.captured) if s.captured else "", *(as_written.get(name, "") for name in _KEPT_AS_WRITTEN),
        age.status, age.annuli, age.annuli_low, age.annuli_high, age.confidence, age.edge, age.age_class,
        age.year_class, age.first_year, age.review, ";".join(age.reasons), ";".join(age.notices),
        r.final.annuli, r.final.age_class, r.final.counted_by, bone.lighting if bone else "",
        dpi, radius_px, millimetres(radius_px, dpi),
        *(axis.focus if axis else (None, None)), *(axis.tip if axis else (None, None)), seen, age.age_class_probability,
        *(as_written.get(name, "") for name in extra_columns),
    )  # fmt: skip


def millimetres(pixels: float | None, dpi: float | None) -> float | None:
    """A length on the bone; None without a resolution."""
    return None if pixels is None or dpi is None else pixels / dpi * MM_PER_INCH


def _annuli_rows(results: Iterable[Result]) -> Iterator[tuple[Cell, ...]]:
    for r in results:
        dpi = r.reading.dpi if r.reading else None
        for m in r.age.marks:
            yield (
                r.age.specimen, m.number, m.x, m.y, m.radius_px, millimetres(m.radius_px, dpi), m.fraction,
                m.probability, m.counted, m.inferred,
            )  # fmt: skip


def _shares(results: Iterable[Result], which: str) -> Iterator[tuple[Cell, ...]]:
    for r in results:
        shares: Mapping[int, float] = dict(getattr(r.age, which))
        for value, probability in shares.items():
            yield r.age.specimen, value, probability
