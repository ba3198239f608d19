"""Bones whose truth is known, read by the product, their candidates labelled by the true annuli.

A set is a folder that `opercle simulate` writes: scans/, specimens.csv, truth.csv, truth_annuli.csv, truth_arcs.csv.
Reading a bone takes a fifth of a second, so readings are kept in a folder and made again only when the code that reads,
its settings or the set has changed. That folder holds pickles: give one that only you write to.
"""

from __future__ import annotations

import hashlib
import multiprocessing
import pickle
import tempfile
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipeline.bone.read_bone import read_bones
from pipeline.errors import ScanRefused
from pipeline.records import BoneReading, Point, ScanRef, Specimen
from pipeline.run import placing, versions
from pipeline.run.placing import Placed
from pipeline.scans.scan_file import read_scan
from pipeline.scans.scan_folder import find_scans
from pipeline.settings import Settings
from pipeline.tables.atomic import write_bytes
from pipeline.tables.specimens import read_specimens

KEPT_IN = Path(tempfile.gettempdir()) / "opercle-known-bones"
"""Where readings are kept when no folder is named."""
LEAST_VISIBLE = 0.12
"""Visibility below which a first annulus cannot be seen: no candidate may be called it."""
NEAR = 0.35
"""Share of the narrower neighbouring increment within which a candidate is the annulus."""
NEAREST_PX = 2.0
"""Pixels within which it is in any case."""
LAST_STEPS = 3.0
"""The growth beyond the last annulus is not known to the labelling; so many times the increment before it stand in."""
ANOTHER_BONE = 0.8
"""Share of the radius by which a focus is off when another thing on the tray was read."""
READABLE_RIM_PX = 3.0
"""A last annulus nearer to the margin cannot be told from it."""

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Truth:
    """What is known of one bone, in scan pixels."""

    annuli: int
    age_class: int
    first_year_obscured: bool
    level: str
    lighting: str
    dpi: int
    outline: str
    """Blank when the set does not tell."""
    make: str
    """Which make of drawing; blank when the set does not tell."""
    focus: Point
    tip: Point
    fractions: Floats
    """(annulus,) share of the growth axis."""
    visibility: Floats
    """(annulus,)."""
    arcs: tuple[tuple[Floats, Floats], ...]
    """For each annulus: degrees from the growth axis, ascending, and the radius there."""

    @property
    def radius_px(self) -> float:
        """Length of the growth axis."""
        return float(np.hypot(self.tip[0] - self.focus[0], self.tip[1] - self.focus[1]))

    @property
    def readable(self) -> bool:
        """The first annulus is visible and the last one lies inside the margin."""
        rim = 1 - float(self.fractions[-1]) if len(self.fractions) else 1.0
        return not self.first_year_obscured and (self.annuli == 0 or rim * self.radius_px >= READABLE_RIM_PX)


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
    folders: Sequence[Path], settings: Settings, kept_in: Path = KEPT_IN, workers: int = 1
) -> tuple[tuple[KnownBone, ...], ...]:
    """Every bone of each set, several sets at once."""
    jobs = [(folder, settings, kept_in) for folder in folders]
    if workers == 1 or len(jobs) == 1:
        return tuple(read_set(*job) for job in jobs)
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(workers, mp_context=context, initializer=cv2.setNumThreads, initargs=(1,)) as pool:
        return tuple(pool.map(read_set, *zip(*jobs, strict=True)))


def read_set(folder: Path, settings: Settings, kept_in: Path = KEPT_IN) -> tuple[KnownBone, ...]:
    """Every bone of a set, in the order of its table."""
    scans = find_scans([folder / "scans"]).scans
    rows = read_specimens(folder / "specimens.csv", scans).rows
    truths = read_truth(folder)
    readings = _readings(folder, scans, rows, settings, kept_in)
    out = []
    for placed in placing.place(rows, readings, {}):
        if placed.specimen.specimen not in truths:
            continue  # another thing on the tray, taken for a bone
        truth = truths[placed.specimen.specimen]
        points = np.array([(m.x, m.y) for m in placed.reading.marks] if placed.reading else []).reshape(-1, 2)
        labels = matched(points, truth)
        if len(truth.visibility) and truth.visibility[0] < LEAST_VISIBLE:
            labels = np.where(labels == 0, -1, labels)
        out.append(KnownBone(folder=folder.resolve().name, placed=placed, truth=truth, labels=labels))
    return tuple(out)


def read_truth(folder: Path) -> dict[str, Truth]:
    """Specimen to its truth."""
    table, marks, arcs = (
        pd.read_csv(folder / f"{name}.csv", dtype={"specimen": str}, keep_default_na=False)
        for name in ("truth", "truth_annuli", "truth_arcs")
    )
    marks, arcs = (t[t["kind"] == "annulus"].sort_values(["specimen", "number"]) for t in (marks, arcs))
    mark_of, arc_of = dict(list(marks.groupby("specimen"))), dict(list(arcs.groupby(["specimen", "number"])))
    out = {}
    for row in table.to_dict("records"):
        name = str(row["specimen"])
        own = mark_of.get(name, marks[:0])
        curves = [arc_of[name, number].sort_values("deg") for number in own["number"]]
        out[name] = Truth(
            annuli=int(row["annuli"]),
            age_class=int(row["age_class"]),
            first_year_obscured=str(row["first_year_obscured"]).lower() == "true",
            level=str(row["level"]),
            lighting=str(row["lighting"]),
            dpi=int(row["dpi"]),
            outline=str(row.get("outline", "")),
            make=str(row.get("make", "")),
            focus=(float(row["focus_x"]), float(row["focus_y"])),
            tip=(float(row["axis_x"]), float(row["axis_y"])),
            fractions=own["fraction"].to_numpy(np.float64),
            visibility=own["visibility"].to_numpy(np.float64),
            arcs=tuple((c["deg"].to_numpy(np.float64), c["radius_px"].to_numpy(np.float64)) for c in curves),
        )
    return out


def matched(points: Floats, truth: Truth) -> NDArray[np.int64]:
    """Which annulus each point (point, 2) lies on, from 0; -1 for none. No annulus is given twice; the nearest first.

    A point is compared with the true arcs at its own angle about the true focus, so that it need not lie on the axis.
    """
    labels = np.full(len(points), -1)
    if not len(points) or not truth.arcs:
        return labels
    radius = radii_at(points, truth)
    step = np.diff(np.vstack([np.zeros(len(points)), radius]), axis=0)
    narrower = np.minimum(step, np.vstack([step[1:], LAST_STEPS * step[-1:]]))
    distance = np.abs(radius - np.hypot(*(points - truth.focus).T)[None])
    distance = np.where(distance <= np.maximum(NEAR * narrower, NEAREST_PX), distance, np.inf)
    while np.isfinite(distance).any():
        annulus, point = np.unravel_index(int(np.argmin(distance)), distance.shape)
        labels[point] = annulus
        distance[annulus, :], distance[:, point] = np.inf, np.inf
    return labels


def radii_at(points: Floats, truth: Truth) -> Floats:
    """Radius of each annulus at the angle of each point, (annulus, point)."""
    away = points - truth.focus
    along = (truth.tip[0] - truth.focus[0], truth.tip[1] - truth.focus[1])
    turn = np.rad2deg(np.arctan2(away[:, 1], away[:, 0]) - np.arctan2(along[1], along[0]))
    turn = (turn + 180) % 360 - 180
    return np.stack([np.interp(turn, degrees, radius) for degrees, radius in truth.arcs])


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
