"""Every figure of a comparison, once: its name, what it is called on the page, its kind, and how it is found.

`agreement.json`, the tables and the page go through these in order; a new figure is a new line here.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Generic, Literal, TypeVar

from pipeline.audit.comparison import Comparison
from pipeline.audit.precision import Precision
from pipeline.audit.symmetry import Test
from pipeline.estimate import Estimate

Kind = Literal["count", "share", "percent", "signed", "coefficient", "test", "exact test"]
Value = Estimate | Test | int | float | None
Of = TypeVar("Of")


@dataclass(frozen=True, slots=True)
class Figure(Generic[Of]):
    """One figure of `Of`."""

    name: str
    """In agreement.json, a dot between a group and its member; in the tables as `column`."""
    kind: Kind
    """How it is written. `share` is 0 to 1 (percent on the page), `percent` 0 to 100, `signed` annuli; `exact test` one
    that is exact where few bones differ."""
    of: Callable[[Of], Value]
    label: str = ""
    """Head of its column on the page; blank: not on the page."""
    table: Literal["agreement", "symmetry", "without zero"] = "agreement"
    """On the page."""
    column: str = ""
    """In the tables; blank: as `name`."""
    interval: bool = False
    """It is an `Estimate`, with its interval."""


PRECISION: tuple[Figure[Precision], ...] = (
    Figure("n", "count", lambda p: p.bones, "bones"),
    Figure("exact", "share", lambda p: p.exact, "exact, %", interval=True),
    Figure("within_1", "share", lambda p: p.within_1, "within 1, %", interval=True),
    Figure("ape", "percent", lambda p: p.ape, "APE, %", interval=True),
    Figure("cv", "percent", lambda p: p.cv, "CV, %", interval=True),
    Figure("d", "percent", lambda p: p.d, interval=True),
    Figure("both_zero", "count", lambda p: p.both_zero),
)
"""Of readings of the same bones: two readers, repeat readings, two sides, a group."""


def _lifted(figure: Figure[Precision]) -> Figure[Comparison]:
    return Figure(figure.name, figure.kind, lambda c: figure.of(c.precision), figure.label, interval=figure.interval)


FIXED: tuple[Figure[Comparison], ...] = (
    *map(_lifted, PRECISION),
    Figure("mean_difference", "signed", lambda c: c.mean_difference, "b minus a", interval=True),
    Figure("bowker", "test", lambda c: c.bowker, "Bowker p", "symmetry"),
    Figure("evans_hoenig", "test", lambda c: c.evans_hoenig, "Evans, Hoenig p", "symmetry"),
    Figure("pooled", "exact test", lambda c: c.pooled, "pooled p", "symmetry"),
    Figure("kappa.unweighted", "coefficient", lambda c: c.kappa.unweighted, "kappa", "without zero", "kappa"),
    Figure("kappa.linear", "coefficient", lambda c: c.kappa.linear, "linear", "without zero", "kappa_linear"),
    Figure(
        "kappa.quadratic", "coefficient", lambda c: c.kappa.quadratic, "quadratic", "without zero", "kappa_quadratic"
    ),
)
"""Of two readers, a and b: figures that scripts rely on, in this order."""

FURTHER: tuple[Figure[Comparison], ...] = (
    Figure("above_zero.n", "count", lambda c: c.above_zero.bones, "bones without 0", "without zero", "n_above_zero"),
    Figure("above_zero.ape", "percent", lambda c: c.above_zero.ape.value, "APE", "without zero", "ape_above_zero"),
    Figure("above_zero.cv", "percent", lambda c: c.above_zero.cv.value, "CV", "without zero", "cv_above_zero"),
    Figure("above_zero.d", "percent", lambda c: c.above_zero.d.value, "D", "without zero", "d_above_zero"),
    Figure("stuart_maxwell", "test", lambda c: c.stuart_maxwell, "equal margins p", "symmetry"),
    Figure("not_aged.a_only", "count", lambda c: c.not_aged_by_a, "a could not", column="not_aged_by_a"),
    Figure("not_aged.b_only", "count", lambda c: c.not_aged_by_b, "b could not", column="not_aged_by_b"),
    Figure("not_aged.both", "count", lambda c: c.not_aged_by_both, column="not_aged_by_both"),
)
"""Of two readers, a and b: what came after."""

COMPARISON = (*FIXED, *FURTHER)


def agreement(comparisons: tuple[Comparison, ...], extra: dict[str, Any]) -> dict[str, Any]:
    """What agreement.json holds: `comparisons`, then whatever `extra` adds."""
    return {"comparisons": [as_json(c) for c in comparisons], **extra}


def as_json(c: Comparison) -> dict[str, Any]:
    """One object of agreement.json."""
    values = [(figure.name, figure.of(c)) for figure in COMPARISON]
    intervals = {name: None if e.low is None else [e.low, e.high] for name, e in values if isinstance(e, Estimate)}
    remarks = {"notes": list(c.notes), "intervals": intervals}
    return {"a": c.a, "b": c.b, **_grouped(FIXED, c), **remarks, **_grouped(FURTHER, c)}


def _grouped(figures: tuple[Figure[Comparison], ...], c: Comparison) -> dict[str, Any]:
    out: dict[str, Any] = {}
    for figure in figures:
        group, _, member = figure.name.rpartition(".")
        (out.setdefault(group, {}) if group else out)[member] = _plain(figure.of(c))
    return out


def _plain(value: Value) -> Any:
    if isinstance(value, Test):
        exact = {"exact": True} if value.exact else {}
        return {"statistic": value.statistic, "df": value.df, "p": value.p, **exact}
    return value.value if isinstance(value, Estimate) else value
