"""What the report of a run is made from: one record a bone, one of the run."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from pipeline.records import Refusal

State = Literal["settled", "kept", "wait", "none"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportBone:
    """One row of ages.csv with what the page shows of it."""

    specimen: str
    picture: str
    """Name of its overlay without folder and ending; blank when there is none."""
    scan: str
    bone: int
    fish: str
    species: str
    water: str
    side: str
    """`L`, `R` or blank."""
    annuli: int | None
    """The machine's; None: unreadable."""
    annuli_low: int | None
    annuli_high: int | None
    confidence: float | None
    first_year: str
    reasons: tuple[str, ...]
    final_annuli: int | None
    final_age_class: int | None
    counted_by: str
    by_person: bool
    """The final count is a person's."""
    lighting: str
    dpi: float | None
    first_mm: float | None
    """From the focus to the machine's first annulus along the axis; None without an annulus or a resolution."""
    first_fraction: float | None
    """The same as a share of the axis."""
    narrowest_px: float | None
    """Least distance between two counted annuli, pixels of the scan."""

    @property
    def state(self) -> State:
        """Settled by a person, waiting for one, kept as counted by the machine, or without a count and not settled."""
        if self.by_person:
            return "settled"
        if self.annuli is None:
            return "none"
        return "wait" if self.reasons else "kept"


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportTray:
    """A tray sheet."""

    scan: str
    picture: str
    """Name of its sheet without folder and ending."""
    bones: int
    mismatch: bool
    """It holds more or fewer bones than the table promises."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Report:
    """All that the page is made from."""

    run: Path
    """The folder; only its name is shown."""
    finished: str
    """When the last call of `opercle age` came to its end, ISO 8601; blank when unknown."""
    bones: tuple[ReportBone, ...]
    scans: int
    refused: tuple[Refusal, ...]
    trays: tuple[ReportTray, ...]
    queued: int
    """Bones in the queue; 0 when no queue was made."""
    queued_read: int
    """Of these, bones that somebody has read."""
    readers: Mapping[str, int]
    """Readings by reader."""
    with_table: bool
    """A table of specimens was given."""
    versions: Mapping[str, str]
    settings_digest: str
    settings: Mapping[str, str]
    """What a supervisor asks for, in words, to its value."""
