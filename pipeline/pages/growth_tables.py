"""The tables of a growth study, ready to be written."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np

from pipeline.estimate import Estimate
from pipeline.growth.age_length_key import AgesOfLengths, Key
from pipeline.growth.back_calculation import METHODS
from pipeline.growth.compare import Difference
from pipeline.growth.measured import MeasuredCatch
from pipeline.growth.whole import ALL, FishGroup, Study, Water
from pipeline.pages.table_out import TableOut
from pipeline.tables.tables import Cell, Column

Row = tuple[Cell, ...]
_PLACE = (Column("species"), Column("water"))


LENGTHS_AT_AGE = (
    *_PLACE, Column("sex"), Column("age_class", "count"), Column("n", "count"), Column("mean_length_mm", "mm"),
    Column("sd_mm", "mm"), Column("low_mm", "mm"), Column("high_mm", "mm"), Column("from"),
)  # fmt: skip
AGE_LENGTH_KEY = (
    *_PLACE, Column("length_bin_mm", "number"), Column("age_class", "count"), Column("n", "number"),
    Column("proportion", "probability"), Column("se", "probability"),
)  # fmt: skip
YEAR_EFFECTS = (
    *_PLACE, Column("year", "count"), Column("effect", "probability"), Column("low", "probability"),
    Column("high", "probability"), Column("fish", "count"),
)  # fmt: skip
SUSPECTS = (
    Column("fish"), Column("specimen"), *_PLACE, Column("annuli", "count"), Column("fit", "probability"),
    Column("other_annuli", "count"), Column("other_fit", "probability"), Column("gain", "probability"),
    Column("change"),
)  # fmt: skip
BACK_CALCULATED = (
    Column("fish"), Column("specimen"), *_PLACE, Column("sex"), Column("age_class", "count"),
    Column("annulus", "count"),
    *(Column(f"{m.name}_mm", "mm") for m in METHODS),
)  # fmt: skip
DIFFERENCES = (
    *_PLACE, Column("a"), Column("b"), Column("age_class", "count"), Column("n_a", "count"), Column("n_b", "count"),
    Column("difference_mm", "mm"), Column("low_mm", "mm"), Column("high_mm", "mm"), Column("p", "probability"),
    Column("p_adjusted", "probability"),
)  # fmt: skip
INCREMENTS = (
    *_PLACE, Column("year_of_life", "count"), Column("n", "count"), Column("mean_mm", "mm"), Column("low_mm", "mm"),
    Column("high_mm", "mm"),
)  # fmt: skip
AGES_OF_LENGTHS = (
    *_PLACE, Column("of"), Column("age_class", "count"), Column("fish", "number"), Column("proportion", "probability"),
    Column("se", "probability"), Column("low", "probability"), Column("high", "probability"),
)  # fmt: skip
OF_MEASURED, OF_ALL, NO_AGE = "measured", "measured and aged", "without an age"


def growth_tables(study: Study) -> list[TableOut]:
    """All tables that rest on aged fish."""
    return [
        TableOut("lengths_at_age.csv", LENGTHS_AT_AGE, tuple(r for g in study.groups for r in _lengths(g))),
        TableOut("age_length_key.csv", AGE_LENGTH_KEY, tuple(r for w in study.waters if w.key for r in _key(w.key))),
        TableOut("year_effects.csv", YEAR_EFFECTS, tuple(r for w in study.waters for r in _years(w))),
        TableOut("suspects.csv", SUSPECTS, tuple(r for w in study.waters for r in _suspects(w))),
        TableOut("back_calculated.csv", BACK_CALCULATED, tuple(r for w in study.waters for r in _earlier(w))),
        TableOut(
            "differences.csv",
            DIFFERENCES,
            (
                *(_difference(w.species, w.water, d) for w in study.waters for d in w.sexes),
                *(_difference(s.species, ALL, d) for s in study.species for d in s.waters),
            ),
        ),
        TableOut("increments.csv", INCREMENTS, tuple(r for w in study.waters for r in _increments(w))),
    ]


def measured_table(measured: Sequence[MeasuredCatch]) -> TableOut:
    """How old the fish are that were only measured, by water."""
    rows: list[Row] = []
    for m in measured:
        place = (m.species, m.water)
        if m.only_measured is None or m.with_aged is None:
            rows.append((*place, f"{OF_MEASURED}, {NO_AGE}", None, float(m.fish), None, None, None, None))
            continue
        for of, found in ((OF_MEASURED, m.only_measured), (OF_ALL, m.with_aged)):
            for s in found.shares:
                fish = round(s.fish, 4)
                rows.append((*place, of, s.age_class, fish, s.proportion.value, s.se, *_limits(s.proportion)))
            rows.append((*place, f"{of}, {NO_AGE}", None, float(without_age(m, found)), None, None, None, None))
    return TableOut("ages_of_lengths.csv", AGES_OF_LENGTHS, tuple(rows))


def without_age(m: MeasuredCatch, found: AgesOfLengths) -> int:
    """Measured fish that the key says nothing of."""
    return found.without_key + m.beyond_key


def _lengths(g: FishGroup) -> Iterable[Row]:
    for x in g.lengths:
        yield (g.species, g.water, g.sex, x.age_class, x.n, x.mean.value, x.sd_mm, *_limits(x.mean), x.source)


def _key(key: Key) -> Iterable[Row]:
    """Every class; one without aged fish has a row without an age, or, smoothed, the shares of the model."""
    share, se = key.share, key.share_se
    for i, lower in enumerate(key.lower_mm):
        if not np.isfinite(share[i]).all():
            yield (key.species, key.water, float(lower), None, 0.0, None, None)
            continue
        for j, age in enumerate(key.ages):
            if share[i, j] > 0:
                error = float(se[i, j]) if np.isfinite(se[i, j]) and key.smoothed is None else None
                n = round(float(key.aged[i, j]), 4)
                yield (key.species, key.water, float(lower), int(age), n, float(share[i, j]), error)


def _years(w: Water) -> Iterable[Row]:
    for y in w.chronology.years:
        yield (w.species, w.water, y.year, y.effect.value, *_limits(y.effect), y.fish)


def _suspects(w: Water) -> Iterable[Row]:
    for s in w.suspects:
        fish = s.grown.fish
        yield (
            fish.fish, fish.marks.specimen if fish.marks else "", w.species, w.water, s.counted.annuli, s.counted.gain,
            s.other.annuli, s.other.gain, s.gain, s.other.where,
        )  # fmt: skip


def _earlier(w: Water) -> Iterable[Row]:
    by_fish: dict[str, dict[str, np.ndarray]] = {}
    fish = {}
    for name, found in w.by_method.items():
        for e in found:
            by_fish.setdefault(e.fish.fish, {})[name] = e.length_mm
            fish[e.fish.fish] = e.fish
    for key, lengths in by_fish.items():
        f = fish[key]
        for i in range(max(x.size for x in lengths.values())):
            lengths_back = (float(lengths[m.name][i]) if m.name in lengths else None for m in METHODS)
            specimen = f.marks.specimen if f.marks else ""
            yield (f.fish, specimen, w.species, w.water, f.sex, f.age_class, i + 1, *lengths_back)


def _difference(species: str, water: str, d: Difference) -> Row:
    e = d.difference_mm
    return (species, water, d.a, d.b, d.age_class, d.n_a, d.n_b, e.value, *_limits(e), d.p, d.p_adjusted)


def _increments(w: Water) -> Iterable[Row]:
    for y in w.years_of_life:
        yield (w.species, w.water, y.year_of_life, y.n, y.mean.value, *_limits(y.mean))


def _limits(e: Estimate) -> tuple[float | None, float | None]:
    return e.low, e.high
