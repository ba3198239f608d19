"""The page of an audit: one HTML file that needs nothing beside it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import groupby
from pathlib import Path

import numpy as np
from jinja2 import Environment, FileSystemLoader, StrictUndefined

from pipeline.audit import words
from pipeline.audit.figures import COMPARISON, PRECISION
from pipeline.audit.reference import CONSENSUS
from pipeline.audit.verdict import CAUTION, Statement, headline
from pipeline.audit.whole import AgainstReference, Audit
from pipeline.pages.audit_plots import difference_by_age, drift_chart, reliability
from pipeline.records import MACHINE

MOST_PAIRS = 30
"""Pairs of readers on the page; the tables hold them all."""
MOST_DIFFERING = 200
"""Bones with differing counts on the page, the widest apart first."""
MOST_UNKNOWN = 10
"""Unknown specimens named on the page; the table holds them all."""

_TEMPLATES = Environment(
    loader=FileSystemLoader(Path(__file__).with_name("templates")),
    autoescape=True,
    undefined=StrictUndefined,
)
_TEMPLATES.filters["unbroken"] = lambda text: text.replace(" %", "\N{NO-BREAK SPACE}%")


def plots(audit: Audit) -> dict[str, str]:
    """Every plot there is something to show in, as SVG, by name."""
    out = {}
    shown = _shown(audit)
    if shown:
        out["difference"] = difference_by_age(shown)
    if audit.triage and audit.triage.bins:
        out["reliability"] = reliability(audit.triage.bins)
    for i, (_, batches) in enumerate(groupby(audit.drift, key=lambda b: b.reader)):
        series = list(batches)
        if len(series) > 1:
            out[f"drift-{i + 1}"] = drift_chart(series)
    return out


@dataclass(frozen=True, slots=True, kw_only=True)
class Made:
    """What the audit was made from."""

    on: str
    """Day, YYYY-MM-DD."""
    readings: tuple[str, ...]
    """Names of the tables."""
    runs: tuple[str, ...]
    """Each in words: name, when it was finished, with what."""
    warnings: tuple[str, ...] = ()
    pictures: Mapping[str, str] = field(default_factory=dict)
    """Specimen to the address of its picture, beside the page."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Differing:
    """One bone on which people or machine differ."""

    specimen: str
    picture: str
    """Address; blank when there is none."""
    counts: tuple[str, ...]
    """In the order of the readers; blank where there is none."""


def differing(audit: Audit, pictures: Mapping[str, str]) -> list[Differing]:
    """Bones with two counts at least that are not all the same, those that differ most first."""
    counts = audit.answers.counts
    spread = np.array([np.ptp(row[~np.isnan(row)]) if (~np.isnan(row)).any() else 0 for row in counts])
    order = sorted(np.flatnonzero(spread > 0).tolist(), key=lambda b: (-spread[b], audit.answers.specimens[b]))
    return [
        Differing(
            specimen=audit.answers.specimens[b],
            picture=pictures.get(audit.answers.specimens[b], ""),
            counts=tuple("" if np.isnan(n) else f"{n:.0f}" for n in counts[b]),
        )
        for b in order
    ]


def audit_page(audit: Audit, statements: Sequence[Statement], drawn: dict[str, str], made: Made) -> str:
    """The page as HTML text. `drawn` as `plots` gives it."""
    differ = differing(audit, made.pictures)
    shown = _shown(audit)
    table = shown.comparison.table if shown else None
    pairs = sorted(audit.pairs, key=lambda c: (c.b != MACHINE, -c.n))
    m = audit.matrix
    return _TEMPLATES.get_template("audit.html").render(
        audit=audit,
        headline=headline(statements),
        statements=statements,
        caution=CAUTION,
        notes=notes(audit),
        made=made,
        readers=audit.answers.readers,
        differ=differ[:MOST_DIFFERING],
        more_differ=max(0, len(differ) - MOST_DIFFERING),
        words=words,
        precision=PRECISION,
        comparison=COMPARISON,
        reference=f"the {audit.reference}" if audit.reference in CONSENSUS.values() else audit.reference,
        consensus=audit.reference in CONSENSUS.values(),
        against=audit.against,
        pairs=pairs[:MOST_PAIRS],
        more_pairs=max(0, len(pairs) - MOST_PAIRS),
        shown=shown,
        plots={"difference": drawn.get("difference"), "reliability": drawn.get("reliability")},
        labels=[] if shown is None or table is None else [shown.comparison.lowest + i for i in range(len(table))],
        counts=[] if table is None else table.tolist(),
        column_sums=[] if table is None else table.sum(axis=0).tolist(),
        drift=[
            (reader, list(batches), drawn.get(f"drift-{i + 1}"))
            for i, (reader, batches) in enumerate(groupby(audit.drift, key=lambda b: b.reader))
        ],
        matrix_rows=[]
        if m is None
        else [
            {"age": int(age), "n": int(n), "mean": float(mean), "sd": float(sd), "same": float(row[age - m.counts[0]])}
            for age, n, mean, sd, row in zip(
                m.reference_ages, m.seen.sum(axis=1), m.mean, m.sd, m.probability, strict=True
            )
        ],
    )


def notes(audit: Audit) -> list[str]:
    """What is odd about the tables, a sentence each."""
    unknown = audit.answers.unknown
    out = list(audit.answers.notes)
    if unknown:
        named = words.listed([*unknown[:MOST_UNKNOWN], *(["others"] if len(unknown) > MOST_UNKNOWN else [])])
        out.append(
            f"{words.number(len(unknown), 'specimen')} that people read "
            f"{'is' if len(unknown) == 1 else 'are'} in none of the runs and cannot be compared with the machine: "
            f"{named}. All are in not_in_runs.csv."
        )
    return out


def _shown(audit: Audit) -> AgainstReference | None:
    """The machine against the reference, else the first reader with bones in common."""
    return audit.machine or next((g for g in audit.against if g.comparison.n), None)
