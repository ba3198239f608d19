"""`opercle growth`: from ages to what they are for. Fish in; figures, tables, plots and a page out."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from tqdm import tqdm

from pipeline.errors import OpercleError, TableError
from pipeline.fish_records import Fish
from pipeline.growth.ages import ReadingError
from pipeline.growth.curve_fit import CurveDemands
from pipeline.growth.figures import as_json
from pipeline.growth.measured import MeasuredCatch, ages_of_measured
from pipeline.growth.notes import CAUTION
from pipeline.growth.size_condition import StandardWeight
from pipeline.growth.whole import ALL, Choices, Study, draws, method_of, studied
from pipeline.growth.words import between_waters, paragraph, place
from pipeline.pages.growth_page import growth_page, growth_plots_of
from pipeline.pages.growth_tables import growth_tables, measured_table
from pipeline.settings.files import read_settings
from pipeline.settings.whole import Settings
from pipeline.tables import error_matrix_table, own_folder
from pipeline.tables.fish_tables import LengthsTable, read_fish, read_lengths
from pipeline.tables.run_fish import read_run_fish
from pipeline.tables.spellings import first_spellings
from pipeline.tables.tables import Column, table_text

FIGURES, PAGE, WITH_AGES = "growth.json", "growth.html", "lengths_with_ages.csv"
AGE_COLUMN = "age_class_by_key"
_MADE_BY = "opercle"
_WHAT = "growth study"
_MOST_NAMED = 5
"""Doubled fish named in an error."""

Say = Callable[[str], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """What a call has found, and where."""

    study: Study
    accounts: tuple[str, ...]
    page: Path

    def lines(self) -> tuple[str, ...]:
        """As printed."""
        out = [*self.accounts, ""]
        for water in self.study.waters_with_figures():
            out.append(f"{place(water.species, water.water)}: {' '.join(paragraph(self.study, water))}")
        for species in self.study.species:
            if words := between_waters(species):
                out.append(f"{species.species or 'fish without a species'}, waters side by side: {' '.join(words)}")
        return (*out, "", CAUTION, str(self.page))


def growth(sources: Sequence[Path], lengths: Path | None, out: Path | None, settings: Sequence[str], say: Say) -> Told:
    """Study the fish of runs and tables of ages; write all results to a folder.

    The folder is `out`, else `growth` in the only run, else `growth` here. Raises OpercleError when a table cannot be
    used, a fish stands there twice, no fish has an age, or the folder holds something else.
    """
    runs = [source for source in sources if source.is_dir()]
    folder = out or (runs[0] / "growth" if len(runs) == 1 else Path("growth"))
    own_folder.check(folder, _WHAT)
    chosen = read_settings(settings)
    fish, accounts = _fish(sources, chosen)
    table = _lengths(lengths, chosen, fish) if lengths else None
    matrix = _matrix(runs, say)
    choices = {species: choices_of(chosen, species) for species in sorted({f.species for f in fish})}
    with tqdm(total=draws(fish, choices, matrix), desc="draws", unit="draw", disable=None) as bar:
        study = studied(fish, choices, matrix, bar.update)
    if not study.groups:
        raise OpercleError(f"none of these {len(fish)} fish has an age; age some first, or give another table")
    accounts = (*accounts, *_groups_account(study))
    ages, measured = _measured(table, study, chosen.population.seed)
    own_folder.write(folder, _WHAT, _contents(study, measured, choices, accounts, table, ages))
    return Told(study=study, accounts=accounts, page=folder / PAGE)


def _fish(sources: Sequence[Path], settings: Settings) -> tuple[list[Fish], tuple[str, ...]]:
    """All fish, each once, and where they come from."""
    fish: list[Fish] = []
    lines: list[str] = []
    accounts: list[str] = []
    for source in sources:
        try:
            if source.is_dir():
                own = read_run_fish(source)
                accounts.append(f"{source.name}: {len(own)} fish")
            else:
                table = read_fish(source, settings)
                own = table.fish
                other = f", {table.other_lengths} of them without a total length" if table.other_lengths else ""
                accounts.append(f"{source.name}: {len(own)} fish{other}")
            fish += own
        except TableError as error:
            lines += error.faults
    if lines:
        raise TableError(lines)
    waters = first_spellings(sorted(f.water for f in fish))  # in one order, however the tables were given
    fish = [replace(f, water=waters[f.water]) for f in fish]
    _check_doubled(fish)
    return fish, tuple(accounts)


def _lengths(path: Path, settings: Settings, fish: Sequence[Fish]) -> LengthsTable:
    """Fish that were only measured, their waters spelled as those of the fish with ages."""
    table = read_lengths(path, settings)
    waters = first_spellings([*(f.water for f in fish), *(r.water for r in table.rows)])
    return replace(table, rows=tuple(replace(r, water=waters[r.water]) for r in table.rows))


def _check_doubled(fish: Sequence[Fish]) -> None:
    """The same name twice is one fish twice, unless species or water tell that they are two."""
    by_name: dict[str, list[Fish]] = {}
    doubled = []
    for f in fish:
        for other in by_name.setdefault(f.fish, []):
            if _may_be_one(f, other):
                doubled.append(f"{f.fish} (in {other.source} and in {f.source})")
                break
        by_name[f.fish].append(f)
    if doubled:
        named = ", ".join(doubled[:_MOST_NAMED])
        more = f" and {len(doubled) - _MOST_NAMED} more" if len(doubled) > _MOST_NAMED else ""
        raise OpercleError(f"these fish are given twice: {named}{more}; give each fish once, or a name of its own")


def _may_be_one(a: Fish, b: Fish) -> bool:
    return all(not x or not y or x == y for x, y in ((a.species, b.species), (a.water, b.water)))


def _matrix(runs: Sequence[Path], say: Say) -> ReadingError | None:
    """The ageing error matrix of the audit of a run, if there is one audit with a matrix."""
    found = [
        matrix
        for run in runs
        if (path := run / "audit" / error_matrix_table.NAME).is_file()
        and (matrix := error_matrix_table.read_error_matrix(path)) is not None
    ]
    if len(found) > 1:
        say(f"{len(found)} of these runs have an ageing error matrix of an audit; none is used: give one run at a time")
    if len(found) != 1:
        return None
    ages, counts, probability = found[0]
    return ReadingError(ages=ages, counts=counts, probability=probability)


def choices_of(settings: Settings, species: str) -> Choices:
    """What the settings say for a species."""
    p = settings.species_of(species).population
    w = p.standard_weight
    standard = w and StandardWeight(a=w.intercept, b=w.slope, c=w.curvature, least_mm=w.least_mm, source=w.source)
    return Choices(
        limits=CurveDemands(least_fish=p.least_fish, draws=p.draws, seed=p.seed),
        bin_mm=p.length_bin_mm,
        smooth_key=p.smooth_key,
        back_calculation=p.back_calculation,
        bone_begins_mm=p.bone_begins_mm,
        bone_begins_source=p.bone_begins_source,
        after_peak=p.ages_after_peak,
        standard_weight=standard or None,
    )


def _groups_account(study: Study) -> list[str]:
    """Fish in = with an age + without; those with an age = in groups + in waters with too few; sexes add up."""
    out = []
    for water in study.waters:
        own = {g.sex: len(g.fish) for g in study.groups if (g.species, g.water) == (water.species, water.water)}
        fish = f"fish {water.fish} = with an age {own[ALL]} + without {water.without_age}"
        parts = {sex: n for sex, n in own.items() if sex != ALL}
        if parts:
            rest = own[ALL] - sum(parts.values())
            fish += f"; {own[ALL]} = {' + '.join(f'{sex} {n}' for sex, n in parts.items())} + others {rest}"
        out.append(f"{place(water.species, water.water)}: {fish}")
    if study.too_few:
        few = "; ".join(f"{place(species, water)} {n}" for species, water, n in study.too_few)
        out.append(
            f"fish with an age in waters with too few for figures, which take {study.least_fish} (their lengths, "
            f"annuli and keys are in the tables): {few}"
        )
    return out


def _measured(
    table: LengthsTable | None, study: Study, seed: int
) -> tuple[tuple[int | None, ...], tuple[MeasuredCatch, ...]]:
    if table is None:
        return (), ()
    keys = {(w.species, w.water): w.key for w in study.waters if w.key}
    return ages_of_measured([(r.species, r.water, r.length_mm) for r in table.rows], keys, seed)


def _contents(
    study: Study,
    measured: Sequence[MeasuredCatch],
    choices: Mapping[str, Choices],
    accounts: Sequence[str],
    table: LengthsTable | None,
    ages: Sequence[int | None],
) -> dict[str, str]:
    """All files of the study, by name."""
    figures = {**as_json(study), "accounts": list(accounts), "made_by": _MADE_BY}
    contents = {FIGURES: json.dumps(figures, indent=1, ensure_ascii=False, allow_nan=False) + "\n"}
    tables = growth_tables(study)
    if table is not None:
        tables.append(measured_table(measured))
        name = AGE_COLUMN if AGE_COLUMN not in table.columns else f"given_{AGE_COLUMN}"
        columns = [*(Column(c) for c in table.columns), Column(name, "count")]
        rows = [(*row.cells, age) for row, age in zip(table.rows, ages, strict=True)]
        contents[WITH_AGES] = table_text(columns, rows)
    contents |= {t.name: table_text(t.columns, t.rows) for t in tables}
    drawn = growth_plots_of(study)
    contents |= {f"{name}.svg": svg for name, svg in drawn.items()}
    methods = {species: method_of(c) for species, c in choices.items()}
    return contents | {PAGE: growth_page(study, measured, methods, drawn, accounts)}
