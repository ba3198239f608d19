"""How far accuracy rests on what was fitted on: a kind of scan left out, or growth and season taken away."""

from __future__ import annotations

from collections.abc import Collection, Sequence

import numpy as np
import pandas as pd

from pipeline.counting.sequence import PRIORS
from pipeline.records import Age
from pipeline.settings import Settings
from pipeline.together.second_pass import age_bones
from tests.accuracy.figures import figures, outcome_rows
from tests.accuracy.fit_count import fit_count, lessons
from tests.accuracy.folds import FOLDS, folds
from tests.accuracy.known_bones import KnownBone

KINDS = ("lighting", "species", "level", "dpi")

Set = Sequence[KnownBone]


def ages_of(known: Set, settings: Settings) -> list[Age]:
    """Ages of one set, as one run gives them."""
    bones = [(k.specimen, k.placed.reading) for k in known]
    return list(age_bones(bones, settings, [k.placed.around for k in known]))


def outcomes(sets: Sequence[Set], settings: Settings) -> pd.DataFrame:
    """One row a bone, each set aged as one run."""
    return pd.concat([outcome_rows(own, ages_of(own, settings)) for own in sets], ignore_index=True)


def without_priors(sets: Sequence[Set], teachers: Sequence[Set], settings: Settings) -> pd.DataFrame:
    """Figures with all weights and with those of growth and season held at zero, both refitted alike.

    Without teachers, the sets teach each other by cross-validation: no bone is aged by a model that saw its scan.
    """
    told = {}
    for name, held in (("with growth and season", ()), ("without", PRIORS)):
        rows = _refitted(sets, teachers, settings, held)
        told[name] = figures(rows)
        told |= {f"{name}, {level}": figures(own) for level, own in rows.groupby("level")}
    return pd.DataFrame(told).T


def left_out(kind: str, sets: Sequence[Set], teachers: Sequence[Set], settings: Settings) -> pd.DataFrame:
    """Figures of the bones of each kind, aged with numbers fitted to bones of all other kinds only; `kind` is one of
    `KINDS`. Without teachers the sets themselves teach."""
    taught = [k for own in teachers or sets for k in own]
    told = {}
    for value in sorted({_kind(k, kind) for own in sets for k in own}):
        model = fit_count(lessons([k for k in taught if _kind(k, kind) != value], settings), settings).settings
        rows = outcomes(sets, model)
        told[f"{kind} {value} left out"] = figures(rows[rows[kind] == value])
    return pd.DataFrame(told).T


def _refitted(sets: Sequence[Set], teachers: Sequence[Set], settings: Settings, held: Collection[str]) -> pd.DataFrame:
    if teachers:
        taught = lessons([k for own in teachers for k in own], settings)
        return outcomes(sets, fit_count(taught, settings, held).settings)
    every = [k for own in sets for k in own]
    fold = folds([k.scan for k in every])
    parts = []
    for out in range(FOLDS):
        taught = lessons([k for k, f in zip(every, fold, strict=True) if f != out], settings)
        parts.append(outcomes(sets, fit_count(taught, settings, held).settings)[fold == out])
    return pd.concat(parts, ignore_index=True)


def _kind(known: KnownBone, kind: str) -> str | int:
    return known.specimen.species if kind == "species" else np.asarray(getattr(known.truth, kind)).item()
