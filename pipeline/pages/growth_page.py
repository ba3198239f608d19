"""The page of a growth study: one HTML file that needs nothing beside it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from jinja2 import Environment, FileSystemLoader, StrictUndefined

from pipeline.growth.age_length_key import Key
from pipeline.growth.back_calculation import METHODS, Method
from pipeline.growth.body_bone import BodyBone
from pipeline.growth.lengths_at_age import EarlierLengths, from_marks
from pipeline.growth.measured import MeasuredCatch
from pipeline.growth.notes import CAUTION, notes_on_group, notes_on_water
from pipeline.growth.suspects import LEAST_GAIN
from pipeline.growth.whole import ALL, FishGroup, Study, Water
from pipeline.growth.words import SEXES, between_waters, number, paragraph, place, sentence
from pipeline.pages import growth_plots
from pipeline.pages.growth_plots import WATER_STYLES

MOST_SUSPECTS = 12
"""On the page; the table holds them all."""
AGES_FROM_MARKS = 3
"""Ages at which the table of methods shows a mean length: there the methods differ most."""

_TEMPLATES = Environment(
    loader=FileSystemLoader(Path(__file__).with_name("templates")),
    autoescape=True,
    undefined=StrictUndefined,
)
_TEMPLATES.filters["figure"] = number
_TEMPLATES.filters["sentence"] = sentence


@dataclass(frozen=True, slots=True, kw_only=True)
class MethodRow:
    """One line of the table that explains the choice of a method."""

    method: Method
    shown: bool
    """This method's lengths are those of the page."""
    n: int
    means: tuple[float | None, ...]
    """Mean length (mm) at ages 1, 2, ...; None without fish."""


def growth_plots_of(study: Study) -> dict[str, str]:
    """Every plot there is something to show in, as SVG, by name."""
    out = {}
    for i, w in enumerate(study.waters_with_figures(), 1):
        groups = groups_of(study, w)
        out[f"length-at-age-{i}"] = growth_plots.length_at_age(groups)
        out[f"maturity-{i}"] = growth_plots.maturity_curves(groups)
        if w.years_of_life:
            out[f"increments-{i}"] = growth_plots.increments_by_year_of_life(w.years_of_life)
        if not w.chronology.refused:
            out[f"years-{i}"] = growth_plots.good_and_poor_years(w.chronology)
    for i, s in enumerate(study.species, 1):
        groups = [
            g for g in study.groups if g.species == s.species and g.sex == ALL and len(g.fish) >= study.least_fish
        ]
        if 1 < len(groups) <= len(WATER_STYLES):
            out[f"waters-{i}"] = growth_plots.waters_side_by_side(groups)
    return {name: text for name, text in out.items() if text}


def growth_page(
    study: Study,
    measured: Sequence[MeasuredCatch],
    methods: Mapping[str, Method],
    drawn: Mapping[str, str],
    accounts: Sequence[str],
) -> str:
    """The page as HTML text. `methods` has the method of back-calculation of each species, `drawn` as above."""
    relations = {s.species: s.relation for s in study.species}
    return _TEMPLATES.get_template("growth.html").render(
        study=study,
        caution=CAUTION,
        accounts=accounts,
        waters=[
            {
                "water": w,
                "groups": groups_of(study, w),
                "paragraph": paragraph(study, w),
                "notes": notes_on_water(w),
                "group_notes": group_notes(groups_of(study, w)),
                "methods": method_rows(w.by_method, methods[w.species]),
                "relation": relations[w.species],
                "key": key_rows(w.key) if w.key else [],
                "suspects": w.suspects[:MOST_SUSPECTS],
                "more_suspects": max(0, len(w.suspects) - MOST_SUSPECTS),
                **{name: drawn.get(f"{name}-{i}") for name in ("length-at-age", "increments", "years", "maturity")},
            }
            for i, w in enumerate(study.waters_with_figures(), 1)
        ],
        side_by_side=[
            {"species": s, "words": between_waters(s), "plot": drawn.get(f"waters-{i}")}
            for i, s in enumerate(study.species, 1)
        ],
        measured=measured,
        sexes=SEXES,
        least_gain=LEAST_GAIN,
        ages_from_marks=AGES_FROM_MARKS,
        zip=zip,
        place=place,
    )


def groups_of(study: Study, water: Water) -> list[FishGroup]:
    """The groups of one species in one water."""
    return [g for g in study.groups if (g.species, g.water) == (water.species, water.water)]


def group_notes(groups: Sequence[FishGroup]) -> list[tuple[str, str]]:
    """Each note once, with the groups it is about."""
    about: dict[str, list[str]] = {}
    for g in groups:
        for note in notes_on_group(g):
            about.setdefault(note, []).append(SEXES[g.sex])
    return [(note, ", ".join(whom)) for note, whom in about.items()]


def method_rows(by_method: Mapping[str, Sequence[EarlierLengths]], shown: Method) -> list[MethodRow]:
    """Every method, with the mean lengths it gives and the fish it can be used on."""
    out = []
    for method in METHODS:
        earlier = by_method.get(method.name, ())
        at = {x.age_class: x.mean.value for x in from_marks(earlier)}
        means = tuple(at.get(age) for age in range(1, AGES_FROM_MARKS + 1))
        out.append(MethodRow(method=method, shown=method is shown, n=len(earlier), means=means))
    return out


def key_rows(key: Key) -> list[dict[str, object]]:
    """One line of the heat table a length class: its lower end, its aged fish, and the share of each age."""
    return [
        {
            "lower": float(lower),
            "n": float(n),
            "shares": [None if not np.isfinite(x) else float(x) for x in row],
        }
        for lower, n, row in zip(key.lower_mm, key.fish, key.share, strict=True)
    ]


def relation_words(relation: BodyBone) -> str:
    """The relation of bone and body in a sentence."""
    line = relation.length_on_radius
    narrow = "; they differ too little in length for its intercept to be more than a guess" if relation.narrow else ""
    return (
        f"length (mm) = {line.intercept:.1f} + {line.slope:.2f} axis (mm), r² {line.r2:.2f}, of {relation.n} fish of "
        f"{relation.shortest_mm:.0f} to {relation.longest_mm:.0f} mm{narrow}"
    )


def rounded(value: float, digits: int) -> str:
    """Decimals of a figure; zero has no sign."""
    return f"{value:z.{digits}f}"


_TEMPLATES.filters["relation"] = relation_words
_TEMPLATES.filters["rounded"] = rounded
