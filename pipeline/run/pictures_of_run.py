"""Overlays and tray sheets of a run: which must be drawn anew, which are of bones that are gone."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path, PurePosixPath

from pipeline.batch.batch import Task, Workplace, run_batch
from pipeline.batch.limits import Fault
from pipeline.batch.steps import Steps
from pipeline.pictures.plates import TrayBone
from pipeline.records import Age, BoneReading
from pipeline.run import child_server, places, run_folder, versions
from pipeline.run.drawing import Overlay, TraySheet, overlay_path, tray_ids_path, tray_path, write_pictures
from pipeline.run.ledger import Ledger
from pipeline.run.ledger_scans import KnownScan
from pipeline.run.picture_names import picture_names
from pipeline.run.plan import limits_of
from pipeline.run.record_text import digest_of, joined, read_shape
from pipeline.run.results import Result
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

    scan: KnownScan
    results: tuple[Result, ...]
    """Of all bones on it, found or promised."""
    overlays: Mapping[str, Result]
    """Name of the overlay to its bone."""
    tray: tuple[str, ...]
    """Names of the tray sheets with counts and with ids alone; empty where none are wanted."""
    wanted: Mapping[str, str]
    """Name to the digest of all that the picture shows."""

    def only(self, names: Collection[str]) -> _ScanPictures:
        """Those of these names."""
        return replace(
            self,
            overlays={n: r for n, r in self.overlays.items() if n in names},
            tray=self.tray if any(n in names for n in self.tray) else (),
            wanted={n: digest for n, digest in self.wanted.items() if n in names},
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class PicturesJob:
    """Some pictures to draw in one child process."""

    run: Path
    scans: tuple[_ScanPictures, ...]
    shapes: tuple[Mapping[int, str], ...]
    """Of each scan, by number of the bone, as the ledger keeps them: read where they are drawn."""
    promised: Mapping[str, int]
    """Bones that the table promises, by scan."""
    settings: Settings

    @property
    def names(self) -> tuple[str, ...]:
        """Of all pictures, below the run's folder."""
        return tuple(name for scan in self.scans for name in scan.wanted)


def bring_up_to_date(
    run: Path,
    ledger: Ledger,
    results: Sequence[Result],
    promised: Mapping[str, int],
    settings: Settings,
    place: Workplace,
    say: Say,
) -> None:
    """Draw, in child processes, what differs from the pictures there; remove the pictures of bones that are gone."""
    drawn_before = ledger.pictures.all()
    names = picture_names(r.specimen.specimen for r in results)
    look = digest_of((settings.pictures.model_dump(mode="json"), versions.pictures()))
    scans = _scans(run, results, ledger.scans.all(), names, promised, look)
    wanted = {name: digest for scan in scans for name, digest in scan.wanted.items()}
    stale = {n for n, digest in wanted.items() if drawn_before.get(n) != digest or not _is_there(run / n)}
    gone = [name for name in drawn_before if name not in wanted]
    ledger.files.remove(places.with_small(gone))
    ledger.pictures.store({}, gone)
    if not stale:
        return
    say(f"pictures to draw: {len(stale)}")
    child_server.begin()
    steps = Steps(len(stale), "pictures drawn", settings.batch.report_seconds)

    limits = limits_of(_MEGAPIXELS, settings.batch)

    def draw_each(portions: Iterable[list[_ScanPictures]]) -> dict[str, Fault]:
        """Draw some pictures; returns those of the portions that met a fault."""
        failed: dict[str, Fault] = {}

        def keep(job: PicturesJob, fault: Fault | None) -> None:
            if fault is None:
                steps.step(len(job.names))
                ledger.pictures.store({name: wanted[name] for name in job.names})
            else:
                failed.update(dict.fromkeys(job.names, fault))

        jobs = (_job(run, ledger, some, promised, settings) for some in portions)
        run_batch(draw, (Task(job, limits) for job in jobs), place, keep)
        return failed

    todo = [only for only in (scan.only(stale) for scan in scans) if only.wanted]
    with steps:
        among_others = draw_each(_in_portions(todo, place.workers))
        # Whatever one picture met, those that were to be drawn with it are drawn alone.
        alone = draw_each([scan.only([name])] for scan in todo for name in scan.wanted if name in among_others)
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
    for scan, texts in zip(job.scans, job.shapes, strict=True):
        whole = {
            r.specimen.bone: joined(r.reading, read_shape(texts[r.specimen.bone]))
            for r in scan.results
            if r.reading is not None
        }
        for name, r in scan.overlays.items():
            reading = whole[r.specimen.bone]
            age = with_arcs(r.age, reading)
            overlays.append(Overlay(name=PurePosixPath(name).stem, reading=reading, age=age, specimen=r.specimen))
        if scan.tray:
            trays.append(_sheet(scan.scan, scan.results, whole, job.promised.get(scan.scan.scan)))
    write_pictures(job.run, overlays, trays, job.settings.pictures)


def _scans(
    run: Path,
    results: Sequence[Result],
    known: Mapping[str, KnownScan],
    names: Mapping[str, str],
    promised: Mapping[str, int],
    look: str,
) -> list[_ScanPictures]:
    """All pictures that the run should have, scan by scan. `look` is the digest of how they are drawn."""
    by_scan: dict[str, list[Result]] = {}
    for result in results:
        by_scan.setdefault(result.specimen.scan, []).append(result)
    scans = []
    for scan, bones in sorted(by_scan.items()):
        shown = {r.specimen.specimen: digest_of((_shown(r), r.age, known[scan].sha256, look)) for r in bones}
        overlays = {
            _name(run, overlay_path(run, names[r.specimen.specimen])): r for r in bones if r.reading is not None
        }
        wanted = {name: shown[r.specimen.specimen] for name, r in overlays.items()}
        tray: tuple[str, ...] = ()
        if overlays and _sheet(known[scan], bones, {}, promised.get(scan)).wanted:
            tray = _name(run, tray_path(run, scan)), _name(run, tray_ids_path(run, scan))
            wanted |= dict.fromkeys(tray, digest_of((sorted(shown.items()), promised.get(scan))))
        scans.append(_ScanPictures(scan=known[scan], results=tuple(bones), overlays=overlays, tray=tray, wanted=wanted))
    return scans


def _shown(result: Result) -> dict[str, str]:
    """What the pictures of a bone show was made from: all but people's readings."""
    return {name: digest for name, digest in result.sources.items() if name != "people"}


def _name(run: Path, path: Path) -> str:
    return path.relative_to(run).as_posix()


def _in_portions(todo: Sequence[_ScanPictures], workers: int) -> Iterator[list[_ScanPictures]]:
    fewest, most = _PICTURES_AT_ONCE
    enough = min(max(sum(len(s.wanted) for s in todo) // workers + 1, fewest), most)
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
        run=run,
        scans=tuple(portion),
        shapes=tuple(ledger.scans.shapes(scan.scan.scan) for scan in portion),
        promised={scan.scan.scan: promised[scan.scan.scan] for scan in portion if scan.scan.scan in promised},
        settings=settings,
    )


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
