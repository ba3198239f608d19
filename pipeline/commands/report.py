"""`opercle report`: report.html of a run, made again from what is stored."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from itertools import pairwise
from pathlib import Path

from pipeline.errors import RunError
from pipeline.pages.report_page import report_page
from pipeline.pages.report_records import Report, ReportBone, ReportTray
from pipeline.records import MACHINE, AgedMark, BoneReading
from pipeline.run import places, run_folder
from pipeline.run.ledger import Ledger
from pipeline.run.ledger_ages import AgedBone
from pipeline.run.picture_names import picture_names
from pipeline.run.placing import promised
from pipeline.run.results import millimetres
from pipeline.settings.whole import Settings
from pipeline.tables.atomic import write_text

Say = Callable[[str], None]
NAME = "report.html"


def report(run: Path, say: Say) -> Path:
    """Write the report of a run from what is stored. Raises RunError when the run holds no ages."""
    with Ledger(run) as ledger:
        if not run_folder.described(ledger).get("finished"):
            raise RunError(f"{run}: holds no ages yet; let `opercle age` with this --out come to its end")
        return write_report(run, ledger, run_folder.settings_of(run, ledger), say)


def write_report(run: Path, ledger: Ledger, settings: Settings, say: Say) -> Path:
    """The same with the ledger open."""
    ledger.files.claim((NAME,))
    path = write_text(run / NAME, report_page(_gathered(run, ledger, settings)))
    if path.name != NAME:
        say(f"{NAME} is open in another program; the new page is beside it, in {path.name}")
    return path


def _gathered(run: Path, ledger: Ledger, settings: Settings) -> Report:
    ages = ledger.ages.all()
    scans = ledger.scans.all()
    readings = ledger.people.readings()
    rows = ledger.specimens.all()
    described = run_folder.described(ledger)
    queue = set(ledger.queue.all())
    return Report(
        run=run,
        finished=str(described.get("finished", "")),
        bones=_bones(ages, ledger),
        scans=len(scans),
        refused=tuple(s.refusal for s in scans.values() if s.refusal),
        trays=_trays(ages, promised(ledger.specimens.listed())),
        queued=len(queue),
        queued_read=len(queue & {r.specimen for r in readings}),
        readers=dict(sorted(Counter(r.reader for r in readings).items())),
        with_table=bool(rows),
        versions=_versions(described.get("versions")),
        settings_digest=settings.digest(),
        settings=_chosen_settings(settings),
    )


def _bones(ages: Sequence[AgedBone], ledger: Ledger) -> tuple[ReportBone, ...]:
    read = {(scan, bone.number): bone for scan, bones in ledger.scans.measures().items() for bone in bones}
    names = picture_names(a.specimen.specimen for a in ages)
    bones = []
    for aged in ages:
        s, age, last = aged.specimen, aged.age, aged.final
        reading: BoneReading | None = read.get((s.scan, s.bone))
        counted = sorted((m for m in age.marks if m.counted), key=lambda m: m.radius_px)
        first = counted[0] if counted else None
        bones.append(
            ReportBone(
                specimen=s.specimen, picture=names[s.specimen] if reading and reading.axis else "", scan=s.scan,
                bone=s.bone, fish=s.fish, species=s.species, water=s.water, side=s.side, annuli=age.annuli,
                annuli_low=age.annuli_low, annuli_high=age.annuli_high, confidence=age.confidence,
                first_year=age.first_year, reasons=age.reasons, final_annuli=last.annuli,
                final_age_class=last.age_class, counted_by=last.counted_by,
                by_person=last.counted_by not in (MACHINE, ""),
                lighting=reading.lighting if reading else "", dpi=reading.dpi if reading else None,
                first_mm=millimetres(first.radius_px, reading.dpi) if first and reading else None,
                first_fraction=first.fraction if first else None, narrowest_px=_narrowest(counted),
            )
        )  # fmt: skip
    return tuple(bones)


def _narrowest(counted: Sequence[AgedMark]) -> float | None:
    gaps = [b.radius_px - a.radius_px for a, b in pairwise(counted)]
    return min(gaps, default=None)


def _trays(ages: Sequence[AgedBone], wanted: Mapping[str, int]) -> tuple[ReportTray, ...]:
    found = Counter(a.specimen.scan for a in ages if a.sources.get("bone") not in ("missing", None))
    mismatch = {a.specimen.scan for a in ages if "tray-mismatch" in a.age.reasons}
    return tuple(
        ReportTray(
            scan=scan, picture=places.stem(scan), bones=n,
            mismatch=scan in mismatch,
        )
        for scan, n in sorted(found.items())
        if n > 1 or (scan in wanted and wanted[scan] != n)
    )  # fmt: skip


def _versions(versions: object) -> dict[str, str]:
    return {str(k): str(v) for k, v in versions.items()} if isinstance(versions, dict) else {}


def _chosen_settings(s: Settings) -> dict[str, str]:
    """What a supervisor asks for; all settings are in run.json."""
    return {
        "a person looks at counts less sure than": f"{s.review.least_confidence:g}",
        "a person looks at age classes less sure than": f"{s.review.least_age_probability:g}",
        "wrong counts accepted among bones that nobody reads": f"{100 * s.review.accepted_error:g} %",
        "kept bones read all the same, as a check": f"{100 * s.review.blind_share:g} %",
    }
