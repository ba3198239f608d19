"""A table that a page's command writes beside the page."""

from __future__ import annotations

from dataclasses import dataclass

from pipeline.tables.tables import Cell, Column


@dataclass(frozen=True, slots=True)
class TableOut:
    """One CSV file."""

    name: str
    columns: tuple[Column, ...]
    rows: tuple[tuple[Cell, ...], ...]
