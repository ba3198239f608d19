"""The tables of an audit, tidy: one row an observation, a column a figure, intervals as `_low` and `_high`."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from pipeline.audit.figures import COMPARISON, PRECISION, Figure, Of
from pipeline.audit.precision import Precision
from pipeline.audit.symmetry import Test
from pipeline.audit.whole import Audit
from pipeline.estimate import Estimate
from pipeline.pages.table_out import TableOut
from pipeline.tables.tables import Cell, Column

DIGITS = 6
"""Decimals of figures in the tables: more than any sample bears, few enough to read."""


def tables(audit: Audit) -> tuple[TableOut, ...]:
    """Every table, those without rows too, so that what an earlier audit left is replaced."""
    return (
        _agreement(audit),
        _age_bias(audit),
        _age_by_age(audit),
        _groups(audit),
        _repeats(audit),
        _sides(audit),
        _triage(audit),
        _reliability(audit),
        _thresholds(audit),
        _drift(audit),
        _sample_sizes(audit),
        _ageing_error(audit),
        _ageing_error_matrix(audit),
        _unknown(audit),
    )


def _figure(value: float | None) -> float | None:
    return None if value is None else round(value, DIGITS)


def _columns(*names: str) -> tuple[Column, ...]:
    """Columns from `name` (text), `#name` (count), `?name` (flag), `name=` (number), `name~` (number and interval)."""
    out: list[Column] = []
    for name in names:
        if name.startswith("#"):
            out.append(Column(name[1:], "count"))
        elif name.startswith("?"):
            out.append(Column(name[1:], "flag"))
        elif name.endswith("="):
            out.append(Column(name[:-1], "number"))
        elif name.endswith("~"):
            out += [Column(name[:-1] + end, "number") for end in ("", "_low", "_high")]
        else:
            out.append(Column(name))
    return tuple(out)


def _three(*estimates: Estimate) -> Iterator[Cell]:
    for e in estimates:
        yield from (_figure(e.value), _figure(e.low), _figure(e.high))


def _heads(figures: Iterable[Figure[Of]]) -> tuple[str, ...]:
    """Their columns, as `_columns` takes them."""
    heads: list[str] = []
    for figure in figures:
        name = figure.column or figure.name
        if figure.kind in ("test", "exact test"):
            heads += [f"{name}_statistic=", f"{name}_df=", f"{name}_p="]
            heads += [f"?{name}_exact"] * (figure.kind == "exact test")
        else:
            heads.append(f"#{name}" if figure.kind == "count" else f"{name}~" if figure.interval else f"{name}=")
    return tuple(heads)


def _cells(figures: Iterable[Figure[Of]], of: Of) -> Iterator[Cell]:
    """Their cells of one row."""
    for figure in figures:
        value = figure.of(of)
        if isinstance(value, Estimate):
            yield from _three(value)
        elif isinstance(value, Test):
            yield from (_figure(value.statistic), value.df, _figure(value.p))
            yield from [value.exact] * (figure.kind == "exact test")
        else:
            yield value if figure.kind == "count" else _figure(value)


_PRECISION = _heads(PRECISION)


def _precision(p: Precision) -> tuple[Cell, ...]:
    return tuple(_cells(PRECISION, p))


def _agreement(audit: Audit) -> TableOut:
    compared = [("pair", c) for c in audit.pairs] + [("reference", g.comparison) for g in audit.against]
    rows = tuple((kind, c.a, c.b, *_cells(COMPARISON, c)) for kind, c in compared)
    return TableOut("agreement.csv", _columns("kind", "a", "b", *_heads(COMPARISON)), rows)


def _age_bias(audit: Audit) -> TableOut:
    columns = _columns(
        "reference",
        "reader",
        "#reference_age",
        "#n",
        "mean~",
        "sd=",
        "difference=",
        "p=",
        "p_adjusted=",
        "?excludes_equality",
        "?excludes_equality_adjusted",
    )
    rows = tuple(
        (
            g.comparison.a,
            g.comparison.b,
            b.reference_age,
            b.n,
            *_three(b.mean),
            _figure(b.sd),
            _figure(b.difference),
            _figure(b.p),
            _figure(b.p_adjusted),
            b.excludes_equality,
            b.excludes_equality_adjusted,
        )
        for g in audit.against
        for b in g.bias
    )
    return TableOut("age_bias.csv", columns, rows)


def _age_by_age(audit: Audit) -> TableOut:
    rows: list[tuple[Cell, ...]] = []
    for c in [*audit.pairs, *(g.comparison for g in audit.against)]:
        rows += [
            (c.a, c.b, int(i) + c.lowest, int(j) + c.lowest, int(c.table[i, j]))
            for i, j in zip(*c.table.nonzero(), strict=True)
        ]
    return TableOut("age_by_age.csv", _columns("a", "b", "#count_a", "#count_b", "#bones"), tuple(rows))


def _groups(audit: Audit) -> TableOut:
    columns = _columns("reference", "reader", "by", "group", *_PRECISION, "mean_difference~")
    rows = tuple(
        (g.comparison.a, x.reader, x.by, x.group, *_precision(x.precision), *_three(x.mean_difference))
        for g in audit.against
        for x in g.groups
    )
    return TableOut("groups.csv", columns, rows)


def _repeats(audit: Audit) -> TableOut:
    columns = _columns("reader", "#readings", *_PRECISION, "last_minus_first~")
    return TableOut(
        "repeats.csv",
        columns,
        tuple((r.reader, r.readings, *_precision(r.precision), *_three(r.change)) for r in audit.repeats),
    )


def _sides(audit: Audit) -> TableOut:
    columns = _columns("reader", *_PRECISION, "#sides_told", "right_minus_left~")
    return TableOut(
        "sides.csv",
        columns,
        tuple((s.reader, *_precision(s.precision), s.named_sides, *_three(s.right_minus_left)) for s in audit.sides),
    )


def _triage(audit: Audit) -> TableOut:
    parts = audit.triage.parts if audit.triage else ()
    columns = _columns("part", "#bones", "#read", "wrong~", "promised=", "wrong_minus_promised~")
    return TableOut(
        "triage.csv",
        columns,
        tuple((p.name, p.bones, p.read, *_three(p.wrong), _figure(p.promised), *_three(p.gap)) for p in parts),
    )


def _reliability(audit: Audit) -> TableOut:
    bins = audit.triage.bins if audit.triage else ()
    return TableOut(
        "reliability.csv",
        _columns("lowest=", "highest=", "#n", "confidence=", "right~"),
        tuple((_figure(b.low), _figure(b.high), b.n, _figure(b.confidence), *_three(b.right)) for b in bins),
    )


def _thresholds(audit: Audit) -> TableOut:
    thresholds = audit.triage.thresholds if audit.triage else ()
    return TableOut(
        "thresholds.csv",
        _columns("confidence=", "#kept", "kept_share=", "#read", "wrong~"),
        tuple((t.confidence, t.kept, _figure(t.kept_share), t.read, *_three(t.wrong)) for t in thresholds),
    )


def _drift(audit: Audit) -> TableOut:
    columns = _columns(
        "reader",
        "batch",
        "#bones",
        "#aged",
        "exact~",
        "cv~",
        "mean_difference~",
        "low_limit=",
        "high_limit=",
        "#same_bones",
        "#up",
        "#down",
        "shift_p=",
        "verdict",
        "why",
    )
    return TableOut(
        "drift.csv",
        columns,
        tuple(
            (
                b.reader,
                b.batch,
                b.bones,
                b.aged,
                *_three(b.exact, b.cv, b.mean_difference),
                _figure(b.low_limit),
                _figure(b.high_limit),
                b.same_bones,
                b.up,
                b.down,
                _figure(b.shift_p),
                b.verdict,
                "; ".join(b.why),
            )
            for b in audit.drift
        ),
    )


def _sample_sizes(audit: Audit) -> TableOut:
    return TableOut("sample_sizes.csv", _columns("aim", "#bones"), tuple((p.aim, p.bones) for p in audit.plans))


def _ageing_error(audit: Audit) -> TableOut:
    """One row a reference age: what a stock model that wants bias and spread takes."""
    columns = _columns("#reference_age", "#n", "mean=", "bias=", "sd=", "?borrowed")
    m = audit.matrix
    rows = (
        ()
        if m is None
        else tuple(
            (int(age), int(n), _figure(float(mean)), _figure(float(mean - age)), _figure(float(sd)), bool(n == 0))
            for age, n, mean, sd in zip(m.reference_ages, m.seen.sum(axis=1), m.mean, m.sd, strict=True)
        )
    )
    return TableOut("ageing_error.csv", columns, rows)


def _ageing_error_matrix(audit: Audit) -> TableOut:
    """One row a reference age, one column a count: the probability of each count."""
    m = audit.matrix
    if m is None:
        return TableOut("ageing_error_matrix.csv", _columns("#reference_age", "#n"), ())
    columns = _columns("#reference_age", "#n", *(f"count_{k}=" for k in m.counts))
    rows = tuple(
        (int(age), int(n), *(_figure(float(p)) for p in row))
        for age, n, row in zip(m.reference_ages, m.seen.sum(axis=1), m.probability, strict=True)
    )
    return TableOut("ageing_error_matrix.csv", columns, rows)


def _unknown(audit: Audit) -> TableOut:
    return TableOut("not_in_runs.csv", _columns("specimen"), tuple((s,) for s in audit.answers.unknown))
