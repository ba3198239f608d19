"""Count, capture date and margin -> edge, age class with its distribution, year class.

The rule of the trade, with a birthday on 1 January: from the birthday until this year's annulus shows, a fish is one
year older than its marks (the margin carries nearly a whole increment); once the annulus shows, as old as its marks,
and so it stays through autumn, however wide the margin. Whether the annulus has formed is not seen but inferred: from
the date (prior, `season`), from the growth beyond the last mark and from a winter zone at the margin (likelihood).
Other rules exist: Szypula (2000) adds a year to perch of November whose margin carries more than half an increment;
that is not done here.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.records import Captured, Numbers
from pipeline.settings.second_pass import SeasonSettings
from pipeline.together.season import (
    MOST_ANNULI,
    Days,
    formed_log_odds,
    margin_log_densities,
    possible_days,
    season_table,
)

NARROW_BELOW, WIDE_ABOVE = 1 / 3, 2 / 3
"""Shares of the increment expected that bound the edge classes: fixed by what the words mean, not by settings."""
LEAST_PROBABILITY = 5e-5
"""Age classes less probable than this are left out: tables have four decimals."""
_ROWS_AT_ONCE = 400_000
_OFFSETS = 3
"""A year class lies 0, 1 or 2 years before the capture year less the age class."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Margin:
    """What is known of one bone's margin, for every count it may have."""

    counts: tuple[tuple[int, float], ...]
    """(annuli, probability), at least one; together 1."""
    shares: Mapping[int, float]
    """Annuli -> growth beyond the last annulus as a share of the increment expected; missing or NaN where not known."""
    captured: Captured | None
    season: SeasonSettings


@dataclass(frozen=True, slots=True, kw_only=True)
class AgeClasses:
    """The age class of one bone."""

    probabilities: tuple[tuple[int, float], ...] = ()
    """(age class, probability) by age; empty without a date."""
    age_class: int | None = None
    """The most probable (ties: the lower); None without a date."""
    year_class: int | None = None
    edge_undecided: bool = False
    """Date and margin leave open whether this year's annulus has formed, and with it the age class."""
    by_count: tuple[tuple[int, int], ...] = ()
    """(annuli, the most probable age class if that count is right), for every count that the margin tells of."""
    formed: float | None = None
    """Probability that this year's annulus has formed, the most probable count being right; None without a date."""


# ------------------------------------------------------------------------------------------------ the margin
def edge_of(share: float, translucent: float | None, least_translucent: float) -> str:
    """`translucent`, `narrow`, `medium` or `wide`; blank when there is neither a winter zone nor a known share."""
    if translucent is not None and translucent >= least_translucent:
        return "translucent"
    if math.isnan(share):
        return ""
    return "narrow" if share < NARROW_BELOW else "medium" if share <= WIDE_ABOVE else "wide"


# ------------------------------------------------------------------------------------------------ the age class
def age_classes(margins: Sequence[Margin], least_age_probability: float) -> tuple[AgeClasses, ...]:
    """The age class of each bone, in order: thousands of bones at once.

    The count's own distribution is taken as it stands (it may have used the same margin); the margin only decides, for
    each count, whether this year's annulus is the last of the marks or still due. An incomplete date stands for all
    its days alike. `edge_undecided`: the best age class, and the margin's verdict for the most probable count, are both
    less probable than `least_age_probability`.
    """
    answers = [AgeClasses()] * len(margins)
    by_season: dict[SeasonSettings, list[tuple[int, Days]]] = {}
    for i, margin in enumerate(margins):
        if margin.captured is not None:
            days = possible_days(margin.captured, margin.season)
            by_season.setdefault(margin.season, []).append((i, days))
    for season, members in by_season.items():
        for part in _parts(members, margins):
            found = _age_classes([margins[i] for i, _ in part], [d for _, d in part], season, least_age_probability)
            for (i, _), answer in zip(part, found, strict=True):
                answers[i] = answer
    return tuple(answers)


def _parts(members: list[tuple[int, Days]], margins: Sequence[Margin]) -> Iterator[list[tuple[int, Days]]]:
    """Members in parts whose tables of (bone, count, day) stay small."""
    part: list[tuple[int, Days]] = []
    rows = 0
    for i, days in members:
        part.append((i, days))
        rows += len(margins[i].counts) * len(days.day)
        if rows > _ROWS_AT_ONCE:
            yield part
            part, rows = [], 0
    if part:
        yield part


def _age_classes(
    margins: list[Margin], days: list[Days], season: SeasonSettings, least_age_probability: float
) -> list[AgeClasses]:
    # One row a bone, count and possible day; the days of one bone and count lie together and are called a group.
    groups = [
        (bone, k, n, p, margin.shares.get(n, math.nan))
        for bone, margin in enumerate(margins)
        for k, (n, p) in enumerate(margin.counts)
    ]
    bone_g = np.array([g[0] for g in groups])
    size_g = np.array([len(d.day) for d in days])[bone_g]
    number_g, weight_g, share_g = (np.array([g[j] for g in groups]) for j in (2, 3, 4))
    starts = np.concatenate([[0], np.cumsum(size_g)[:-1]])
    group = np.repeat(np.arange(len(groups)), size_g)
    bone, number = bone_g[group], number_g[group]
    every = [days[b] for b in bone_g]
    year, day, before = (
        np.concatenate([d.year for d in every]),
        np.concatenate([d.day for d in every]),
        np.concatenate([~d.after_birthday for d in every]),
    )

    table = season_table(season)
    odds = formed_log_odds(number, day, table)
    formed, due = margin_log_densities(share_g[group], number, day, season)
    formed = formed - np.logaddexp(0.0, -odds)
    due = due - np.logaddexp(0.0, odds)
    total = np.logaddexp.reduceat(np.logaddexp(formed, due), starts)[group]
    given_count = np.exp(np.stack([formed, due]) - total)  # (formed or due, row); adds to 1 over a group
    weight = given_count * weight_g[group]

    # After the birthday a fish is as old as its marks, one older if an annulus is due; before it, one younger.
    due_marks = np.array([[0], [1]])
    age = np.maximum(number + due_marks - before, 0)
    hatched = year - number - due_marks
    ages = MOST_ANNULI + 2
    cell = bone * ages + np.minimum(age, ages - 1)
    by_age: Numbers = np.zeros((len(margins), ages))
    by_age += np.bincount(cell.ravel(), weight.ravel(), by_age.size).reshape(by_age.shape)
    by_age = by_age / by_age.sum(axis=1, keepdims=True)
    best = by_age.argmax(axis=1)
    capture_year = np.array([m.captured.year if m.captured else 0 for m in margins])
    offset = np.clip(capture_year[bone] - age - hatched, 0, _OFFSETS - 1)
    of_best = np.where(age == best[bone], weight, 0.0)
    by_offset = np.bincount((bone * _OFFSETS + offset).ravel(), of_best.ravel(), len(margins) * _OFFSETS)
    year_class = capture_year - best - by_offset.reshape(-1, _OFFSETS).argmax(axis=1)

    # groups run by bone, then by count: the most probable count of each bone (ties: the lower)
    order = np.lexsort((number_g, -weight_g, bone_g))
    modal = order[np.searchsorted(bone_g[order], np.arange(len(margins)))]
    formed_of_modal = np.add.reduceat(given_count[0], starts)[modal]
    verdict = np.maximum(formed_of_modal, 1 - formed_of_modal)
    undecided = (verdict < least_age_probability) & (by_age[np.arange(len(margins)), best] < least_age_probability)
    # within a group the age is the count, one more, or one less
    step = np.clip(age - number + 1, 0, 2)
    by_step = np.bincount((group * 3 + step).ravel(), given_count.ravel(), len(groups) * 3).reshape(-1, 3)
    by_count: list[list[tuple[int, int]]] = [[] for _ in margins]
    for (bone_n, _, annuli, *_), more in zip(groups, by_step.argmax(axis=1) - 1, strict=True):
        by_count[bone_n].append((annuli, annuli + int(more)))
    shown = np.where(by_age >= LEAST_PROBABILITY, by_age, 0.0)
    shown = shown / shown.sum(axis=1, keepdims=True)
    return [
        AgeClasses(
            probabilities=tuple((int(a), float(row[a])) for a in np.flatnonzero(row)),
            age_class=int(best[b]),
            year_class=int(year_class[b]),
            edge_undecided=bool(undecided[b]),
            by_count=tuple(by_count[b]),
            formed=float(formed_of_modal[b]),
        )
        for b, row in enumerate(shown)
    ]
