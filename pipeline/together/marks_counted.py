"""Which marks are counted, with those that nothing shows at the place where they would lie."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from pipeline.bone.marks import EVIDENCE
from pipeline.records import AgedMark, BoneReading, Mark
from pipeline.together.chains import Bone
from pipeline.together.count import Count

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
_DEPTH = EVIDENCE.index("log_depth")


def counted_marks(reading: BoneReading, bone: Bone, count: Count) -> tuple[AgedMark, ...]:
    """All marks of a bone worth telling, by radius; the counted numbered from the focus outward."""
    taken = set(count.path.taken)
    rows: list[tuple[float, AgedMark]] = []
    for k, mark in enumerate(reading.marks):
        p = float(count.mark_probability[k])
        if k in taken or p >= LEAST_REJECTED:
            rows.append((mark.fraction, _row(mark, p, counted=k in taken)))
    if reading.axis is not None:
        # The margin that fractions refer to: where the marks themselves place it, else the outline's.
        last = reading.marks[count.path.taken[-1]] if count.path.taken else None
        margin_px = last.radius_px / last.fraction if last else reading.axis.radius_px
        if count.path.hidden_first:
            rows.append(_inferred(reading, hidden_fraction(bone, count), margin_px, count.hidden_first))
        if count.path.late:
            rows.append(_inferred(reading, 1 - AT_MARGIN_PX / max(margin_px, 2.0), margin_px, count.late))
    rows.sort(key=lambda r: r[0])
    out, number = [], 0
    for _, row in rows:
        number += row.counted
        out.append(replace(row, number=number if row.counted else None))
    return tuple(out)


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
    typical = float(np.median(bone.evidence[taken, _DEPTH]))
    edges = np.concatenate([[0.0], bone.fraction[taken]])
    check = split = False
    for k in range(len(bone.fraction)):
        if k in taken or bone.evidence[k, _DEPTH] < typical + np.log(CHECK_DEPTH) or bone.fraction[k] > 0.985:
            continue
        after = int(np.searchsorted(edges, bone.fraction[k]))
        increment = edges[after] - edges[after - 1] if after < len(edges) else edges[-1] - edges[-2]
        nearest = float(np.abs(edges[1:] - bone.fraction[k]).min())
        split |= nearest < SPLIT_SHARE * increment
        check |= nearest >= SPLIT_SHARE * increment
    return check, split


def _row(mark: Mark, probability: float, counted: bool) -> AgedMark:
    return AgedMark(
        x=mark.x,
        y=mark.y,
        radius_px=mark.radius_px,
        fraction=mark.fraction,
        probability=probability,
        counted=counted,
        inferred=False,
        number=None,
        arc=mark.arc,
    )


def _inferred(reading: BoneReading, fraction: float, margin_px: float, probability: float) -> tuple[float, AgedMark]:
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
        number=None,
    )
