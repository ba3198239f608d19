"""Readings and machine ages brought into one table: a row a bone, a column a reader."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipeline.names import folded
from pipeline.records import MACHINE, Numbers, Reading

ABOUT = ("fish", "species", "water", "side", "review", "confidence", "reference")
"""What the audit uses of ages.csv; `side` and `reference` only if the specimens table has them."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RunAges:
    """The machine's results of one run."""

    name: str
    ages: pd.DataFrame
    """One row a bone with the columns of ages.csv; `annuli` and `confidence` numbers or NaN, `review` True or False."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Answers:
    """Everybody's first answer for every bone."""

    specimens: tuple[str, ...]
    readers: tuple[str, ...]
    """By name, the machine last."""
    counts: Numbers
    """(bone, reader): annuli of the earliest reading; NaN where there is none, or it is no count."""
    tried: NDArray[np.bool_]
    """(bone, reader): there is a reading, with a count or without."""
    every: pd.DataFrame
    """All readings, repeats too: specimen, reader, annuli (NaN: could not be aged), nth (0 the earliest), batch (the
    run for the machine, the day it was read for people, or blank)."""
    about: pd.DataFrame
    """(bone,): the columns of `ABOUT`, by specimen, in the order of `specimens`; NaN where no run tells."""
    runs: tuple[str, ...]
    unknown: tuple[str, ...]
    """Specimens that people read and none of the runs holds; empty when there is no run."""
    notes: tuple[str, ...]
    """What is odd about the tables, a sentence each."""

    def column(self, reader: str) -> int:
        """Position of a reader among the columns."""
        return self.readers.index(reader)

    @property
    def people(self) -> tuple[str, ...]:
        """The readers but the machine."""
        return tuple(r for r in self.readers if r != MACHINE)


def gather(readings: Sequence[Reading], runs: Sequence[RunAges]) -> Answers:
    """Line up all readings by bone.

    A reader's earliest reading counts: by `read_on` where every reading of that bone by that reader has a day, else in
    the order of the files. The machine's earliest is that of the first run given.
    """
    every = _with_repeats_numbered(_people(readings), [_machine(run) for run in runs])
    about = _about(runs)
    readers = tuple(sorted(set(every["reader"]) - {MACHINE}))
    readers += (MACHINE,) if MACHINE in set(every["reader"]) else ()
    specimens = pd.Index(every["specimen"].unique())
    first = every[every["nth"] == 0]
    rows = specimens.get_indexer(pd.Index(first["specimen"]))
    columns = pd.Index(readers).get_indexer(pd.Index(first["reader"]))
    counts = np.full((len(specimens), len(readers)), np.nan)
    counts[rows, columns] = first["annuli"]
    tried = np.zeros(counts.shape, bool)
    tried[rows, columns] = True
    known = specimens.isin(about.index)
    return Answers(
        specimens=tuple(specimens),
        readers=readers,
        counts=counts,
        tried=tried,
        every=every,
        about=about.reindex(specimens),
        runs=tuple(run.name for run in runs),
        unknown=tuple(specimens[~known]) if runs else (),
        notes=_notes(readers, counts, tried, runs),
    )


def _people(readings: Sequence[Reading]) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "specimen": pd.Series([r.specimen for r in readings], dtype=object),
            "reader": pd.Series([r.reader for r in readings], dtype=object),
            "annuli": np.array([np.nan if r.annuli is None else r.annuli for r in readings], np.float64),
            "batch": pd.Series([r.read_on for r in readings], dtype=object),
        }
    )


def _machine(run: RunAges) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "specimen": run.ages["specimen"].astype(object),
            "reader": MACHINE,
            "annuli": run.ages["annuli"].astype(np.float64),
            "batch": run.name,
        }
    )


def _with_repeats_numbered(people: pd.DataFrame, machine: list[pd.DataFrame]) -> pd.DataFrame:
    every = pd.concat([people, *machine], ignore_index=True)
    by_whom = [every["specimen"], every["reader"]]
    dated = (every["batch"] != "").groupby(by_whom, sort=False).transform("all") & (every["reader"] != MACHINE)
    day = every["batch"].where(dated, "").to_numpy(str)
    earliest_first = every.iloc[np.argsort(day, kind="stable")]
    every["nth"] = earliest_first.groupby(["specimen", "reader"], sort=False).cumcount()
    return every


def _about(runs: Sequence[RunAges]) -> pd.DataFrame:
    frames = [run.ages.reindex(columns=["specimen", *ABOUT]).astype(object) for run in runs]
    if not frames:
        return pd.DataFrame(columns=list(ABOUT), index=pd.Index([], name="specimen"))
    return pd.concat(frames, ignore_index=True).drop_duplicates("specimen").set_index("specimen")


def _notes(
    readers: tuple[str, ...], counts: Numbers, tried: NDArray[np.bool_], runs: Sequence[RunAges]
) -> tuple[str, ...]:
    notes = []
    people = [r for r in readers if r != MACHINE]
    if not people:
        notes.append("The tables hold no readings by people, so nothing can be said about agreement.")
    if len(people) == 1 and MACHINE not in readers:
        notes.append(f"All readings are by {people[0]}: agreement needs a second reader, or a run of the machine.")
    alike: dict[str, list[str]] = {}
    for name in readers:
        alike.setdefault(folded(name.strip()), []).append(name)
    notes += [
        f"{' and '.join(names)} are taken as different readers; write the name in one way if they are one person."
        for names in alike.values()
        if len(names) > 1
    ]
    for j, name in enumerate(readers):
        aged = counts[:, j][~np.isnan(counts[:, j])]
        if tried[:, j].any() and not aged.size:
            notes.append(f"{name} gives no count for any bone.")
        elif aged.size > 1 and (aged == aged[0]).all():
            notes.append(f"{name} gives the count {aged[0]:.0f} for every bone, which cannot show whether ages agree.")
    empty = [run.name for run in runs if run.ages.empty]
    notes += [f"The run {name} holds no bones." for name in empty]
    return tuple(notes)
