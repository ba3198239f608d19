"""The tables of a run, from what the ledger holds."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path

from pipeline.records import MM_PER_INCH, Age, AgedMark, Axis, BoneReading, FinalAge, Refusal, Specimen
from pipeline.run.ledger_ages import Change
from pipeline.tables.tables import Cell, Column, table_file


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

    @property
    def axis(self) -> Axis | None:
        """The growth axis, where one was found or given."""
        return self.reading.axis if self.reading else None

    @property
    def dpi(self) -> float | None:
        """Pixels an inch, where known."""
        return self.reading.dpi if self.reading else None


def millimetres(pixels: float | None, dpi: float | None) -> float | None:
    """A length on the bone; None without a resolution."""
    return None if pixels is None or dpi is None else pixels / dpi * MM_PER_INCH


def _radius_px(r: Result) -> float | None:
    return r.axis.radius_px if r.axis else None


def _annuli_seen(r: Result) -> int | None:
    return sum(m.counted and not m.inferred for m in r.age.marks) if r.age.status == "aged" else None


_AGES: dict[Column, Callable[[Result], Cell]] = {
    Column("specimen"): lambda r: r.specimen.specimen,
    Column("scan"): lambda r: r.specimen.scan,
    Column("bone", "count"): lambda r: r.specimen.bone,
    Column("fish"): lambda r: r.specimen.fish,
    Column("species"): lambda r: r.specimen.species,
    Column("water"): lambda r: r.specimen.water,
    Column("captured"): lambda r: str(r.specimen.captured or ""),
    Column("length_mm"): lambda r: dict(r.specimen.written).get("length_mm", ""),  # as the table writes it
    Column("status"): lambda r: r.age.status,
    Column("annuli", "count"): lambda r: r.age.annuli,
    Column("annuli_low", "count"): lambda r: r.age.annuli_low,
    Column("annuli_high", "count"): lambda r: r.age.annuli_high,
    Column("confidence", "probability"): lambda r: r.age.confidence,
    Column("edge"): lambda r: r.age.edge,
    Column("age_class", "count"): lambda r: r.age.age_class,
    Column("year_class", "count"): lambda r: r.age.year_class,
    Column("first_year"): lambda r: r.age.first_year,
    Column("review", "flag"): lambda r: r.age.review,
    Column("reasons"): lambda r: ";".join(r.age.reasons),
    Column("notices"): lambda r: ";".join(r.age.notices),
    Column("final_annuli", "count"): lambda r: r.final.annuli,
    Column("final_age_class", "count"): lambda r: r.final.age_class,
    Column("counted_by"): lambda r: r.final.counted_by,
    Column("lighting"): lambda r: r.reading.lighting if r.reading else "",
    Column("dpi", "dpi"): lambda r: r.dpi,
    Column("radius_px", "px"): _radius_px,
    Column("radius_mm", "mm"): lambda r: millimetres(_radius_px(r), r.dpi),
    Column("focus_x", "px"): lambda r: r.axis.focus[0] if r.axis else None,
    Column("focus_y", "px"): lambda r: r.axis.focus[1] if r.axis else None,
    Column("axis_x", "px"): lambda r: r.axis.tip[0] if r.axis else None,
    Column("axis_y", "px"): lambda r: r.axis.tip[1] if r.axis else None,
    # After the fixed columns, on which scripts rely.
    Column("annuli_seen", "count"): _annuli_seen,
    Column("age_class_probability", "probability"): lambda r: r.age.age_class_probability,
}
AGES = tuple(_AGES)

_ANNULI: dict[Column, Callable[[Result, AgedMark], Cell]] = {
    Column("specimen"): lambda r, m: r.age.specimen,
    Column("number", "count"): lambda r, m: m.number,
    Column("x", "px"): lambda r, m: m.x,
    Column("y", "px"): lambda r, m: m.y,
    Column("radius_px", "px"): lambda r, m: m.radius_px,
    Column("radius_mm", "mm"): lambda r, m: millimetres(m.radius_px, r.dpi),
    Column("fraction", "probability"): lambda r, m: m.fraction,
    Column("probability", "probability"): lambda r, m: m.probability,
    Column("counted", "flag"): lambda r, m: m.counted,
    Column("inferred", "flag"): lambda r, m: m.inferred,
}
ANNULI = tuple(_ANNULI)

COUNT_PROBABILITIES = (Column("specimen"), Column("annuli", "count"), Column("probability", "probability"))
AGE_PROBABILITIES = (Column("specimen"), Column("age_class", "count"), Column("probability", "probability"))
REFUSED = (Column("scan"), Column("reason"), Column("detail"))
CHANGES = (Column("specimen"), Column("column"), Column("old"), Column("new"), Column("cause"), Column("call", "count"))

TABLES = ("ages.csv", "annuli.csv", "count_probabilities.csv", "age_probabilities.csv", "refused.csv", "changes.csv")


def write_tables(
    run: Path,
    parts: Iterable[tuple[Sequence[Result], Sequence[Change]]],
    extra_columns: Sequence[str],
    refusals: Iterable[Refusal],
    changes: Iterable[Change],
) -> dict[str, str]:
    """Write all tables into the run's folder, as the rows come; returns the name of each and that under which it was
    written. The two differ where another program holds the table open.

    parts : some rows of ages.csv at a time, with what this call changed in them. `changes` are those of earlier calls.
    """
    columns = (
        (*AGES, *(Column(name) for name in given_names(extra_columns))),
        ANNULI,
        COUNT_PROBABILITIES,
        AGE_PROBABILITIES,
        REFUSED,
        CHANGES,
    )
    with ExitStack() as stack:
        files = [stack.enter_context(table_file(run / n, c)) for n, c in zip(TABLES, columns, strict=True)]
        ages, annuli, count_probabilities, age_probabilities, refused, changed = files
        refused.add((r.scan, r.code, r.detail) for r in refusals)
        changed.add(map(_change_row, changes))
        for results, new in parts:
            ages.add(_age_row(r, extra_columns) for r in results)
            annuli.add(_annuli_rows(results))
            count_probabilities.add(_shares(results, "count_probabilities"))
            age_probabilities.add(_shares(results, "age_probabilities"))
            changed.add(map(_change_row, new))
    return {name: file.path.name for name, file in zip(TABLES, files, strict=True)}


def _change_row(c: Change) -> tuple[Cell, ...]:
    return c.specimen, c.column, c.old, c.new, c.cause, c.call


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
    as_written = dict(r.specimen.written)
    return (*(value(r) for value in _AGES.values()), *(as_written.get(name, "") for name in extra_columns))


def _annuli_rows(results: Iterable[Result]) -> Iterator[tuple[Cell, ...]]:
    return (tuple(value(r, m) for value in _ANNULI.values()) for r in results for m in r.age.marks)


def _shares(results: Iterable[Result], which: str) -> Iterator[tuple[Cell, ...]]:
    for r in results:
        shares: Mapping[int, float] = dict(getattr(r.age, which))
        for value, probability in shares.items():
            yield r.age.specimen, value, probability
