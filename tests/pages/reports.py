"""Reports made by hand, for tests of the page."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

from pipeline.pages.report_records import Report, ReportBone, ReportTray
from pipeline.records import Refusal

BONE = ReportBone(
    specimen="W-001", picture="W-001", scan="tray_1.tif", bone=1, fish="W-001", species="walleye",
    water="Heron Lake", side="", annuli=4, annuli_low=4, annuli_high=4, confidence=0.97, first_year="clear",
    reasons=(), final_annuli=4, final_age_class=4, counted_by="machine", by_person=False, lighting="reflected",
    dpi=600.0, first_mm=3.2, first_fraction=0.3, narrowest_px=22.0,
)  # fmt: skip


def bone(number: int, **changes: Any) -> ReportBone:
    """A kept walleye of four years, but for the changes."""
    name = f"W-{number:03d}"
    return replace(BONE, **({"specimen": name, "picture": name, "fish": name, "bone": number} | changes))


def report_of(*bones: ReportBone, **changes: Any) -> Report:
    """The report of a run with these bones on one tray."""
    report = Report(
        run=Path("run-2031"), finished="2031-05-02T06:10:00+00:00", bones=bones, scans=1, refused=(),
        trays=(ReportTray(scan="tray_1.tif", picture="tray_1", bones=len(bones), mismatch=False),), queued=0,
        queued_read=0, readers={}, with_table=True, versions={"opercle": "1"}, settings_digest="0123", settings={},
    )  # fmt: skip
    return replace(report, **changes)


def refusal(scan: str) -> Refusal:
    """A scan cut short."""
    return Refusal(scan=scan, stage="file", code="truncated", detail="ends after 300 rows")
