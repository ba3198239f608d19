"""Overlays and tray sheets of a run: which must be drawn anew, which are of bones that are gone."""

from __future__ import annotations

import json
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path, PurePosixPath

from pipeline.batch.batch import Task, Workplace, run_batch
from pipeline.batch.limits import Fault
from pipeline.batch.steps import Steps
from pipeline.pictures.plates import TrayBone
from pipeline.records import Age, BoneReading
from pipeline.run import child_server, places, run_folder, versions
from pipeline.run.drawing import (
    Overlay,
    TraySheet,
    needs_sheet,
    overlay_path,
    tray_ids_path,
    tray_path,
    write_pictures,
)
from pipeline.run.ledger import Ledger
from pipeline.run.ledger_ages import AgedBone
from pipeline.run.ledger_scans import KnownScan
from pipeline.run.picture_names import picture_name, shared_names
from pipeline.run.plan import limits_of
from pipeline.run.record_text import as_written, digest_of, joined, read_shape
from pipeline.settings.whole import Settings
from pipeline.tables.atomic import there

Say = Callable[[str], None]

_PICTURES_AT_ONCE = (25, 100)
"""Pictures that one child draws, fewest and most: the first ones cost it twice as much, as their words are new to it;
but all workers must have some, and what a fault ends is lost to the next call."""
_NAMED_AT_MOST = 5
"""Pictures in one line on the terminal."""
_MEGAPIXELS = 20
"""Pixels of the pictures that one child holds at a time, generously: sets its limits."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _ScanPictures:
    """The pictures of one scan, by their names below the run's folder."""

    scan: str
    overlays: Mapping[str, int]
    """Name of the overlay to the number of its bone."""
    tray: tuple[str, ...]
    """Names of the tray sheets with counts and with ids alone; empty where none are wanted."""
    wanted: Mapping[str, str]
    """Name to the digest of all that the picture shows."""

    def only(self, names: Collection[str]) -> _ScanPictures:
        """Those of these names."""
        return replace(
            self,
            overlays={n: bone for n, bone in self.overlays.items() if n in names},
            tray=self.tray if any(n in names for n in self.tray) else (),
            wanted={n: digest for n, digest in self.wanted.items() if n in names},
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class _ScanToDraw:
    """One scan with all that its pictures show."""

    pictures: _ScanPictures
    scan: KnownScan
    bones: tuple[AgedBone, ...]
    """All on it, found or promised."""
    readings: tuple[BoneReading, ...]
    """Without outlines and arcs."""
    shapes: Mapping[int, str]
    """By number of the bone, as the ledger keeps them: read where they are drawn."""
    promised: int | None
    """Bones that the table promises; None where it names none on this scan."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PicturesJob:
    """Some pictures to draw in one child process."""

    run: Path
    scans: tuple[_ScanToDraw, ...]
    settings: Settings

    @property
    def wanted(self) -> Mapping[str, str]:
        """Of all pictures, as `_ScanPictures` has them."""
        return {name: digest for scan in self.scans for name, digest in scan.pictures.wanted.items()}


def bring_up_to_date(
    run: Path, ledger: Ledger, promised: Mapping[str, int], settings: Settings, place: Workplace, say: Say
) -> None:
    """Draw, in child processes, what differs from the pictures there; remove the pictures of bones that are gone.

    The ledger's drafts are the bones of the run. `promised` is how many of them the table says, by scan.
    """
    stale = 0
    ledger.pictures.begin()
    for scan in _scans(run, ledger, promised, settings):
        drawn = ledger.pictures.drawn(scan.wanted)
        old = [n for n, digest in scan.wanted.items() if drawn.get(n) != digest or not _is_there(run / n)]
        ledger.pictures.want(scan.wanted, old)
        stale += len(old)
    gone = ledger.pictures.unwanted()
    ledger.files.remove(places.with_small(gone))
    ledger.pictures.store({}, gone)
    if not stale:
        return
    say(f"pictures to draw: {stale}")
    child_server.begin()
    steps = Steps(stale, "pictures drawn", settings.batch.report_seconds)
    limits = limits_of(_MEGAPIXELS, settings.batch)

    def draw_each(portions: Iterable[list[_ScanPictures]]) -> dict[str, Fault]:
        """Draw some pictures; returns those of the portions that met a fault."""
        failed: dict[str, Fault] = {}

        def keep(job: PicturesJob, fault: Fault | None) -> None:
            if fault is None:
                steps.step(len(job.wanted))
                ledger.pictures.store(job.wanted)
            else:
                failed.update(dict.fromkeys(job.wanted, fault))

        jobs = (_job(run, ledger, some, promised, settings) for some in portions)
        run_batch(draw, (Task(job, limits) for job in jobs), place, keep)
        return failed

    def todo(names: Collection[str] | None = None) -> Iterator[_ScanPictures]:
        """The pictures to draw, or only these."""
        for scan in _scans(run, ledger, promised, settings):
            only = scan.only(ledger.pictures.stale(scan.wanted) if names is None else names)
            if only.wanted:
                yield only

    with steps:
        among_others = draw_each(_in_portions(todo(), stale, place.workers))
        # Whatever one picture met, those that were to be drawn with it are drawn alone.
        alone = draw_each([s.only([name])] for s in todo(among_others) for name in s.wanted) if among_others else {}
    for name, fault in alone.items():
        run_folder.log(run, {"picture": name, "outcome": fault.code, "detail": fault.detail, "trace": fault.trace})
    if alone:
        some = ", ".join(sorted(alone)[:_NAMED_AT_MOST]) + (" ..." if len(alone) > _NAMED_AT_MOST else "")
        say(
            f"pictures that could not be drawn: {len(alone)} ({some}: {next(iter(alone.values())).detail}); the tables "
            f"are whole, {run_folder.LOG} has more. Give the same command again to try once more"
        )


def _is_there(picture: Path) -> bool:
    return there(picture) and there(places.small(picture))


def draw(job: PicturesJob) -> None:
    """Draw some pictures."""
    overlays, trays = [], []
    for scan in job.scans:
        whole = {r.number: joined(r, read_shape(scan.shapes[r.number])) for r in scan.readings}
        bones = {b.specimen.bone: b for b in scan.bones}
        for name, number in scan.pictures.overlays.items():
            bone, reading = bones[number], whole[number]
            age = with_arcs(bone.age, reading)
            overlays.append(Overlay(name=PurePosixPath(name).stem, reading=reading, age=age, specimen=bone.specimen))
        if scan.pictures.tray:
            trays.append(_sheet(scan, whole))
    write_pictures(job.run, overlays, trays, job.settings.pictures)


def _scans(run: Path, ledger: Ledger, promised: Mapping[str, int], settings: Settings) -> Iterator[_ScanPictures]:
    """All pictures that the run should have, scan by scan."""
    look = digest_of((settings.pictures.model_dump(mode="json"), versions.pictures()))
    shared = shared_names(ledger.drafts.specimens())
    for scan, bones in ledger.drafts.by_scan():
        facts = ledger.scans.one(scan)
        found = ledger.scans.numbers(scan)
        sha256 = facts.sha256 if facts else ""
        shown = {b.specimen: digest_of((_shown(b.sources), as_written(b.age), sha256, look)) for b in bones}
        drawn = [b for b in bones if b.bone in found]
        overlays = {_name(run, overlay_path(run, picture_name(b.specimen, shared))): b for b in drawn}
        wanted = {name: shown[b.specimen] for name, b in overlays.items()}
        tray: tuple[str, ...] = ()
        if drawn and needs_sheet(len(drawn), promised.get(scan)):
            tray = _name(run, tray_path(run, scan)), _name(run, tray_ids_path(run, scan))
            wanted |= dict.fromkeys(tray, digest_of((sorted(shown.items()), promised.get(scan))))
        numbers = {name: b.bone for name, b in overlays.items()}
        yield _ScanPictures(scan=scan, overlays=numbers, tray=tray, wanted=wanted)


def _shown(sources: str) -> dict[str, str]:
    """What the pictures of a bone show was made from: all but people's readings."""
    return {name: digest for name, digest in json.loads(sources).items() if name != "people"}


def _name(run: Path, path: Path) -> str:
    return path.relative_to(run).as_posix()


def _in_portions(todo: Iterable[_ScanPictures], many: int, workers: int) -> Iterator[list[_ScanPictures]]:
    fewest, most = _PICTURES_AT_ONCE
    enough = min(max(many // workers + 1, fewest), most)
    portion: list[_ScanPictures] = []
    for scan in todo:
        portion.append(scan)
        if sum(len(s.wanted) for s in portion) >= enough:
            yield portion
            portion = []
    if portion:
        yield portion


def _job(
    run: Path, ledger: Ledger, portion: Sequence[_ScanPictures], promised: Mapping[str, int], settings: Settings
) -> PicturesJob:
    ledger.files.claim(places.with_small(name for scan in portion for name in scan.wanted))
    return PicturesJob(
        run=run, scans=tuple(_to_draw(ledger, s, promised.get(s.scan)) for s in portion), settings=settings
    )


def _to_draw(ledger: Ledger, pictures: _ScanPictures, promised: int | None) -> _ScanToDraw:
    facts = ledger.scans.one(pictures.scan)
    if facts is None:
        raise KeyError(pictures.scan)
    return _ScanToDraw(
        pictures=pictures,
        scan=facts,
        bones=ledger.drafts.on(pictures.scan),
        readings=ledger.scans.readings_on(pictures.scan),
        shapes=ledger.scans.shapes(pictures.scan),
        promised=promised,
    )


def _sheet(scan: _ScanToDraw, whole: Mapping[int, BoneReading]) -> TraySheet:
    """`whole` are readings with outlines, by number."""
    return TraySheet(
        scan=scan.scan.scan,
        width=scan.scan.width,
        bones=tuple(
            TrayBone(whole[b.specimen.bone], b.age, b.specimen) for b in scan.bones if b.specimen.bone in whole
        ),
        missing=tuple(b.specimen.specimen for b in scan.bones if b.specimen.bone not in whole),
        promised=scan.promised,
    )


def with_arcs(age: Age, reading: BoneReading) -> Age:
    """The age with the arcs of its marks, which the ledger keeps with the reading only."""
    arcs = {mark.radius_px: mark.arc for mark in reading.marks}
    return replace(age, marks=tuple(replace(m, arc=arcs.get(m.radius_px, ())) for m in age.marks))
