"""Is it getting worse? A reference collection, re-read by every run and by the readers, against its agreed counts."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipeline.audit.intervals import mean_difference, share
from pipeline.audit.precision import precision
from pipeline.audit.symmetry import sign_test
from pipeline.estimate import Estimate
from pipeline.records import MACHINE, Numbers

FEWEST_A_BATCH = 20
"""Readings of a person that make one point of the chart; fewer swing too much to be told from chance."""
LIMIT_SE = 3.0
"""Standard errors from the centre to a limit, as on the common control chart: a steady reader leaves it by chance about
once in 370 batches."""
STOP_SHIFT_P = 0.01
"""Sign test of the bones that changed since the first batch, below which the shift is not put down to chance."""
STOP_EXACT_DROP = 0.10
"""Fall in exact agreement since the first batch (share) that stops the work."""
STOP_CV_RATIO = 1.5
"""CV over that of the first batch that stops the work."""
STOP_NOT_AGED_RATIO = 2.0
"""Share that could not be aged over that of the first batch that stops the work."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Batch:
    """One run of the machine, or some twenty readings of one person in a row, on the reference collection."""

    reader: str
    batch: str
    bones: int
    """Of the reference collection that this batch tried."""
    aged: int
    exact: Estimate
    cv: Estimate
    mean_difference: Estimate
    """Reader minus reference, annuli."""
    low_limit: float | None
    """Limits of the mean difference if nothing has changed since the first batch; None for the first."""
    high_limit: float | None
    same_bones: int
    """Counted in the first batch too."""
    up: int
    """Of these, counted higher than in the first batch."""
    down: int
    shift_p: float | None
    """Exact sign test of up against down; None for the first batch, or without bones in common."""
    verdict: str
    """`first`, `steady`, `look` or `stop`."""
    why: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Tried:
    """What one batch made of the collection: (bone,), in one order for all batches; NaN not aged or not tried."""

    name: str
    counts: Numbers
    tried: NDArray[np.bool_]


def drift(every: pd.DataFrame, reference: pd.Series) -> tuple[Batch, ...]:
    """Batches in order, reader by reader. `every` as in `Answers`; `reference` agreed counts by specimen, no NaN."""
    mine = every[every["specimen"].isin(reference.index)]
    agreed = reference.to_numpy(np.float64)
    out: list[Batch] = []
    for reader, rows in mine.groupby("reader", sort=True):
        tried = [_tried(name, part, reference.index) for name, part in _in_batches(str(reader), rows)]
        out += [_batch(str(reader), batch, tried[0], agreed, first=i == 0) for i, batch in enumerate(tried)]
    return tuple(out)


def _in_batches(reader: str, rows: pd.DataFrame) -> list[tuple[str, pd.DataFrame]]:
    if reader == MACHINE:
        return [(str(name), part) for name, part in rows.groupby("batch", sort=False)]
    if (rows["batch"] != "").all():
        rows = rows.sort_values("batch", kind="stable")
    # A bone stands once in a batch: its next reading belongs to a later one.
    out = []
    for nth, turn in rows.groupby("nth", sort=True):
        parts = max(1, len(turn) // FEWEST_A_BATCH)
        edges = np.linspace(0, len(turn), parts + 1).astype(int).tolist()
        out += [(_span(turn.iloc[a:b], int(str(nth)), a, b), turn.iloc[a:b]) for a, b in pairwise(edges)]
    return out


def _span(part: pd.DataFrame, nth: int, start: int, end: int) -> str:
    days = part["batch"]
    if (days != "").all():
        return days.iloc[0] if days.iloc[0] == days.iloc[-1] else f"{days.iloc[0]} to {days.iloc[-1]}"
    return f"reading {nth + 1} of bones {start + 1} to {end}"


def _tried(name: str, part: pd.DataFrame, specimens: pd.Index) -> _Tried:
    part = part.drop_duplicates("specimen")
    at = specimens.get_indexer(pd.Index(part["specimen"]))
    counts = np.full(len(specimens), np.nan)
    counts[at] = part["annuli"].to_numpy(np.float64)
    tried = np.zeros(len(specimens), bool)
    tried[at] = True
    return _Tried(name, counts, tried)


def _batch(reader: str, now: _Tried, before: _Tried, agreed: Numbers, first: bool) -> Batch:
    figures, past = _figures(now, agreed), _figures(before, agreed)
    moved = now.counts - before.counts
    same, up, down = int((~np.isnan(moved)).sum()), int((moved > 0).sum()), int((moved < 0).sum())
    low, high = (None, None) if first else _limits(past.gap, figures.gap)
    p = None if first or not same else sign_test(up, down)
    right, was_right = now.counts == agreed, before.counts == agreed
    lost, gained = (int((x & ~np.isnan(moved)).sum()) for x in (was_right & ~right, right & ~was_right))
    stop, look = ([], []) if first else _worse(figures, past, sign_test(lost, gained))
    middle = figures.mean_difference.value
    if low is not None and high is not None and middle is not None and not low <= middle <= high:
        stop.append(f"mean difference {middle:+.2f} is outside the limits {low:+.2f} to {high:+.2f}")
    if p is not None and p < STOP_SHIFT_P:
        stop.append(f"{up} bones went up and {down} down since the first batch")
    elif p is not None and reader == MACHINE and up + down:
        look.append(f"{up + down} of {same} counts changed: the program, its settings or the scans did")
    return Batch(
        reader=reader,
        batch=now.name,
        bones=figures.bones,
        aged=figures.gap.size,
        exact=figures.exact,
        cv=figures.cv,
        mean_difference=figures.mean_difference,
        low_limit=low,
        high_limit=high,
        same_bones=same,
        up=up,
        down=down,
        shift_p=p,
        verdict="first" if first else "stop" if stop else "look" if look else "steady",
        why=tuple(stop + look),
    )


@dataclass(frozen=True, slots=True)
class _Figures:
    bones: int
    gap: Numbers
    exact: Estimate
    cv: Estimate
    not_aged: Estimate
    mean_difference: Estimate


def _figures(batch: _Tried, agreed: Numbers) -> _Figures:
    gap = (batch.counts - agreed)[~np.isnan(batch.counts)]
    return _Figures(
        bones=int(batch.tried.sum()),
        gap=gap,
        exact=share(int((gap == 0).sum()), gap.size),
        cv=precision(np.column_stack([batch.counts, agreed])).cv,
        not_aged=share(int((batch.tried & np.isnan(batch.counts)).sum()), int(batch.tried.sum())),
        mean_difference=mean_difference(gap),
    )


def _worse(now: _Figures, before: _Figures, lost_p: float) -> tuple[list[str], list[str]]:
    """Rules broken beyond chance, and rules broken perhaps by chance.

    Beyond chance the two batches' intervals lie apart; perhaps by chance each leaves out the other batch's value.
    `lost_p` is the sign test of bones no longer right against bones newly right.
    """
    stop: list[str] = []
    look: list[str] = []
    rules: tuple[tuple[Estimate, Estimate, Callable[[float, float], bool], str], ...] = (
        (now.exact, before.exact, lambda a, b: b - a > STOP_EXACT_DROP, "exact agreement fell from {:.0%} to {:.0%}"),
        (now.cv, before.cv, lambda a, b: a > STOP_CV_RATIO * b, "CV rose from {:.1f} to {:.1f} %"),
        (
            now.not_aged,
            before.not_aged,
            lambda a, b: a > STOP_NOT_AGED_RATIO * max(b, 1 / before.bones),
            "bones that could not be aged rose from {:.0%} to {:.0%}",
        ),
    )
    for new, old, broken, text in rules:
        if new.value is not None and old.value is not None and broken(new.value, old.value):
            if _apart(new, old) or (new is now.exact and lost_p < STOP_SHIFT_P):
                stop.append(text.format(old.value, new.value))
            elif new.excludes(old.value) and old.excludes(new.value):
                look.append(text.format(old.value, new.value))
    return stop, look


def _apart(one: Estimate, other: Estimate) -> bool:
    if one.low is None or one.high is None or other.low is None or other.high is None:
        return False
    return one.high < other.low or other.high < one.low


def _limits(before: Numbers, now: Numbers) -> tuple[float | None, float | None]:
    """Centre of the first batch, plus and minus three standard errors of this batch's mean and of the centre itself.

    The spread is that of both batches: one of twenty bones alone is too often small by chance.
    """
    n = now.size
    if before.size < 2 or n < 2:
        return None, None
    squares = ((before - before.mean()) ** 2).sum() + ((now - now.mean()) ** 2).sum()
    spread = float(np.sqrt(squares / (before.size + n - 2)))
    if spread == 0:
        # No difference seen yet is no proof of none: take the most that so many equal differences leave open.
        high = share(0, before.size + n).high
        assert high is not None
        spread = float(np.sqrt(high))
    half = LIMIT_SE * spread * float(np.sqrt(1 / n + 1 / before.size))
    return float(before.mean()) - half, float(before.mean()) + half
