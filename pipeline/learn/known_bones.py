"""Bones whose truth is known, read by the product, their candidates labelled by the true annuli.

A set is a folder that `opercle simulate` writes: scans/, specimens.csv, truth.csv, truth_annuli.csv, truth_arcs.csv.
Reading a bone takes time, so readings are kept in a folder and made again only when the code that reads,
its settings or the set has changed. That folder holds pickles: give one that only you write to.
"""

from __future__ import annotations

import hashlib
import multiprocessing
import pickle
import tempfile
import zlib
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.bone.read_bone import read_bones
from pipeline.errors import ScanRefused
from pipeline.learn.labels import labels_of
from pipeline.learn.truth import Truth, read_truth
from pipeline.records import BoneReading, ScanRef, Specimen
from pipeline.run import placing, versions
from pipeline.scans.scan_file import read_scan
from pipeline.scans.scan_folder import find_scans
from pipeline.settings.whole import Settings
from pipeline.tables.atomic import write_bytes
from pipeline.tables.specimens import read_specimens
from pipeline.together.age_of_bone import Placed

KEPT_IN = Path(tempfile.gettempdir()) / "opercle-known-bones"
"""Where readings are kept when no folder is named."""
ANOTHER_BONE = 0.8
"""Share of the radius by which a focus is off when another thing on the tray was read."""


SHOWN_WITHIN = 0.015
"""Share of the radius: standard deviation of the axis shown, across and down, from the true one. The finder's own error
where it is right."""


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownBone:
    """One bone as the product sees it, with its truth."""

    folder: str
    """Name of the set."""
    placed: Placed
    """Its row of the table and its reading, if it was found."""
    truth: Truth
    labels: NDArray[np.int64]
    """(candidate,) index of the true annulus, from 0; -1 for none."""

    @property
    def specimen(self) -> Specimen:
        """Its row of the table."""
        return self.placed.specimen

    @property
    def reading(self) -> BoneReading:
        """What it shows; KeyError when it was not found."""
        if self.placed.reading is None:
            raise KeyError(f"{self.specimen.specimen} was not found on its scan")
        return self.placed.reading

    @property
    def make(self) -> str:
        """The make that it is drawn in; the set's name where the truth does not name one."""
        return self.truth.make or self.folder

    @property
    def scan(self) -> str:
        """Set and scan: bones of one scan are never parted by cross-validation."""
        return f"{self.folder}/{self.specimen.scan}"

    @property
    def focus_error(self) -> float:
        """Distance of the focus found from the true one, share of the true radius; infinite when there is none."""
        if self.placed.reading is None or self.placed.reading.axis is None:
            return float("inf")
        (x, y), (true_x, true_y) = self.placed.reading.axis.focus, self.truth.focus
        return float(np.hypot(x - true_x, y - true_y)) / self.truth.radius_px

    @property
    def learnable(self) -> bool:
        """It was found, and no other thing was read in its place."""
        return self.focus_error < ANOTHER_BONE


def read_sets(
    folders: Sequence[Path], settings: Settings, kept_in: Path = KEPT_IN, workers: int = 1, *, shown: bool = False
) -> tuple[tuple[KnownBone, ...], ...]:
    """Every bone of each set, several sets at once; `shown`: with the axis shown, nearly where it is."""
    jobs = [(folder, settings, kept_in, shown) for folder in folders]
    if workers == 1 or len(jobs) == 1:
        return tuple(read_set(*job) for job in jobs)
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(workers, mp_context=context, initializer=cv2.setNumThreads, initargs=(1,)) as pool:
        return tuple(pool.map(read_set, *zip(*jobs, strict=True)))


def read_set(folder: Path, settings: Settings, kept_in: Path = KEPT_IN, shown: bool = False) -> tuple[KnownBone, ...]:
    """Every bone of a set, in the order of its table; `shown`: with the axis shown, nearly where it is."""
    scans = find_scans([folder / "scans"]).scans
    rows = read_specimens(folder / "specimens.csv", scans).rows
    truths = read_truth(folder)
    if shown:
        rows = tuple(_with_axis(row, truths[row.specimen]) for row in rows)
    readings = _readings(folder, scans, rows, settings, kept_in)
    out = []
    for placed in placing.place(rows, placing.listed_in(rows), placing.BonesInHand(readings, {})):
        if placed.specimen.specimen not in truths:
            continue  # another thing on the tray, taken for a bone
        truth = truths[placed.specimen.specimen]
        labels = labels_of(placed.reading, truth)
        out.append(KnownBone(folder=folder.resolve().name, placed=placed, truth=truth, labels=labels))
    return tuple(out)


def _with_axis(row: Specimen, truth: Truth) -> Specimen:
    """The row with focus and axis as a person would give them: near the true ones."""
    random = np.random.default_rng(zlib.crc32(f"{row.scan}/{row.specimen}".encode()))
    ends = np.array([truth.focus, truth.tip]) + random.normal(0, SHOWN_WITHIN * truth.radius_px, (2, 2))
    (fx, fy), (tx, ty) = np.maximum(ends, 0).round(2).tolist()
    return replace(row, focus=(fx, fy), tip=(tx, ty))


def _readings(
    folder: Path, scans: Sequence[ScanRef], rows: Sequence[Specimen], settings: Settings, kept_in: Path
) -> dict[str, tuple[BoneReading, ...]]:
    """Scan to the bones found on it."""
    files = [(ref.scan, ref.size, ref.mtime_ns) for ref in scans]
    about = repr((str(folder.resolve()), files, rows, versions.first_pass(), settings.first_pass_digest()))
    kept = kept_in / f"{folder.resolve().name}-{hashlib.sha256(about.encode()).hexdigest()[:24]}.pickle"
    if kept.is_file():
        return dict(pickle.loads(kept.read_bytes()))
    found: dict[str, tuple[BoneReading, ...]] = {}
    for ref in scans:
        own = [row for row in rows if row.scan == ref.scan]
        try:
            scan = read_scan(ref, settings.scan)
        except ScanRefused:
            found[ref.scan] = ()  # its bones count as not found
            continue
        found[ref.scan] = tuple(reading for _, reading in read_bones(scan, own, settings))
    kept_in.mkdir(mode=0o700, parents=True, exist_ok=True)
    write_bytes(kept, pickle.dumps(found))
    return found
