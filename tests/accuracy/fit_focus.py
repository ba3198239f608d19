"""The focus logits fitted to bones whose focus is known: conditional maximum likelihood over each bone's candidates."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import cv2
import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.optimize import minimize

from pipeline.bone import focus
from pipeline.bone.opacity import opacity_loss
from pipeline.bone.quadratic_logit import quadratic
from pipeline.bone.reduce import reduce
from pipeline.bone.segment import find_bones
from pipeline.files.scan_file import read_scan
from pipeline.files.scan_folder import find_scans
from pipeline.files.specimens import read_specimens
from pipeline.settings import Logit, Settings

BLUR = 0.05
"""Share of the radius within which a candidate is as good as the focus: the target is a bell of this width."""
REACH = 3.5
PENALTY = 2e-3

Candidates = tuple[NDArray[np.float64], NDArray[np.float64]]
"""Features (candidate, feature) and target probability (candidate,) of one bone."""


def focus_candidates(folder: Path, settings: Settings) -> list[Candidates]:
    """All focus candidates of the bones of a set."""
    scans = find_scans([folder / "scans"])
    table = read_specimens(folder / "specimens.csv", scans)
    truth = pd.read_csv(folder / "truth.csv", dtype={"specimen": str}).set_index("specimen")
    out = []
    for ref in scans:
        rows = {r.bone: r for r in table.rows if r.scan == ref.scan}
        scan = read_scan(ref, settings.scan)
        for bone in find_bones(scan, settings.segment, max(rows, default=None)):
            if bone.number not in rows:
                continue
            small_bone, scale = reduce(bone, settings.unwrap.working_px)
            small = focus.shrink(opacity_loss(small_bone), small_bone)
            depth = np.asarray(cv2.distanceTransform(small.inside, cv2.DIST_L2, 3), np.float32)
            points = focus.candidates(small, depth)
            reach = focus.ray_lengths(small.outline[:: max(1, len(small.outline) // 240)], points)
            features = [focus.outline_features(small, points, reach, depth), focus.pixel_features(small, points, reach)]
            known = truth.loc[rows[bone.number].specimen]
            true = np.array([[known.focus_x, known.focus_y], [known.axis_x, known.axis_y]], float)
            true = ((true + 0.5) * scale - 0.5 - small.origin) * small.scale
            away = np.hypot(*(points - true[0]).T) / np.hypot(*(true[1] - true[0]))
            if away.min() > 2 * BLUR:
                continue  # another thing on the tray
            target = np.exp(-0.5 * (away / BLUR) ** 2) + 1e-12
            out.append((np.concatenate(features, axis=1), target / target.sum()))
    return out


def fit_logit(bones: Sequence[Candidates], columns: int) -> Logit:
    """The logit over the first so many features."""
    every = np.concatenate([f[:, :columns] for f, _ in bones])
    centre, scale = every.mean(0), every.std(0)
    x = quadratic(np.clip((every - centre) / scale, -REACH, REACH))
    spread = x.std(0) + 1e-9
    x = x / spread
    size = np.array([len(f) for f, _ in bones])
    start = np.concatenate([[0], np.cumsum(size)[:-1]])
    bone = np.repeat(np.arange(len(size)), size)
    target = np.concatenate([t for _, t in bones])

    def loss(w: NDArray[np.float64]) -> tuple[float, NDArray[np.float64]]:
        score = x @ w
        score = score - np.maximum.reduceat(score, start)[bone]
        total = np.add.reduceat(np.exp(score), start)
        p = np.exp(score) / total[bone]
        value = -float((target * (score - np.log(total)[bone])).sum()) / len(size) + PENALTY * float(w @ w)
        return value, x.T @ (p - target) / len(size) + 2 * PENALTY * w

    found = minimize(loss, np.zeros(x.shape[1]), jac=True, method="L-BFGS-B", options={"maxiter": 300})
    return Logit(centre=tuple(centre), scale=tuple(scale), weights=tuple(found.x / spread), reach=REACH)
