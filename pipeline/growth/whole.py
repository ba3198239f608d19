"""The whole study, in order: from fish to every figure that the page shows."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.fish_records import Fish
from pipeline.growth.age_length_key import Key, age_length_key
from pipeline.growth.ageing_error import UnderAges, best_way, under_ages, ways_to_take_ages
from pipeline.growth.ages import Ages, ReadingError
from pipeline.growth.back_calculation import METHODS, Method
from pipeline.growth.body_bone import BodyBone, body_bone
from pipeline.growth.compare import CurvesAlike, Difference, curves_alike, differences
from pipeline.growth.curve_fit import CurveDemands, CurveFit, Tick, curve_fit
from pipeline.growth.curves import GOMPERTZ, LINE
from pipeline.growth.increments import YearOfLife, by_year_of_life, histories
from pipeline.growth.key_smoothing import smoothed
from pipeline.growth.lee import Lee, lee
from pipeline.growth.lengths_at_age import EarlierLengths, LengthAtAge, at_capture, earlier_lengths, from_marks
from pipeline.growth.maturity import Maturity, maturity
from pipeline.growth.size_condition import Condition, LengthWeight, StandardWeight, condition, length_weight
from pipeline.growth.suspects import Suspect, suspects
from pipeline.growth.year_effects import Chronology, chronology

ALL = "all"
SEXES = ("F", "M", "U")


@dataclass(frozen=True, slots=True, kw_only=True)
class Choices:
    """What a lab decides, for one species."""

    limits: CurveDemands
    bin_mm: float
    """Width of a length class of the key."""
    smooth_key: bool
    back_calculation: str
    """Name of the method that the page shows."""
    bone_begins_mm: float | None
    bone_begins_source: str
    after_peak: int
    """Years after the commonest age from which the catch curve counts."""
    standard_weight: StandardWeight | None


@dataclass(frozen=True, slots=True, kw_only=True)
class FishGroup:
    """The fish of one species, water and sex."""

    species: str
    water: str
    sex: str
    """`F`, `M`, `U` or `all`."""
    fish: tuple[Fish, ...]
    """Those with an age."""
    under: tuple[UnderAges, ...]
    """Ages taken in every way there is; the first is the one that the group's own figures rest on."""
    curves: tuple[CurveFit, ...]
    """Von Bertalanffy's, Gompertz's and the straight line."""
    lengths: tuple[LengthAtAge, ...]
    """At capture, then from the marks."""
    length_weight: LengthWeight
    condition: Condition | None
    mature_at_length: Maturity


@dataclass(frozen=True, slots=True, kw_only=True)
class Water:
    """What is asked of all fish of one species in one water."""

    species: str
    water: str
    fish: int
    without_age: int
    by_method: Mapping[str, tuple[EarlierLengths, ...]]
    """Lengths at earlier ages by every method that can be used."""
    lee: tuple[Lee, ...]
    years_of_life: tuple[YearOfLife, ...]
    chronology: Chronology
    suspects: tuple[Suspect, ...]
    two_at_one_place: tuple[str, ...]
    """Fish with two annuli at one place, which have no increments."""
    key: Key | None
    """None without fish that have length and age."""
    sexes_alike: CurvesAlike
    sexes: tuple[Difference, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class AllWaters:
    """What is asked of one species over all waters."""

    species: str
    relation: BodyBone | None
    waters_alike: CurvesAlike
    waters: tuple[Difference, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Study:
    """Everything that was found."""

    groups: tuple[FishGroup, ...]
    waters: tuple[Water, ...]
    species: tuple[AllWaters, ...]
    too_few: tuple[tuple[str, str, int], ...]
    """(species, water, fish with an age) of waters with too few fish for any group. They are in `groups` and `waters`
    all the same, for their lengths and their key."""
    least_fish: int
    """Fish that a group takes."""

    def waters_with_figures(self) -> tuple[Water, ...]:
        """Those with enough fish."""
        few = {(species, water) for species, water, _ in self.too_few}
        return tuple(w for w in self.waters if (w.species, w.water) not in few)


def studied(
    fish: Sequence[Fish], choices: Mapping[str, Choices], matrix: ReadingError | None, tick: Tick = lambda: None
) -> Study:
    """All of it. `choices` has an entry for every species; `tick` is called once for every bootstrap draw."""
    relations = {s: _relation(s, fish, choices[s]) for s in sorted({f.species for f in fish})}
    groups, waters, too_few = [], [], []
    for (species, water), here in _by_water(fish).items():
        mine = choices[species]
        aged = [f for f in here if f.age_class is not None]
        if len(aged) < mine.limits.least_fish:
            too_few.append((species, water, len(aged)))
        if not aged:
            continue
        found = _water(species, water, here, mine, relations[species])
        shown = found.by_method.get(mine.back_calculation, ())
        waters.append(found)
        groups += [_group(species, water, sex, own, mine, matrix, shown, tick) for sex, own in _sexes(here, mine)]
    few = {(species, water) for species, water, _ in too_few}
    return Study(
        groups=tuple(groups),
        waters=tuple(waters),
        species=tuple(
            _species(s, relation, [f for f in fish if f.species == s and (s, f.water) not in few])
            for s, relation in relations.items()
        ),
        too_few=tuple(too_few),
        least_fish=min((c.limits.least_fish for c in choices.values()), default=0),
    )


def draws(fish: Sequence[Fish], choices: Mapping[str, Choices], matrix: ReadingError | None) -> int:
    """How often `studied` will call its tick."""
    total = 0
    for (species, _), here in _by_water(fish).items():
        mine = choices[species]
        if any(f.age_class is not None for f in here):
            for _, own in _sexes(here, mine):
                ways = ways_to_take_ages([f for f in own if f.age_class is not None], matrix)
                total += mine.limits.draws * (len(ways) + 2)
    return total


def method_of(choices: Choices) -> Method:
    """The method of back-calculation that the page shows."""
    return next(m for m in METHODS if m.name == choices.back_calculation)


def _by_water(fish: Sequence[Fish]) -> dict[tuple[str, str], list[Fish]]:
    out: dict[tuple[str, str], list[Fish]] = {}
    for f in sorted(fish, key=lambda f: (f.species, f.water, f.fish)):  # in one order, however the tables were given
        out.setdefault((f.species, f.water), []).append(f)
    return out


def _sexes(here: Sequence[Fish], choices: Choices) -> list[tuple[str, list[Fish]]]:
    """Every sex with enough fish, and all together."""
    parts = [(sex, [f for f in here if f.sex == sex]) for sex in SEXES]
    enough = [p for p in parts if sum(f.age_class is not None for f in p[1]) >= choices.limits.least_fish]
    return [*enough, (ALL, list(here))]


def _relation(species: str, fish: Sequence[Fish], choices: Choices) -> BodyBone | None:
    own = [f for f in fish if f.species == species]
    return body_bone(species, own, choices.bone_begins_mm, choices.bone_begins_source)


def _group(
    species: str,
    water: str,
    sex: str,
    own: Sequence[Fish],
    choices: Choices,
    matrix: ReadingError | None,
    earlier: Sequence[EarlierLengths],
    tick: Tick,
) -> FishGroup:
    aged = [f for f in own if f.age_class is not None]
    ways = ways_to_take_ages(aged, matrix)
    first = best_way(ways)
    order = [first, *(name for name in ways if name != first)]
    under = tuple(under_ages(name, ways[name], aged, choices.limits, choices.after_peak, tick) for name in order)
    long = np.array([bool(f.length_mm) for f in aged], bool)
    length = np.array([f.length_mm for f in aged if f.length_mm], np.float64)
    measured = Ages(ages=ways[first].ages, chance=ways[first].chance[long])
    others = tuple(curve_fit(curve, length, measured, choices.limits, tick) for curve in (GOMPERTZ, LINE))
    names = {f.fish for f in own}
    with_maturity = [f for f in own if f.length_mm and f.maturity in ("immature", "mature")]
    return FishGroup(
        species=species,
        water=water,
        sex=sex,
        fish=tuple(aged),
        under=under,
        curves=(under[0].curve, *others),
        lengths=(*at_capture(aged), *from_marks([e for e in earlier if e.fish.fish in names])),
        length_weight=length_weight(own),
        condition=None if choices.standard_weight is None else condition(own, choices.standard_weight),
        mature_at_length=maturity(
            "length",
            np.array([f.length_mm for f in with_maturity], np.float64),
            np.array([f.maturity == "mature" for f in with_maturity], np.float64),
        ),
    )


def _water(species: str, water: str, here: Sequence[Fish], choices: Choices, relation: BodyBone | None) -> Water:
    by_method = {m.name: found for m in METHODS if (found := earlier_lengths(here, m, relation))}
    grown, doubled = histories(here)
    years = chronology(species, water, grown)
    keyed = [f for f in here if f.length_mm and f.age_class is not None]
    key = age_length_key(species, water, keyed, choices.bin_mm) if keyed else None
    by_sex = {sex: [f for f in here if f.sex == sex] for sex in ("F", "M")}
    return Water(
        species=species,
        water=water,
        fish=len(here),
        without_age=sum(f.age_class is None for f in here),
        by_method=by_method,
        lee=lee(by_method.get(choices.back_calculation, ())),
        years_of_life=by_year_of_life(grown),
        chronology=years,
        suspects=suspects(grown, years),
        two_at_one_place=doubled,
        key=smoothed(key) if key and choices.smooth_key else key,
        sexes_alike=curves_alike({"females": by_sex["F"], "males": by_sex["M"]}),
        sexes=differences(by_sex),
    )


def _species(species: str, relation: BodyBone | None, fish: Sequence[Fish]) -> AllWaters:
    waters = {water: here for (_, water), here in _by_water(fish).items()}
    return AllWaters(species=species, relation=relation, waters_alike=curves_alike(waters), waters=differences(waters))
