"""The tables that people's readings decide: one row a fish, and all readings side by side."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from pathlib import Path

from pipeline.records import MACHINE, Reading, Specimen
from pipeline.run.ledger_ages import AgedBone
from pipeline.run.results import Result
from pipeline.tables.tables import Cell, Column, write_table
from pipeline.together.final_ages import latest_by_reader
from pipeline.together.fish_ages import AgedFish, FishAge, fish_age

FISH_FILE, SIDE_BY_SIDE_FILE = "fish.csv", "readings_side_by_side.csv"
FISH = (
    Column("fish"), Column("species"), Column("water"), Column("captured"), Column("length_mm"), Column("sex"),
    Column("maturity"), Column("age_class", "count"), Column("age_class_probability", "probability"),
    Column("bones", "count"), Column("counted_by"), Column("review", "flag"), Column("reasons"),
    Column("annuli", "count"), Column("specimen"), Column("weight_g", "number"),
)  # fmt: skip
NOT_AGED = "not aged"
"""In the column of a reader who could not age the bone."""


def write_people_tables(
    run: Path,
    fish: Iterable[Sequence[AgedBone]],
    read: Sequence[Result],
    readings: Mapping[str, Sequence[Reading]],
) -> dict[str, str]:
    """Write fish.csv, and readings_side_by_side.csv where anybody has read a bone; returns names as `write_tables`.

    fish : the bones of one fish after the other. `read` are the bones that people have read, `readings` all of the run
    by specimen, the earliest entered first.
    """
    names = {FISH_FILE: write_table(run / FISH_FILE, FISH, (_fish_row(age_of_fish(own)) for own in fish)).name}
    side_by_side = run / SIDE_BY_SIDE_FILE
    if read:
        names[SIDE_BY_SIDE_FILE] = write_table(side_by_side, *_side_by_side(read, readings)).name
    return names


def age_of_fish(bones: Sequence[AgedBone]) -> FishAge:
    """The age of one fish."""
    return fish_age([AgedFish(specimen=b.specimen, age=b.age, final=b.final) for b in bones])


def _fish_row(fish: FishAge) -> tuple[Cell, ...]:
    bones = [b.specimen for b in fish.bones]
    chosen = fish.chosen
    weight_g = next((s.weight_g for s in bones if s.weight_g is not None), None)
    return (
        fish.fish, _first(bones, lambda s: s.species), _first(bones, lambda s: s.water),
        _first(bones, lambda s: str(s.captured or "")), _first(bones, lambda s: dict(s.written).get("length_mm", "")),
        _first(bones, lambda s: s.sex), _first(bones, lambda s: s.maturity), fish.age_class, fish.probability,
        len(bones), chosen.final.counted_by if chosen else "", bool(fish.reasons), ";".join(fish.reasons),
        chosen.final.annuli if chosen else None, chosen.specimen.specimen if chosen else "", weight_g,
    )  # fmt: skip


def _first(bones: Iterable[Specimen], value: Callable[[Specimen], str]) -> str:
    """What the first bone that tells it says of the fish."""
    return next(filter(None, map(value, bones)), "")


def _side_by_side(
    results: Sequence[Result], readings: Mapping[str, Sequence[Reading]]
) -> tuple[Sequence[Column], Iterator[Sequence[Cell]]]:
    readers = sorted({r.reader for result in results for r in readings.get(result.specimen.specimen, ())})
    fixed = ("specimen", MACHINE, "final", "differ")
    columns = [Column("specimen"), *(Column(f"reader {n}" if n in fixed else n) for n in readers)]
    columns += [Column(MACHINE, "count"), Column("final", "count"), Column("differ", "flag")]

    def rows() -> Iterator[Sequence[Cell]]:
        for r in results:
            own = {a.reader: a.annuli for a in latest_by_reader(readings.get(r.specimen.specimen, ()))}
            if own:
                shown = ["" if n not in own else NOT_AGED if own[n] is None else str(own[n]) for n in readers]
                differ = len({*own.values(), r.age.annuli}) > 1
                yield (r.specimen.specimen, *shown, r.age.annuli, r.final.annuli, differ)

    return columns, rows()
