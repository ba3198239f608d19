"""The focus logits fitted to bones whose focus is known: conditional maximum likelihood over each bone's candidates."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize

from pipeline.bone import focus
from pipeline.bone.focus_signs import all_signs, direction_signs, radial_signs
from pipeline.bone.opacity import opacity_loss
from pipeline.bone.reduce import reduce
from pipeline.bone.segment import find_bones
from pipeline.bone.small_bone import SmallBone, shrink
from pipeline.learn.truth import Truth, read_truth
from pipeline.records import Numbers
from pipeline.scans.scan_file import read_scan
from pipeline.scans.scan_folder import find_scans
from pipeline.settings.first_pass import FocusSettings
from pipeline.settings.values import Choice
from pipeline.settings.whole import Settings
from pipeline.tables.specimens import read_specimens

BLUR = 0.05
"""Share of the radius within which a candidate is as good as the focus: the target is a bell of this width."""
LEAST_TARGET = 1e-12
"""Target of a candidate far from the focus: no bone may be without any."""
REACH = 3.5
"""Standard deviations at which a sign is cut."""
PENALTY = 1e-3
"""Of the squared weights, signs scaled to one."""
ITERATIONS = 300


@dataclass(frozen=True, slots=True)
class Candidates:
    """The focus candidates of one bone, at working size."""

    make: str
    """Which make of drawing it comes from."""
    points: NDArray[np.float32]
    """(candidate, 2) working pixels."""
    of_direction: NDArray[np.float32]
    """(candidate, sign)."""
    of_rays: NDArray[np.float32]
    """(candidate, sign)."""
    true_focus: Numbers
    """(2,) working pixels."""
    radius: float
    """True length of the axis, working pixels."""

    @property
    def away(self) -> Numbers:
        """(candidate,) distance from the true focus as a share of the radius."""
        return np.asarray(np.hypot(*(self.points - self.true_focus).T) / self.radius)

    @property
    def target(self) -> Numbers:
        """(candidate,) probability that each should get."""
        bell = np.exp(-0.5 * (self.away / BLUR) ** 2) + LEAST_TARGET
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
            candidates = _candidates(shrink(opacity_loss(small), small), scale, own[bone.number])
            if candidates.away.min() < 2 * BLUR:  # no other thing on the tray stands in the bone's place
                out.append(candidates)
    return out


def _candidates(small: SmallBone, scale: float, truth: Truth) -> Candidates:
    """scale : pixels that the bone was read at a scan pixel."""
    points, reach = focus.candidates(small)
    ends = ((np.array([truth.focus, truth.tip]) + 0.5) * scale - 0.5 - small.origin) * small.scale
    return Candidates(
        make=truth.make,
        points=points,
        of_direction=direction_signs(small, points, reach).astype(np.float32),
        of_rays=radial_signs(small, points, reach).astype(np.float32),
        true_focus=ends[0],
        radius=float(np.hypot(*(ends[1] - ends[0]))),
    )


def fit_focus(bones: Sequence[Candidates], shipped: FocusSettings) -> FocusSettings:
    """Both logits fitted; the rest as shipped. The second sees what the first puts on its shortlist, as `find_axis`
    does."""
    first = _fit_choice([b.of_direction.astype(np.float64) for b in bones], [b.target for b in bones])
    chosen = [focus.shortlist(b.of_direction.astype(np.float64), first) for b in bones]
    targets = [b.target[c] for b, c in zip(bones, chosen, strict=True)]
    signs = [_signs(b, c) for b, c in zip(bones, chosen, strict=True)]
    second = _fit_choice(signs, [t / t.sum() for t in targets])
    return shipped.model_copy(update={"shortlist": first, "choice": second})


def _signs(bone: Candidates, chosen: NDArray[np.intp]) -> Numbers:
    return all_signs(bone.of_direction[chosen].astype(np.float64), bone.of_rays[chosen].astype(np.float64))


def _fit_choice(signs: Sequence[Numbers], targets: Sequence[Numbers]) -> Choice:
    """One conditional logit: for each bone the signs of its candidates and the probability that each should get."""
    every = np.concatenate(signs)
    centre, scale = every.mean(0), every.std(0) + 1e-9
    x = np.clip((every - centre) / scale, -REACH, REACH)
    size = np.array([len(s) for s in signs])
    start = np.concatenate([[0], np.cumsum(size)[:-1]])
    bone = np.repeat(np.arange(len(size)), size)
    target = np.concatenate(targets)

    def loss(w: Numbers) -> tuple[float, Numbers]:
        score = x @ w
        score -= np.maximum.reduceat(score, start)[bone]
        total = np.add.reduceat(np.exp(score), start)
        p = np.exp(score) / total[bone]
        value = -float((target * (score - np.log(total)[bone])).sum()) / len(size) + PENALTY * float(w @ w)
        return value, x.T @ (p - target) / len(size) + 2 * PENALTY * w

    found = minimize(loss, np.zeros(x.shape[1]), jac=True, method="L-BFGS-B", options={"maxiter": ITERATIONS})
    return Choice(centre=tuple(centre), scale=tuple(scale), weights=tuple(found.x), reach=REACH)
