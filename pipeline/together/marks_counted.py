"""Which marks are counted, with those that nothing shows at the place where they would lie."""

from __future__ import annotations

from statistics import median

import numpy as np

from pipeline.bone.marks import EVIDENCE
from pipeline.counting.chains import Bone
from pipeline.counting.count import Count
from pipeline.records import AgedMark, BoneReading, Mark

HIDDEN_SHARE = 0.55
"""Share of the second annulus's radius at which a hidden first one is put when no length tells: early growth is
fast."""
AT_MARGIN_PX = 1.2
"""Pixels inside the margin at which an annulus that has just formed is put."""
LEAST_REJECTED = 0.02
"""Candidates less probable than this are texture and are not told."""
CHECK_DEPTH = 0.5
"""A rejected mark at least this deep, against the counted ones, was seen and taken for a check."""
SPLIT_SHARE = 0.35
"""A rejected mark nearer to a counted one than this share of its increment is the other line of a split mark."""
OUTERMOST = 0.985
"""Share of the axis beyond which a rejected mark is the bevel's doing."""
_DEPTH = EVIDENCE.index("log_depth")


def counted_marks(reading: BoneReading, bone: Bone, count: Count) -> tuple[AgedMark, ...]:
    """All marks of a bone worth telling, by radius; the counted numbered from the focus outward."""
    path = count.path
    numbers = {k: n for n, k in enumerate(path.taken, 1 + path.hidden_first)}
    rows = [
        (mark.fraction, _row(mark, p, numbers.get(k)))
        for k, (mark, p) in enumerate(zip(reading.marks, count.mark_probability.tolist(), strict=True))
        if k in numbers or p >= LEAST_REJECTED
    ]
    if reading.axis is not None:
        # The margin that fractions refer to: where the marks themselves place it, else the outline's.
        last = reading.marks[path.taken[-1]] if path.taken else None
        margin_px = last.radius_px / last.fraction if last else reading.axis.radius_px
        if path.hidden_first:
            rows.append(_inferred(reading, hidden_fraction(bone, count), margin_px, count.hidden_first, 1))
        if path.late:
            last_number = len(numbers) + path.hidden_first + 1
            inside = min(AT_MARGIN_PX / max(margin_px, 2.0), (1 - last.fraction) / 2 if last else 0.5)
            rows.append(_inferred(reading, 1 - inside, margin_px, count.late, last_number))
    rows.sort(key=lambda r: r[0])
    return tuple(row for _, row in rows)


def hidden_fraction(bone: Bone, count: Count) -> float:
    """Share of the axis at which a hidden first annulus would lie."""
    second = float(bone.fraction[count.path.taken[0]]) if count.path.taken else 1.0
    expected = bone.first_length_share
    if np.isfinite(expected) and 0.25 * second < expected < 0.85 * second:
        return float(expected)
    return HIDDEN_SHARE * second


def hidden_first_px(reading: BoneReading, bone: Bone, marks: tuple[AgedMark, ...]) -> float | None:
    """Radius at which a hidden first annulus would lie, pixels: at an inferred mark where one is counted, else where
    the fish's length lets it be expected, inside the first mark counted."""
    if reading.axis is None:
        return None
    counted = [m for m in marks if m.counted]
    if counted and counted[0].inferred:
        return counted[0].radius_px
    first = counted[0].fraction if counted else 1.0
    expected = bone.first_length_share
    share = expected if np.isfinite(expected) and 0.25 * first < expected < 0.85 * first else HIDDEN_SHARE * first
    return float(share) * reading.axis.radius_px


def split_or_check(bone: Bone, count: Count) -> tuple[bool, bool]:
    """Whether a plain mark was seen and taken for a check, and whether two lines were counted as one annulus."""
    taken = list(count.path.taken)
    if not taken:
        return False, False
    depth = bone.evidence[:, _DEPTH]
    plain = (depth >= median(depth[taken].tolist()) + np.log(CHECK_DEPTH)) & (bone.fraction <= OUTERMOST)
    plain[taken] = False
    rejected = bone.fraction[plain]
    edges = np.concatenate([[0.0], bone.fraction[taken]])
    increment = np.diff(edges)[np.minimum(np.searchsorted(edges[1:], rejected), len(taken) - 1)]
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


def _inferred(
    reading: BoneReading, fraction: float, margin_px: float, probability: float, number: int
) -> tuple[float, AgedMark]:
    axis = reading.axis
    if axis is None:
        raise ValueError("a mark cannot be inferred without an axis")
    (fx, fy), (tx, ty) = axis.focus, axis.tip
    share = fraction * margin_px / axis.radius_px
    return fraction, AgedMark(
        x=fx + share * (tx - fx),
        y=fy + share * (ty - fy),
        radius_px=fraction * margin_px,
        fraction=fraction,
        probability=probability,
        counted=True,
        inferred=True,
        number=number,
    )
