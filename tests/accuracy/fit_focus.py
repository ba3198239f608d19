"""The focus logits fitted to bones whose focus is known: conditional maximum likelihood over each bone's candidates."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize

from pipeline.bone import focus
from pipeline.bone.focus import OUTLINE_FEATURES, PIXEL_FEATURES, SHORTLIST, most_likely
from pipeline.bone.opacity import opacity_loss
from pipeline.bone.quadratic_logit import log_odds, quadratic
from pipeline.bone.reduce import reduce
from pipeline.bone.segment import find_bones
from pipeline.scans.scan_file import read_scan
from pipeline.scans.scan_folder import find_scans
from pipeline.settings import Settings
from pipeline.settings_first_pass import FocusSettings
from pipeline.settings_values import Logit
from pipeline.tables.specimens import read_specimens
from tests.accuracy.folds import FOLDS, folds
from tests.accuracy.known_bones import Truth, read_truth

BLUR = 0.05
"""Share of the radius within which a candidate is as good as the focus: the target is a bell of this width."""
LEAST_TARGET = 1e-12
"""Target of a candidate far from the focus: no bone may be without any."""
REACH = 3.5
"""Standard deviations at which a feature is cut."""
PENALTY = 2e-3
"""Of the squared weights, features scaled to one."""
ITERATIONS = 300

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Candidates:
    """The focus candidates of one bone, at working size."""

    scan: str
    """Set and scan."""
    points: NDArray[np.float32]
    """(candidate, 2) working pixels."""
    features: NDArray[np.float32]
    """(candidate, feature): those of the outline, then those of the pixels."""
    true_focus: Floats
    """(2,) working pixels."""
    radius: float
    """True length of the axis, working pixels."""

    @property
    def target(self) -> Floats:
        """(candidate,) probability that each should get."""
        away = np.hypot(*(self.points - self.true_focus).T) / self.radius
        bell = np.exp(-0.5 * (away / BLUR) ** 2) + LEAST_TARGET
        return np.asarray(bell / bell.sum())


def focus_candidates(folder: Path, settings: Settings) -> list[Candidates]:
    """All focus candidates of the bones of a set."""
    scans = find_scans([folder / "scans"]).scans
    rows = read_specimens(folder / "specimens.csv", scans).rows
    truths = read_truth(folder)
    out = []
    for ref in scans:
        own = {row.bone: truths[row.specimen] for row in rows if row.scan == ref.scan}
        scan = read_scan(ref, settings.scan)
        for bone in find_bones(scan, max(own, default=None)):
            if bone.number not in own:
                continue
            small, scale = reduce(bone, settings.unwrap.working_px)
            name = f"{folder.resolve().name}/{ref.scan}"
            candidates = _candidates(focus.shrink(opacity_loss(small), small), scale, own[bone.number], name)
            if _on_bone(candidates):
                out.append(candidates)
    return out


def _candidates(small: focus.SmallBone, scale: float, truth: Truth, name: str) -> Candidates:
    """scale : pixels that the bone was read at a scan pixel."""
    depth = np.asarray(cv2.distanceTransform(small.inside, cv2.DIST_L2, 3), np.float32)
    points = focus.candidates(small, depth)
    # As `find_axis` does it.
    reach = focus.ray_lengths(small.outline[:: max(1, len(small.outline) // 240)], points)
    features = (focus.outline_features(small, points, reach, depth), focus.pixel_features(small, points, reach))
    ends = ((np.array([truth.focus, truth.tip]) + 0.5) * scale - 0.5 - small.origin) * small.scale
    length = float(np.hypot(*(ends[1] - ends[0])))
    return Candidates(name, points, np.concatenate(features, axis=1).astype(np.float32), ends[0], length)


def _on_bone(candidates: Candidates) -> bool:
    """Some candidate is near the true focus: no other thing on the tray stands in the bone's place."""
    away = np.hypot(*(candidates.points - candidates.true_focus).T)
    return bool(len(away) and away.min() < 2 * BLUR * candidates.radius)


def fit_focus(bones: Sequence[Candidates], shipped: FocusSettings) -> FocusSettings:
    """Both logits fitted; the rest as shipped."""
    outline = _fit_logit(bones, len(OUTLINE_FEATURES))
    full = _fit_logit(bones, len(OUTLINE_FEATURES) + len(PIXEL_FEATURES))
    return shipped.model_copy(update={"outline": outline, "full": full})


def _fit_logit(bones: Sequence[Candidates], columns: int) -> Logit:
    """The logit over the first so many features."""
    every = np.concatenate([b.features[:, :columns] for b in bones]).astype(np.float64)
    centre, scale = every.mean(0), every.std(0)
    x = quadratic(np.clip((every - centre) / scale, -REACH, REACH))
    spread = x.std(0) + 1e-9
    x /= spread
    size = np.array([len(b.points) for b in bones])
    start = np.concatenate([[0], np.cumsum(size)[:-1]])
    bone = np.repeat(np.arange(len(size)), size)
    target = np.concatenate([b.target for b in bones])

    def loss(w: Floats) -> tuple[float, Floats]:
        score = x @ w
        score -= np.maximum.reduceat(score, start)[bone]
        total = np.add.reduceat(np.exp(score), start)
        p = np.exp(score) / total[bone]
        value = -float((target * (score - np.log(total)[bone])).sum()) / len(size) + PENALTY * float(w @ w)
        return value, x.T @ (p - target) / len(size) + 2 * PENALTY * w

    found = minimize(loss, np.zeros(x.shape[1]), jac=True, method="L-BFGS-B", options={"maxiter": ITERATIONS})
    return Logit(centre=tuple(centre), scale=tuple(scale), weights=tuple(found.x / spread), reach=REACH)


def cross_validated_errors(bones: Sequence[Candidates], shipped: FocusSettings) -> Floats:
    """(bone,) distance of the focus found from the true one as a share of the true radius, by logits that saw no bone
    of its scan."""
    fold = folds([b.scan for b in bones])
    out = np.zeros(len(bones))
    for held in range(FOLDS):
        model = fit_focus([b for b, f in zip(bones, fold, strict=True) if f != held], shipped)
        for i in np.flatnonzero(fold == held):
            out[i] = _error(bones[int(i)], model)
    return out


def _error(bone: Candidates, model: FocusSettings) -> float:
    """Chosen as `find_axis` does it: a shortlist by outline, then by all features."""
    features = bone.features.astype(np.float64)
    by_outline = log_odds(features[:, : len(OUTLINE_FEATURES)], model.outline)
    chosen = np.argsort(-by_outline, kind="stable")[:SHORTLIST]
    found, _ = most_likely(bone.points[chosen], log_odds(features[chosen], model.full))
    return float(np.hypot(*(found - bone.true_focus))) / bone.radius
