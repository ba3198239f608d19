"""Fit the numbers of configs/fitted.toml to bones of known age.

    python tests/accuracy/fit.py SET... --out FILE [--cache FOLDER] [--focus]

A SET is a folder that `opercle simulate` writes. Without --focus the focus logits stay as they are shipped.
"""

from __future__ import annotations

import argparse
import zlib
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from fit_focus import fit_logit, focus_candidates
from known_bones import KnownBone, read_set
from numpy.typing import NDArray
from sklearn.linear_model import LogisticRegression

from pipeline.bone.focus import OUTLINE_FEATURES, PIXEL_FEATURES
from pipeline.bone.marks import EVIDENCE
from pipeline.bone.quadratic_logit import quadratic
from pipeline.settings import EvidenceModel, Logit, NamedWeights, Settings
from pipeline.settings_files import read_settings
from pipeline.together import sequence
from pipeline.together.chains import Bone, bone_of, chains, evidence_features
from pipeline.together.confidence import CONFIDENCE, confidence_features, first_year_features
from pipeline.together.count import Count, count_annuli
from pipeline.together.sequence_fit import Problem, fit, paths

FOLDS = 3
REACH = 3.5
COUNT_WEIGHT = 0.5
"""Half of each bone's say to its path, half to its count: by cross-validation better than either alone."""
EVIDENCE_PENALTY, CHAIN_PENALTY = 1e-2, 2e-4
ITERATIONS = 100

Floats = NDArray[np.float64]


def main() -> None:
    """Read the sets, fit, and write the file."""
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("sets", nargs="+", type=Path)
    options.add_argument("--out", type=Path, required=True)
    options.add_argument("--cache", type=Path, default=Path(".cache"))
    options.add_argument("--focus", action="store_true")
    given = options.parse_args()
    settings = read_settings()
    if given.focus:
        candidates = [c for folder in given.sets for c in focus_candidates(folder, settings)]
        outline = fit_logit(candidates, len(OUTLINE_FEATURES))
        full = fit_logit(candidates, len(OUTLINE_FEATURES) + len(PIXEL_FEATURES))
        settings = settings.model_copy(
            update={"focus": settings.focus.model_copy(update={"outline": outline, "full": full})}
        )
    known = [bone for folder in given.sets for bone in read_set(folder, settings, given.cache) if bone.on_its_bone]
    bones = [
        bone_of(k.specimen, k.reading, settings, mm)
        for k, mm in zip(known, first_year_lengths(known, settings), strict=True)
    ]
    counts = cross_fitted(known, bones, settings)
    right = np.array([int(c.probability.argmax()) == k.annuli for c, k in zip(counts, known, strict=True)])
    print(f"{len(known)} bones, exact by cross-validation {right.mean():.3f}")
    settings = fitted(known, bones, settings)
    given.out.write_text(
        as_toml(settings, fit_confidence(known, bones, counts, right), fit_first_year(known, bones, counts), len(known))
    )


def first_year_lengths(known: Sequence[KnownBone], settings: Settings) -> list[float]:
    """What the second pass would expect of each bone: its set's own first years, drawn towards the species'
    settings."""
    seen: dict[tuple[str, str], list[float]] = {}
    for k in known:
        if len(k.fractions) and k.specimen.length_mm and str(k.truth["first_year_obscured"]) != "True":
            seen.setdefault(_run(k), []).append(float(np.log(k.fractions[0] * k.specimen.length_mm)))
    out = []
    for k in known:
        prior = np.log(settings.species_of(k.specimen.species).growth.first_year_length_mm)
        own = seen.get(_run(k), [])
        worth = settings.count.first_year_bones
        median = float(np.median(own)) if own else 0.0
        out.append(float(np.exp((worth * prior + len(own) * median) / (worth + len(own)))))
    return out


def _run(k: KnownBone) -> tuple[str, str]:
    return k.group.split("/")[0], k.specimen.species


def fitted(known: Sequence[KnownBone], bones: Sequence[Bone], settings: Settings) -> Settings:
    """Settings with evidence and sequence fitted to these bones."""
    every = np.concatenate([b.evidence for b in bones if len(b.evidence)])
    model = EvidenceModel(centre=tuple(every.mean(0)), scale=tuple(every.std(0) + 1e-6), reach=REACH, weights=())
    features = [evidence_features(b.evidence, model) for b in bones]
    labels = np.concatenate([k.labels >= 0 for k in known])
    start = (
        LogisticRegression(C=0.02, fit_intercept=False, max_iter=200)
        .fit(np.concatenate(features).astype(np.float32), labels)
        .coef_[0]
    )
    arrays, chosen = chains(bones, [f @ start for f in features])
    shown = np.zeros((*chosen.shape, len(start)), np.float32)
    own = np.full(chosen.shape, -1)
    for b, (own_features, k) in enumerate(zip(features, known, strict=True)):
        real = chosen[b] >= 0
        shown[b, real], own[b, real] = own_features[chosen[b][real]], k.labels[chosen[b][real]]
    annuli = [k.annuli for k in known]
    problem = Problem(arrays, shown, tuple(paths(list(own), annuli)), tuple(annuli), COUNT_WEIGHT)
    penalty = np.full(len(start), EVIDENCE_PENALTY)
    penalty[0] *= 0.01
    penalty[1 : len(EVIDENCE) + 1] *= 0.3
    evidence, chain = fit(
        problem,
        (start, np.zeros(len(sequence.FEATURES))),
        penalty,
        np.full(len(sequence.FEATURES), CHAIN_PENALTY),
        ITERATIONS,
    )
    weights = dict(zip(sequence.FEATURES, (float(w) for w in chain), strict=True))
    return settings.model_copy(
        update={
            "evidence": model.model_copy(update={"weights": tuple(float(w) for w in evidence)}),
            "count": settings.count.model_copy(update={"weights": weights}),
        }
    )


def cross_fitted(known: Sequence[KnownBone], bones: Sequence[Bone], settings: Settings) -> list[Count]:
    """Counts of every bone by a model that saw no bone of its scan."""
    fold = np.array([zlib.crc32(k.group.encode()) % FOLDS for k in known])
    out: dict[int, Count] = {}
    for held in range(FOLDS):
        learn, test = np.flatnonzero(fold != held), np.flatnonzero(fold == held)
        model = fitted([known[i] for i in learn], [bones[i] for i in learn], settings)
        out |= dict(zip((int(i) for i in test), count_annuli([bones[i] for i in test], model), strict=True))
    return [out[i] for i in range(len(known))]


def fit_confidence(
    known: Sequence[KnownBone], bones: Sequence[Bone], counts: Sequence[Count], right: NDArray[np.bool_]
) -> NamedWeights:
    """The logit of a count being right."""
    x = np.array([confidence_features(c, b, k.reading) for c, b, k in zip(counts, bones, known, strict=True)])[:, 1:]
    centre, scale = x.mean(0), x.std(0) + 1e-9
    model = LogisticRegression(C=0.3, max_iter=1000).fit((x - centre) / scale, right)
    weights = model.coef_[0] / scale
    return NamedWeights(
        weights=dict(
            zip(CONFIDENCE, [float(model.intercept_[0] - weights @ centre), *map(float, weights)], strict=True)
        )
    )


def fit_first_year(known: Sequence[KnownBone], bones: Sequence[Bone], counts: Sequence[Count]) -> Logit:
    """The logit of a first annulus that is hidden or hardly shows."""
    x = np.array([first_year_features(c, b, k.reading) for c, b, k in zip(counts, bones, known, strict=True)])
    centre, scale = x.mean(0), x.std(0) + 1e-9
    hidden = np.array([str(k.truth["first_year_obscured"]) == "True" for k in known])
    model = LogisticRegression(C=0.05, max_iter=2000).fit(
        quadratic(np.clip((x - centre) / scale, -REACH, REACH)), hidden
    )
    return Logit(
        centre=tuple(centre),
        scale=tuple(scale),
        weights=tuple(model.coef_[0]),
        constant=float(model.intercept_[0]),
        reach=REACH,
    )


def as_toml(settings: Settings, confidence: NamedWeights, first_year: Logit, bones: int) -> str:
    """The whole file."""
    how = f"from {bones} drawn bones, never by hand. See DEVELOPERS.md."
    parts = [f"# Fitted numbers: written by `python tests/accuracy/fit.py` {how}\n"]
    parts += [_logit("focus.outline", settings.focus.outline), _logit("focus.full", settings.focus.full)]
    e = settings.evidence
    parts.append(
        _table("evidence", centre=_row(e.centre), scale=_row(e.scale), reach=str(e.reach), weights=_row(e.weights))
    )
    for name, weights in (("count", settings.count.weights), ("confidence", confidence.weights)):
        parts.append(_table(f"{name}.weights", **{k: f"{v:.5g}" for k, v in weights.items()}))
    parts.append(_logit("first_year", first_year))
    return "\n".join(parts)


def _logit(name: str, logit: Logit) -> str:
    values = {"centre": _row(logit.centre), "scale": _row(logit.scale), "weights": _row(logit.weights)}
    return _table(name, **values, constant=f"{logit.constant:.5g}", reach=str(logit.reach))


def _table(name: str, **values: str) -> str:
    return "\n".join([f"[{name}]", *(f"{k} = {v}" for k, v in values.items()), ""])


def _row(values: Sequence[float]) -> str:
    return "[" + ", ".join(f"{v:.5g}" for v in values) + "]"


if __name__ == "__main__":
    main()
