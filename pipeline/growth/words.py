"""A paragraph in plain words for each water. No sentence says more than its interval: a difference is called one only
where the interval leaves zero outside."""

from __future__ import annotations

from collections.abc import Sequence

from pipeline.estimate import Estimate
from pipeline.growth.compare import CurvesAlike, Difference
from pipeline.growth.curves import VON_BERTALANFFY
from pipeline.growth.lengths_at_age import CAPTURE
from pipeline.growth.whole import ALL, AllWaters, FishGroup, Study, Water
from pipeline.records import MACHINE

SEXES = {"F": "females", "M": "males", "U": "fish of unknown sex", ALL: "all fish"}
P = 0.05
LEAST_FOR_A_MEAN = 5
"""Fish of an age, of fewer of which no mean length is given."""


def paragraph(study: Study, water: Water) -> list[str]:
    """Sentences on one species in one water with enough fish for figures."""
    groups = [g for g in study.groups if (g.species, g.water) == (water.species, water.water)]
    everyone = next(g for g in groups if g.sex == ALL)
    by_sex = [g for g in groups if g.sex in ("F", "M")] or [everyone]
    return [
        _fish(everyone, groups),
        *_growth(by_sex),
        *_sexes(water),
        *_maturity(by_sex),
        *_mortality(everyone),
        *_years(water),
        *_lee(water),
    ]


def between_waters(species: AllWaters) -> list[str]:
    """Sentences on the waters of one species side by side."""
    if len(species.waters_alike.groups) < 2:
        return []
    return [*_alike(species.waters_alike, "fish of different waters"), *_apart(species.waters, {})]


def number(e: Estimate, unit: str, digits: int = 0) -> str:
    """A figure with its interval."""
    if e.value is None:
        return "not known"
    low, high = (None if x is None else f"{x:z.{digits}f}" for x in (e.low, e.high))
    text = f"{e.value:z.{digits}f}{unit}"
    if low is None and high is None:
        return f"{text} (no interval)"
    return f"{text} ({low or 'no lower limit'} to {high or 'no upper limit'})"


def place(species: str, water: str) -> str:
    """Species and water, also where a table does not tell them."""
    return f"{species or 'fish without a species'} in {water or 'an unnamed water'}"


def sentence(words: str) -> str:
    """The words with a capital letter first; names within keep theirs."""
    return words[:1].upper() + words[1:]


def _fish(everyone: FishGroup, groups: Sequence[FishGroup]) -> str:
    ages = [f.age_class for f in everyone.fish if f.age_class is not None]
    sexes = [f"{len(g.fish)} {SEXES[g.sex]}" for g in groups if g.sex != ALL]
    machine = sum(f.counted_by == MACHINE for f in everyone.fish)
    flagged = sum(f.counted_by == MACHINE and f.review for f in everyone.fish)
    out = f"{len(ages)} fish of {min(ages)} to {max(ages)} years have an age"
    out += f", among them {_listed(sexes)}" if sexes else ""
    out += f"; {_counted(machine, 'age is', 'ages are')} the machine's" if machine else ""
    return out + (f", and {_counted(flagged, 'waits', 'wait')} for a person to look." if flagged else ".")


def _growth(groups: Sequence[FishGroup]) -> list[str]:
    out = []
    for g in groups:
        whom = sentence(SEXES[g.sex])
        curve = g.curves[0]
        at = [x for x in g.lengths if x.source == CAPTURE and x.n >= LEAST_FOR_A_MEAN]
        common = max(at, key=lambda x: (x.n, -x.age_class), default=None)
        parts = []
        if common is not None:
            parts.append(
                f"are {number(common.mean, ' mm')} long at {common.age_class} years on average ({common.n} fish)"
            )
        if not curve.refused:
            linf = curve.parameters[VON_BERTALANFFY.parameters[0]]
            parts.append(f"approach {number(linf, ' mm')} by the curve of {curve.n} fish")
        if parts:
            out.append(f"{whom} {' and '.join(parts)}.")
        if curve.refused:
            out.append(f"{whom}: {curve.refused}.")
    return out


def _sexes(water: Water) -> list[str]:
    names = {"F": "females", "M": "males"}
    return [*_alike(water.sexes_alike, "females and males"), *_apart(water.sexes, names)]


def _alike(c: CurvesAlike, whom: str) -> list[str]:
    if c.refused:
        return [f"Whether {whom} grow alike cannot be said: {c.refused}."]
    p = "p < 0.001" if c.p is not None and c.p < 0.001 else f"p = {c.p:.3f}"
    if c.p is not None and c.p < P:
        return [f"{sentence(whom)} do not grow alike ({c.n} fish, likelihood ratio, {p})."]
    return [f"No difference in growth between {whom} is shown ({c.n} fish, likelihood ratio, {p}); it may be there."]


def _apart(rows: Sequence[Difference], names: dict[str, str]) -> list[str]:
    """The age at which two groups differ most plainly, where that holds for all ages looked at."""
    out = []
    for pair in dict.fromkeys((d.a, d.b) for d in rows):
        sure = [d for d in rows if (d.a, d.b) == pair and d.p_adjusted < P]
        if sure:
            d = min(sure, key=lambda d: (d.p_adjusted, d.age_class))
            a, b = (names.get(x, f"fish of {x}") for x in pair)
            gap = d.difference_mm
            longer, shorter = (b, a) if (gap.value or 0) > 0 else (a, b)
            size = Estimate(abs(gap.value or 0), *sorted((abs(gap.low or 0), abs(gap.high or 0))))
            out.append(
                f"At {d.age_class} years {longer} are {number(size, ' mm')} longer than {shorter} "
                f"({d.n_a} and {d.n_b} fish)."
            )
    return out


def _maturity(groups: Sequence[FishGroup]) -> list[str]:
    out = []
    for g in groups:
        age, length = g.under[0].maturity, g.mature_at_length
        parts = [
            f"{number(e.half, unit, digits)} ({e.n} fish)"
            for e, unit, digits in ((age, " years", 1), (length, " mm", 0))
            if e.half.low is not None and e.half.high is not None
        ]
        whom = SEXES[g.sex]
        if parts:
            out.append(f"Half of the {whom.removeprefix('all ')} are mature at {' and at '.join(parts)}.")
        elif age.refused:
            out.append(f"{sentence(whom)}: {age.refused}.")
        else:
            out.append(f"These {age.n} fish do not show at what age and length {whom} mature.")
    return out


def _mortality(everyone: FishGroup) -> list[str]:
    m = everyone.under[0].mortality
    if m.refused:
        return [f"{sentence(m.refused)}."]
    survive = f"a share of {number(m.survival, '', 2)} survives a year"
    if_even = "if year classes are even and all are caught alike"
    return [f"Of fish of {m.from_age} years and older {survive} ({m.n} fish), {if_even}."]


def _years(water: Water) -> list[str]:
    if water.chronology.refused:
        return []
    good = [str(y.year) for y in water.chronology.years if y.effect.low is not None and y.effect.low > 0]
    poor = [str(y.year) for y in water.chronology.years if y.effect.high is not None and y.effect.high < 0]
    if not good and not poor:
        return [f"No year stands out for growth among {len(water.chronology.years)}."]
    parts = [f"good in {_listed(good)}" if good else "", f"poor in {_listed(poor)}" if poor else ""]
    chance = f"{water.chronology.fish} fish; by chance alone one year in twenty stands out"
    return [f"Growth was {' and '.join(x for x in parts if x)} ({chance})."]


def _lee(water: Water) -> list[str]:
    shown = [x for x in water.lee if x.shows]
    if not shown:
        return []
    x = shown[0]
    size = Estimate(-(x.slope.value or 0), *sorted((-(x.slope.low or 0), -(x.slope.high or 0))))
    by = f"{number(size, ' mm', 1)} at annulus {x.annulus} for each year of age"
    return [
        f"Fish that were caught old were smaller when young, by {by} ({x.n} fish; Lee's phenomenon).",
        "Lengths from the marks of old fish are then too small for fish that are young now.",
    ]


def _counted(number: int, one: str, many: str) -> str:
    return f"{number} {one if number == 1 else many}"


def _listed(words: Sequence[str]) -> str:
    return " and ".join([", ".join(words[:-1]), words[-1]]) if len(words) > 1 else "".join(words)
