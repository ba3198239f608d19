"""What was entered at the desk as tables of the kind that `opercle enter` takes, column for column."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from pipeline.records import Reading
from pipeline.run.ledger_people import Correction
from pipeline.tables.tables import Column, table_text

READINGS = (
    Column("specimen"), Column("reader"), Column("annuli", "count"), Column("age_class", "count"), Column("edge"),
    Column("readability"), Column("seconds", "number"), Column("read_on"), Column("settles", "flag"), Column("note"),
)  # fmt: skip
CORRECTIONS = (
    Column("specimen"), Column("focus_x", "px"), Column("focus_y", "px"), Column("axis_x", "px"),
    Column("axis_y", "px"), Column("dpi", "dpi"), Column("lighting"), Column("reader"), Column("note"),
)  # fmt: skip


def readings_table(readings: Sequence[Reading]) -> str:
    """The text of a table of readings, in their order."""
    rows = [
        (
            r.specimen, r.reader, r.annuli, r.age_class, r.edge, r.readability, r.seconds, r.read_on,
            r.settles or None, r.note,
        )
        for r in readings
    ]  # fmt: skip
    return table_text(READINGS, rows)


def corrections_table(corrections: Sequence[Correction], specimens: Mapping[tuple[str, int], str]) -> str:
    """The text of a table of corrections. `specimens` are those that lie at each (scan, bone); a correction of a bone
    that has no name any more is left out."""
    rows = [
        (
            specimens[c.scan, c.bone], *(c.focus or (None, None)), *(c.tip or (None, None)), c.dpi, c.lighting,
            c.reader, c.note,
        )
        for c in corrections
        if (c.scan, c.bone) in specimens
    ]  # fmt: skip
    return table_text(CORRECTIONS, rows)
