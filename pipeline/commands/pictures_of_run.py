"""Overlays and tray sheets of a run: which must be drawn anew, which are of bones that are gone."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from pipeline.commands import versions
from pipeline.commands.results import Result
from pipeline.records import Age, BoneReading
from pipeline.report.picture_names import picture_names
from pipeline.report.pictures import Overlay, TraySheet, overlay_path, tray_path, write_pictures
from pipeline.report.plates import TrayBone
from pipeline.run.ledger import KnownScan, Ledger
from pipeline.run.record_text import digest_of
from pipeline.settings import Settings

_BONES_AT_ONCE = 500
"""Bones whose outlines and arcs are in memory together: some 50 megabytes."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _ScanPictures:
    """What must be drawn anew of one scan, by the pictures' names below the run's folder."""

    scan: KnownScan
    results: tuple[Result, ...]
    """Of all bones on it, found or promised."""
    overlays: Mapping[str, Result]
    """Name to the bone."""
    tray: str | None
    """Name of the tray sheet."""


def bring_up_to_date(
    run: Path,
    ledger: Ledger,
    results: Sequence[Result],
    promised: Mapping[str, int],
    settings: Settings,
    workers: int,
) -> None:
    """Draw what differs from the pictures there, and remove the pictures of bones that are gone."""
    drawn_before = ledger.pictures()
    scans = ledger.scans()
    names = picture_names(r.specimen.specimen for r in results)
    by_scan: dict[str, list[Result]] = {}
    for result in results:
        by_scan.setdefault(result.specimen.scan, []).append(result)
    look = digest_of((settings.pictures.model_dump(mode="json"), versions.pictures()))
    wanted: dict[str, str] = {}
    todo: list[_ScanPictures] = []
    for scan, bones in sorted(by_scan.items()):
        shown = {r.specimen.specimen: digest_of((r.sources, r.age, scans[scan].sha256, look)) for r in bones}
        overlays = {
            _name(run, overlay_path(run, names[r.specimen.specimen])): r for r in bones if r.reading is not None
        }
        wanted |= {name: shown[r.specimen.specimen] for name, r in overlays.items()}
        tray = _sheet(scans[scan], bones, {}, promised.get(scan))
        sheet = _name(run, tray_path(run, scan)) if overlays and tray.wanted else None
        if sheet:
            wanted[sheet] = digest_of((sorted(shown.items()), promised.get(scan)))
        stale = {n for n in (*overlays, sheet) if n and (drawn_before.get(n) != wanted[n] or not (run / n).is_file())}
        if stale:
            todo.append(
                _ScanPictures(
                    scan=scans[scan],
                    results=tuple(bones),
                    overlays={n: r for n, r in overlays.items() if n in stale},
                    tray=sheet if sheet in stale else None,
                )
            )
    gone = [name for name in drawn_before if name not in wanted]
    for name in gone:
        (run / name).unlink(missing_ok=True)
    ledger.store_pictures({}, gone)
    for some in _in_portions(todo):
        _draw(run, ledger, some, names, promised, settings, workers)
        ledger.store_pictures({n: wanted[n] for s in some for n in (*s.overlays, s.tray) if n})


def _name(run: Path, path: Path) -> str:
    return path.relative_to(run).as_posix()


def _in_portions(todo: Sequence[_ScanPictures]) -> Iterator[list[_ScanPictures]]:
    portion: list[_ScanPictures] = []
    for scan in todo:
        portion.append(scan)
        if sum(len(s.results) for s in portion) >= _BONES_AT_ONCE:
            yield portion
            portion = []
    if portion:
        yield portion


def _draw(
    run: Path,
    ledger: Ledger,
    portion: Sequence[_ScanPictures],
    names: Mapping[str, str],
    promised: Mapping[str, int],
    settings: Settings,
    workers: int,
) -> None:
    overlays, trays = [], []
    for scan in portion:
        whole = {reading.number: reading for reading in ledger.whole_readings(scan.scan.scan)}
        for r in scan.overlays.values():
            reading = whole[r.specimen.bone]
            name = names[r.specimen.specimen]
            overlays.append(Overlay(name=name, reading=reading, age=with_arcs(r.age, reading), specimen=r.specimen))
        if scan.tray:
            trays.append(_sheet(scan.scan, scan.results, whole, promised.get(scan.scan.scan)))
    write_pictures(run, overlays, trays, settings.pictures, workers)


def _sheet(
    scan: KnownScan, results: Sequence[Result], whole: Mapping[int, BoneReading], promised: int | None
) -> TraySheet:
    """`whole` are readings with outlines, by number; without one the reading as it is in the result stands."""
    return TraySheet(
        scan=scan.scan,
        width=scan.width,
        bones=tuple(
            TrayBone(whole.get(r.specimen.bone, r.reading), r.age, r.specimen) for r in results if r.reading is not None
        ),
        missing=tuple(r.specimen.specimen for r in results if r.reading is None),
        promised=promised,
    )


def with_arcs(age: Age, reading: BoneReading) -> Age:
    """The age with the arcs of its marks, which the ledger keeps with the reading only."""
    arcs = {mark.radius_px: mark.arc for mark in reading.marks}
    return replace(age, marks=tuple(replace(m, arc=arcs.get(m.radius_px, ())) for m in age.marks))
