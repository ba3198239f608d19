"""The fish of a run, read back from its tables: age, how probable each age is, and annuli."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

from pipeline.errors import RunError, TableError
from pipeline.fish_records import Fish, FishMarks
from pipeline.records import MACHINE, Captured
from pipeline.tables.tables import read_table

FISH, AGES, ANNULI, PROBABILITIES = "fish.csv", "ages.csv", "annuli.csv", "age_probabilities.csv"
_FISH_COLUMNS = (
    "fish", "species", "water", "captured", "length_mm", "sex", "maturity", "age_class", "counted_by", "review",
    "annuli", "specimen", "weight_g",
)  # fmt: skip

Rows = Sequence[Mapping[str, str]]


def read_run_fish(run: Path) -> tuple[Fish, ...]:
    """The fish of a run. Raises RunError without its tables, TableError when one of them is damaged."""
    for name in (FISH, AGES, ANNULI, PROBABILITIES):
        if not (run / name).is_file():
            raise RunError(f"{run}: holds no {name}; give the line of `opercle age` again, which writes it")
    try:
        return _fish_of(run)
    except ValueError:
        raise TableError([f"{run}: its tables are damaged; give the line of `opercle age` again"]) from None


def _fish_of(run: Path) -> tuple[Fish, ...]:
    radii = {row["specimen"]: _number(row["radius_mm"]) for row in read_table(run / AGES, ("specimen", "radius_mm"))}
    fractions = _fractions(read_table(run / ANNULI, ("specimen", "fraction", "counted")))
    probabilities = _probabilities(read_table(run / PROBABILITIES, ("specimen", "age_class", "probability")))
    return tuple(_fish(row, radii, fractions, probabilities, run) for row in read_table(run / FISH, _FISH_COLUMNS))


def _fish(
    row: Mapping[str, str],
    radii: Mapping[str, float | None],
    fractions: Mapping[str, Sequence[float]],
    probabilities: Mapping[str, Sequence[tuple[int, float]]],
    run: Path,
) -> Fish:
    specimen = row["specimen"]
    by_machine = row["counted_by"] == MACHINE
    age = int(row["age_class"]) if row["age_class"] else None
    marks = None
    own = fractions.get(specimen, ())
    # A person who counted otherwise did not mean these marks.
    if row["annuli"] and len(own) == int(row["annuli"]):
        marks = FishMarks(specimen=specimen, radius_mm=radii.get(specimen), fractions=tuple(own))
    return Fish(
        fish=row["fish"],
        species=row["species"].strip().casefold(),
        water=row["water"].strip(),
        age_class=age,
        age_probabilities=tuple(probabilities.get(specimen, ())) if by_machine and age is not None else (),
        length_mm=_number(row["length_mm"]),
        weight_g=_number(row["weight_g"]),
        sex=row["sex"],
        maturity=row["maturity"],
        captured=_captured(row["captured"]),
        counted_by=row["counted_by"],
        review=row["review"] == "true",
        marks=marks,
        source=run.name,
    )


def _fractions(rows: Rows) -> dict[str, list[float]]:
    out: dict[str, list[float]] = {}
    for row in rows:
        if row["counted"] == "true":
            out.setdefault(row["specimen"], []).append(float(row["fraction"]))
    return {specimen: sorted(own) for specimen, own in out.items()}


def _probabilities(rows: Rows) -> dict[str, list[tuple[int, float]]]:
    out: dict[str, list[tuple[int, float]]] = {}
    for row in rows:
        out.setdefault(row["specimen"], []).append((int(row["age_class"]), float(row["probability"])))
    return out


def _number(text: str) -> float | None:
    return float(text) if text else None


def _captured(text: str) -> Captured | None:
    if not text:
        return None
    year, month, day, *_ = [*(int(part) for part in text.split("-")), None, None]
    return Captured(year=year or 0, month=month, day=day)
