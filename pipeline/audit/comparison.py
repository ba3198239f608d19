"""One reader against another, or against the machine: every figure the trade publishes, and why one is missing."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.audit import symmetry
from pipeline.audit.intervals import mean_difference
from pipeline.audit.kappa import Kappas, kappas
from pipeline.audit.precision import Precision, precision
from pipeline.audit.symmetry import Table, Test
from pipeline.estimate import NO_FIGURE, Estimate
from pipeline.records import Numbers


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """Two readers, a and b, on the bones that both counted."""

    a: str
    b: str
    n: int
    precision: Precision
    above_zero: Precision
    """Without the bones that either reader calls 0."""
    mean_difference: Estimate
    """b minus a, annuli."""
    bowker: Test
    evans_hoenig: Test
    pooled: Test
    stuart_maxwell: Test
    kappa: Kappas
    table: Table
    """(k, k): bones by count of a (row) and of b (column)."""
    lowest: int
    """The count of the table's first row and column."""
    not_aged_by_a: int
    """Bones that b counted and a tried, but could not age."""
    not_aged_by_b: int
    not_aged_by_both: int
    notes: tuple[str, ...]
    """One sentence for each figure that does not exist."""

    @property
    def above(self) -> int:
        """Bones where b counts more than a."""
        return int(np.triu(self.table, 1).sum())

    @property
    def below(self) -> int:
        """Bones where b counts fewer than a."""
        return int(np.tril(self.table, -1).sum())


_NO_TABLE = np.zeros((0, 0), np.int64)


def compare(
    a: str, b: str, counts_a: Numbers, counts_b: Numbers, tried_a: NDArray[np.bool_], tried_b: NDArray[np.bool_]
) -> Comparison:
    """Compare two readers. Counts are (bone,), NaN where a reader gives none; `tried` is True where the reader has a
    reading of the bone, with a count or without."""
    has_a, has_b = ~np.isnan(counts_a), ~np.isnan(counts_b)
    both = has_a & has_b
    x, y = counts_a[both], counts_b[both]
    table, lowest = symmetry.cross_table(x.astype(np.int64), y.astype(np.int64)) if x.size else (_NO_TABLE, 0)
    pair = np.column_stack([x, y])
    tests = (
        {
            "bowker": symmetry.bowker(table),
            "evans_hoenig": symmetry.evans_hoenig(table),
            "pooled": symmetry.pooled(table),
            "stuart_maxwell": symmetry.stuart_maxwell(table),
        }
        if x.size
        else dict.fromkeys(("bowker", "evans_hoenig", "pooled", "stuart_maxwell"), symmetry.NOTHING)
    )
    kappa = kappas(table) if x.size else Kappas(unweighted=None, linear=None, quadratic=None)
    return Comparison(
        a=a,
        b=b,
        n=int(both.sum()),
        precision=precision(pair),
        above_zero=precision(pair[(pair > 0).all(axis=1)]),
        mean_difference=mean_difference(y - x) if x.size else NO_FIGURE,
        **tests,
        kappa=kappa,
        table=table,
        lowest=lowest,
        not_aged_by_a=int((tried_a & ~has_a & has_b).sum()),
        not_aged_by_b=int((tried_b & ~has_b & has_a).sum()),
        not_aged_by_both=int((tried_a & ~has_a & tried_b & ~has_b).sum()),
        notes=_notes(a, b, table, kappa, int(((x == 0) & (y == 0)).sum())),
    )


def _notes(a: str, b: str, table: Table, kappa: Kappas, both_zero: int) -> tuple[str, ...]:
    if table.size == 0:
        return (f"No figure exists: there is no bone that both {a} and {b} counted.",)
    notes = []
    if table.sum() == np.trace(table):
        notes.append("bowker, evans_hoenig, pooled: no test exists, because the two counts never differ.")
    if kappa.unweighted is None:
        notes.append("kappa: does not exist, because every bone has one and the same count from both.")
    if both_zero:
        notes.append(f"ape, cv, d: {both_zero} bones that both call 0 add 0 to the mean, where the formula has 0/0.")
    return tuple(notes)
