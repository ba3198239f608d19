"""Bones whose truth is known, read by the product, their candidates labelled by the true annuli."""

from __future__ import annotations

import hashlib
import pickle
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipeline.bone.read_bone import read_bones
from pipeline.commands import versions
from pipeline.errors import ScanRefused
from pipeline.files.scan_file import read_scan
from pipeline.files.scan_folder import find_scans
from pipeline.files.specimens import read_specimens
from pipeline.records import BoneReading, Specimen
from pipeline.settings import Settings

LEAST_VISIBLE = 0.12
"""Visibility below which a first annulus cannot be seen: no candidate may be called it."""
NEAR = 0.35
"""Share of the narrower neighbouring increment within which a candidate is the annulus."""
NEAREST_PX = 2.0
"""Pixels within which it is in any case."""
ANOTHER_BONE = 0.8
"""Share of the radius by which a focus is off when the reader looked at another thing on the tray."""


@dataclass(frozen=True, slots=True)
class KnownBone:
    """One bone as read, with its truth."""

    group: str
    """The set and the scan: bones of one scan are never parted by cross-validation."""
    specimen: Specimen
    reading: BoneReading
    truth: dict[str, object]
    """The row of truth.csv."""
    labels: NDArray[np.int64]
    """(candidate,) index of the true annulus, from 0; -1 for none."""
    fractions: NDArray[np.float64]
    """(annulus,) true share of the axis."""
    visibilities: NDArray[np.float64]
    """(annulus,) how well it shows, 0 to 1."""

    @property
    def annuli(self) -> int:
        """The true count."""
        return int(str(self.truth["annuli"]))

    @property
    def on_its_bone(self) -> bool:
        """The reader looked at this bone, not at another thing on the tray."""
        return self.focus_error < ANOTHER_BONE

    @property
    def focus_error(self) -> float:
        """Distance of the focus found from the true one, share of the true radius."""
        fx, fy, tx, ty = (float(str(self.truth[k])) for k in ("focus_x", "focus_y", "axis_x", "axis_y"))
        if self.reading.axis is None:
            return float("inf")
        return float(
            np.hypot(self.reading.axis.focus[0] - fx, self.reading.axis.focus[1] - fy) / np.hypot(tx - fx, ty - fy)
        )


def read_set(folder: Path, settings: Settings, cache: Path) -> tuple[KnownBone, ...]:
    """Every bone found of a set as `opercle simulate` writes it; read again only when set, reader or settings have
    changed.

    Bones that the reader does not find and scans that it refuses are left out: who asks for a share of all bones
    counts the rows of truth.csv.
    """
    made_of = (folder / "truth.csv", folder / "specimens.csv", Path(__file__))
    digest = hashlib.sha256(b"".join(p.read_bytes() for p in made_of)).hexdigest()[:16]
    kept = cache / f"{folder.resolve().name}-{digest}-{versions.first_pass()}-{settings.first_pass_digest()}.pickle"
    if kept.is_file():
        return tuple(pickle.loads(kept.read_bytes()))
    bones = tuple(_read(folder, settings))
    cache.mkdir(parents=True, exist_ok=True)
    kept.write_bytes(pickle.dumps(bones))
    return bones


def _read(folder: Path, settings: Settings) -> list[KnownBone]:
    scans = find_scans([folder / "scans"])
    table = read_specimens(folder / "specimens.csv", scans)
    truth = pd.read_csv(folder / "truth.csv", dtype={"specimen": str}).set_index("specimen")
    marks = dict(list(pd.read_csv(folder / "truth_annuli.csv", dtype={"specimen": str}).groupby("specimen")))
    arcs = dict(list(pd.read_csv(folder / "truth_arcs.csv", dtype={"specimen": str}).groupby("specimen")))
    out = []
    for ref in scans:
        rows = [r for r in table.rows if r.scan == ref.scan]
        try:
            scan = read_scan(ref, settings.scan)
        except ScanRefused:
            continue
        found = {reading.number: reading for _, reading in read_bones(scan, rows, settings)}
        for row in rows:
            if row.bone not in found:
                continue
            known = dict(truth.loc[row.specimen])
            own = marks.get(row.specimen)
            annuli = own[own.kind == "annulus"].sort_values("number") if own is not None else pd.DataFrame()
            labels = _labels(found[row.bone], known, arcs.get(row.specimen))
            if len(annuli) and float(annuli.visibility.iloc[0]) < LEAST_VISIBLE:
                labels = np.where(labels == 0, -1, labels)
            fractions, visibilities = (
                annuli[c].to_numpy(float) if len(annuli) else np.zeros(0) for c in ("fraction", "visibility")
            )
            group = f"{folder.name}/{ref.scan}"
            out.append(KnownBone(group, row, found[row.bone], known, labels, fractions, visibilities))
    return out


def _labels(reading: BoneReading, truth: dict[str, object], arcs: pd.DataFrame | None) -> NDArray[np.int64]:
    """Which annulus each candidate is: by radius about the true focus, at the candidate's own angle."""
    labels = np.full(len(reading.marks), -1)
    if arcs is None or not len(labels):
        return labels
    arcs = arcs[arcs.kind == "annulus"]
    if not len(arcs):
        return labels
    fx, fy, tx, ty = (float(str(truth[k])) for k in ("focus_x", "focus_y", "axis_x", "axis_y"))
    away = np.array([(m.x - fx, m.y - fy) for m in reading.marks])
    turn = np.rad2deg(np.arctan2(away[:, 1], away[:, 0]) - np.arctan2(ty - fy, tx - fx))
    turn = (turn + 180) % 360 - 180
    ordered = [a.sort_values("deg") for _, a in sorted(arcs.groupby("number"))]
    radius = np.stack([np.interp(turn, a.deg, a.radius_px) for a in ordered])
    step = np.diff(np.vstack([np.zeros(len(labels)), radius]), axis=0)
    narrower = np.minimum(step, np.vstack([step[1:], 3 * step[-1:]]))
    distance = np.abs(radius - np.hypot(away[:, 0], away[:, 1])[None])
    distance = np.where(distance <= np.maximum(NEAR * narrower, NEAREST_PX), distance, np.inf)
    while np.isfinite(distance).any():
        annulus, candidate = np.unravel_index(int(np.argmin(distance)), distance.shape)
        labels[candidate] = annulus
        distance[annulus, :], distance[:, candidate] = np.inf, np.inf
    return labels
