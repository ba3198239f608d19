"""Which marks are counted, with a first annulus that nothing shows at the place where it would lie."""

from __future__ import annotations

from statistics import median

import numpy as np

from pipeline.bone.evidence import EVIDENCE
from pipeline.records import AgedMark, Mark
from pipeline.together.counted import CountedBone
from pipeline.together.judge import JudgedBone

HIDDEN_SHARE = 0.55
"""Share of the first counted mark's radius at which a hidden annulus is put when the run does not say where: early
growth is fast."""
INSIDE = (0.25, 0.85)
"""Shares of that radius between which the place that the run expects is believed."""
LEAST_REJECTED = 0.02
"""Candidates less probable than this are texture and are left out of the tables."""
CHECK_DEPTH = 0.5
"""A rejected mark at least this deep, against the counted ones, was seen and taken for a check."""
SPLIT_SHARE = 0.35
"""A rejected mark nearer to a counted one than this share of its increment is the other line of a split mark."""
OUTERMOST = 0.985
"""Share of the axis beyond which a rejected mark is the bevel's doing."""
_DEPTH = EVIDENCE.index("log_depth")


def counted_marks(j: JudgedBone) -> tuple[AgedMark, ...]:
    """All marks of a bone worth showing, by radius; the counted numbered from the focus outward."""
    c = j.counted
    inferred = j.unseen.first_counted
    numbers = {k: n for n, k in enumerate(c.count.taken, 1 + inferred)}
    rows = [
        (mark.fraction, _row(mark, p, numbers.get(k)))
        for k, (mark, p) in enumerate(zip(c.reading.marks, c.count.mark_probability.tolist(), strict=True))
        if k in numbers or p >= LEAST_REJECTED
    ]
    if inferred:
        rows.append(_inferred(j))
    rows.sort(key=lambda r: r[0])
    return tuple(row for _, row in rows)


def suspected_fraction(j: JudgedBone) -> float:
    """Share of the axis at which an annulus hidden inside the first one counted would lie."""
    first = j.counted.fractions[0] if j.counted.taken else 1.0
    low, high = (share * first for share in INSIDE)
    if j.first_expected is not None and low < j.first_expected < high:
        return j.first_expected
    return HIDDEN_SHARE * first


def first_suspected_px(j: JudgedBone, marks: tuple[AgedMark, ...]) -> float | None:
    """Radius at which a hidden first annulus would lie, pixels: at an inferred mark where one is counted."""
    counted = [m for m in marks if m.counted]
    if counted and counted[0].inferred:
        return counted[0].radius_px
    return suspected_fraction(j) * j.counted.bone.radius_px


def split_or_check(c: CountedBone) -> tuple[bool, bool]:
    """Whether a plain mark was seen and taken for a check, and whether two lines were counted as one annulus."""
    if not c.taken:
        return False, False
    depth, fraction = c.bone.evidence[:, _DEPTH], c.bone.fraction
    plain = (depth >= median(depth[c.taken].tolist()) + np.log(CHECK_DEPTH)) & (fraction <= OUTERMOST)
    plain[c.taken] = False
    rejected = fraction[plain]
    edges = np.concatenate([[0.0], fraction[c.taken]])
    increment = np.diff(edges)[np.minimum(np.searchsorted(edges[1:], rejected), len(c.taken) - 1)]
    nearest = np.abs(edges[1:, None] - rejected).min(axis=0)
    split = nearest < SPLIT_SHARE * increment
    return bool(np.any(~split)), bool(np.any(split))


def _row(mark: Mark, probability: float, number: int | None) -> AgedMark:
    return AgedMark(
        x=mark.x,
        y=mark.y,
        radius_px=mark.radius_px,
        fraction=mark.fraction,
        probability=probability,
        counted=number is not None,
        inferred=False,
        number=number,
        arc=mark.arc,
    )


def _inferred(j: JudgedBone) -> tuple[float, AgedMark]:
    c = j.counted
    axis = c.reading.axis
    if axis is None:
        raise ValueError("a mark cannot be inferred without an axis")
    # The margin that fractions refer to is where the marks themselves place it.
    last = c.reading.marks[c.taken[-1]]
    fraction = suspected_fraction(j)
    radius = fraction * last.radius_px / last.fraction
    (fx, fy), (tx, ty) = axis.focus, axis.tip
    share = radius / axis.radius_px
    return fraction, AgedMark(
        x=fx + share * (tx - fx),
        y=fy + share * (ty - fy),
        radius_px=radius,
        fraction=fraction,
        probability=j.unseen.first,
        counted=True,
        inferred=True,
        number=1,
    )
