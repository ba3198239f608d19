"""Every figure with its interval and the number of fish behind it, as growth.json holds them."""

from __future__ import annotations

from typing import Any

from pipeline.estimate import Estimate
from pipeline.growth.ageing_error import UnderAges
from pipeline.growth.compare import CurvesAlike
from pipeline.growth.curve_fit import CurveFit
from pipeline.growth.maturity import Maturity
from pipeline.growth.mortality import Mortality
from pipeline.growth.notes import notes_on_group, notes_on_water
from pipeline.growth.whole import AllWaters, FishGroup, Study, Water

Figures = dict[str, Any]
DIGITS = 6
"""Significant digits: more than any sample of fish can bear, and the same on every machine."""


def as_json(study: Study) -> Figures:
    """The content of growth.json."""
    return {
        "groups": [_group(g) for g in study.groups if len(g.fish) >= study.least_fish],
        "waters": [_water(w) for w in study.waters],
        "species": [_species(s) for s in study.species],
        "too_few": [{"species": s, "water": w, "n": n} for s, w, n in study.too_few],
        "least_fish": study.least_fish,
    }


def _group(g: FishGroup) -> Figures:
    first = g.under[0]
    lw = g.length_weight
    return {
        "species": g.species,
        "water": g.water,
        "sex": g.sex,
        "n": len(g.fish),
        "ages": first.ages,
        **{curve.curve.name: _curve(curve) for curve in g.curves},
        "length_weight": None
        if lw.refused
        else {
            "a": _number(lw.a.value),
            "b": _number(lw.b.value),
            "intervals": {"a": _limits(lw.a), "b": _limits(lw.b)},
            "n": lw.n,
            "r2": _number(lw.r2),
            "lengths_mm": [_number(lw.shortest_mm), _number(lw.longest_mm)],
            "form": "log10 weight (g) = a + b log10 length (mm)",
        },
        "relative_weight": None
        if g.condition is None
        else {
            "mean": _number(g.condition.mean.value),
            "intervals": {"mean": _limits(g.condition.mean)},
            "n": g.condition.n,
            "too_short": g.condition.too_short,
            "source": g.condition.standard.source,
        },
        "maturity": _maturity(first.maturity, g.mature_at_length),
        "mortality": _mortality(first.mortality),
        "ageing_error": [_under(u) for u in g.under],
        "notes": list(notes_on_group(g)),
    }


def _curve(curve: CurveFit) -> Figures | None:
    if curve.refused:
        return None
    return {
        **{name: _number(e.value) for name, e in curve.parameters.items()},
        "intervals": {name: _limits(e) for name, e in curve.parameters.items()},
        "n": curve.n,
        "sd_mm": _number(curve.sd_mm),
        "form": curve.curve.formula,
        "method": f"least squares; expanded percentile intervals of {curve.draws} bootstrap draws of fish and ages",
    }


def _maturity(over_age: Maturity, over_length: Maturity) -> Figures | None:
    if over_age.refused and over_length.refused:
        return None
    return {
        "a50": _number(over_age.half.value),
        "l50": _number(over_length.half.value),
        "intervals": {"a50": _limits(over_age.half), "l50": _limits(over_length.half)},
        "se": {"a50": _number(over_age.half_se), "l50": _number(over_length.half_se)},
        "n": {"a50": over_age.n, "l50": over_length.n},
        "method": "logit; Fieller's intervals, standard errors by the delta method",
    }


def _mortality(m: Mortality) -> Figures | None:
    if m.refused:
        return None
    return {
        "z": _number(m.z.value),
        "survival": _number(m.survival.value),
        "intervals": {"z": _limits(m.z), "survival": _limits(m.survival)},
        "n": m.n,
        "from_age": m.from_age,
        "inflation": _number(m.inflation),
        "method": "Chapman and Robson's catch curve; intervals widened by the root of the inflation",
    }


def _under(u: UnderAges) -> Figures:
    return {
        "ages": u.ages,
        "von_bertalanffy": _curve(u.curve),
        "mortality": _mortality(u.mortality),
        "a50": _number(u.maturity.half.value),
        "a50_interval": _limits(u.maturity.half),
    }


def _water(w: Water) -> Figures:
    years = w.chronology
    return {
        "species": w.species,
        "water": w.water,
        "fish": w.fish,
        "good_and_poor_years": None
        if years.refused
        else {
            "n": years.fish,
            "increments": years.increments,
            "sd_between_fish": _number(years.sd_between_fish),
            "sd_within_fish": _number(years.sd_within_fish),
            "method": "mixed model of log increments: year of life and calendar year fixed, fish random",
        },
        "lees_phenomenon": [
            {
                "annulus": x.annulus,
                "n": x.n,
                "slope_mm_a_year": _number(x.slope.value),
                "interval": _limits(x.slope),
                "shows": x.shows,
            }
            for x in w.lee
        ],
        "sexes": _alike(w.sexes_alike),
        "notes": list(notes_on_water(w)),
    }


def _species(s: AllWaters) -> Figures:
    r = s.relation
    return {
        "species": s.species,
        "waters": _alike(s.waters_alike),
        "body_bone": None
        if r is None
        else {
            "n": r.n,
            "lengths_mm": [_number(r.shortest_mm), _number(r.longest_mm)],
            "length_on_axis": [_number(r.length_on_radius.intercept), _number(r.length_on_radius.slope)],
            "axis_on_length": [_number(r.radius_on_length.intercept), _number(r.radius_on_length.slope)],
            "r2": _number(r.length_on_radius.r2),
            "fraser_lee_mm": _number(r.fraser_lee_mm),
            "fraser_lee_source": r.fraser_lee_source,
        },
    }


def _alike(c: CurvesAlike) -> Figures:
    return {
        "groups": list(c.groups),
        "n": c.n,
        "likelihood_ratio": _number(c.statistic),
        "df": c.df,
        "p": _number(c.p),
        "notes": [c.refused] if c.refused else [],
    }


def _limits(e: Estimate) -> list[float | None] | None:
    return None if e.low is None and e.high is None else [_number(e.low), _number(e.high)]


def _number(value: float | None) -> float | None:
    return None if value is None else float(f"{value:.{DIGITS}g}")
