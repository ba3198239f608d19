"""What is settled before a scan is drawn, and what is known of it afterwards."""

from __future__ import annotations

from dataclasses import dataclass

from pipeline.simulate.noise import Array
from pipeline.simulate.truth import Tables
from pipeline.simulate.variety import Level


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """What is settled before a scan is drawn."""

    name: str
    """File name; its ending tells the format: tif, png or jpg."""
    bones: int
    first: int
    """Number of its first fish in the set."""
    level: Level
    lighting: str
    """One of those that the make knows."""
    dpi: int
    colour: bool
    bits: int

    @property
    def px_per_mm(self) -> float:
        """Pixels a millimetre."""
        return self.dpi / 25.4


@dataclass(frozen=True, slots=True, kw_only=True)
class DrawnScan:
    """One scan, ready to be written."""

    name: str
    """File name; its ending tells the format."""
    pixels: Array
    """(row, column) or (row, column, 3), uint8 or uint16."""
    dpi: float | None
    """As the file shall tell it: sometimes missing or absurd."""
    tables: Tables
