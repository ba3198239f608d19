"""Figures of the report, from its bones: groups by species and water, first increments, the two sides, scan quality."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.codes import REASONS
from pipeline.pages.charts import Bar, DotStrip
from pipeline.pages.report_records import ReportBone, ReportTray, State

STATES: tuple[State, ...] = ("settled", "kept", "wait", "none")
FEWEST_FOR_APART = 8
"""First increments in a group before one can lie apart from the others."""
APART_DEVIATIONS = 3.5
"""Median absolute deviations, scaled to standard deviations, from the median: the usual bound for outliers
(Iglewicz and Hoaglin 1993, from memory)."""
_MAD_TO_SD = 1.4826
LEAST_INCREMENT_PX = 5.0
"""Below it increments cannot be told apart safely; the README's advice on resolution."""
CONFIDENCE_BINS = 10
MOST_GROUPS = 12
"""Groups with a chart of their own; the numbers of all are in a table."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BoneGroup:
    """The bones of one species in one water."""

    species: str
    water: str
    bones: tuple[ReportBone, ...]

    @property
    def name(self) -> str:
        """As shown."""
        return ", ".join(p for p in (self.species or "species not given", self.water or "water not given") if p)


@dataclass(frozen=True, slots=True, kw_only=True)
class FirstIncrements:
    """First increments of all groups."""

    rows: tuple[DotStrip, ...]
    unit: str
    """`mm`, or `of the axis` when most bones have no resolution."""
    apart: tuple[ReportBone, ...]
    """Bones whose first increment lies apart from the others of their group."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BothSides:
    """Final counts of the two bones of a fish."""

    pairs: tuple[tuple[int, int], ...]
    """Left and right, or the first and second bone of the table where the sides are not known."""
    known: bool
    """The sides of all pairs are known."""
    unequal: tuple[tuple[str, int, int], ...]
    """(fish, first count, second count)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ScanQuality:
    """A few numbers on the scans."""

    resolutions: tuple[tuple[str, int], ...]
    """Dots an inch in words, and bones."""
    lightings: tuple[tuple[str, int], ...]
    narrow: int
    """Bones with an increment under `LEAST_INCREMENT_PX`."""
    with_increments: int
    worst: tuple[tuple[str, int, int], ...]
    """(scan, bones that wait, bones) of the scans with several bones where most wait."""


def groups(bones: Sequence[ReportBone]) -> tuple[BoneGroup, ...]:
    """By species and water, the largest first."""
    by: dict[tuple[str, str], list[ReportBone]] = defaultdict(list)
    for bone in bones:
        by[bone.species, bone.water].append(bone)
    made = (BoneGroup(species=s, water=w, bones=tuple(found)) for (s, w), found in by.items())
    return tuple(sorted(made, key=lambda g: (-len(g.bones), g.name)))


def ages_of(group: BoneGroup) -> tuple[str, tuple[Bar, ...]]:
    """What the bars are of (age class, or annuli where most bones have no age class), and the bars."""
    counted = [b for b in group.bones if b.final_annuli is not None]
    by_age = sum(b.final_age_class is not None for b in counted) * 2 >= len(counted)
    values = [(b.final_age_class if by_age else b.final_annuli, b.state) for b in counted]
    there = [v for v, _ in values if v is not None]
    if not there:
        return "annuli", ()
    tally = Counter(values)
    states = STATES[:3]
    bars = [
        Bar(label=str(v), parts=tuple(tally[v, state] for state in states)) for v in range(min(there), max(there) + 1)
    ]
    return ("age class" if by_age else "annuli"), tuple(bars)


def confidence_bars(bones: Sequence[ReportBone]) -> tuple[Bar, ...]:
    """Bones by the machine's confidence, in tenths."""
    tally: Counter[tuple[int, State]] = Counter()
    for bone in bones:
        if bone.confidence is not None:
            tally[min(int(bone.confidence * CONFIDENCE_BINS), CONFIDENCE_BINS - 1), bone.state] += 1
    return tuple(
        Bar(label=f".{i}" if i else "0", parts=tuple(tally[i, state] for state in STATES[:3]))
        for i in range(CONFIDENCE_BINS)
    )


def reasons_of(bones: Sequence[ReportBone]) -> tuple[tuple[str, int, int], ...]:
    """(code, bones with it, bones with it alone), the most frequent first; those that people settled left out."""
    waiting = [b for b in bones if not b.by_person]
    tally = Counter(code for b in waiting for code in b.reasons)
    alone = Counter(b.reasons[0] for b in waiting if len(b.reasons) == 1)
    order = {code: place for place, code in enumerate(REASONS)}
    return tuple((c, n, alone[c]) for c, n in sorted(tally.items(), key=lambda i: (-i[1], order.get(i[0], 0))))


def first_increments(found: Sequence[BoneGroup]) -> FirstIncrements | None:
    """By group; None when there is nothing to show."""
    marked = [b for g in found for b in g.bones if b.first_fraction is not None]
    in_mm = sum(b.first_mm is not None for b in marked) * 2 >= len(marked)
    rows, apart = [], []
    for group in found:
        bones = [b for b in group.bones if (b.first_mm if in_mm else b.first_fraction) is not None]
        if not bones:
            continue
        values = np.array([b.first_mm if in_mm else b.first_fraction for b in bones], dtype=np.float64)
        low, middle, high = (float(v) for v in np.quantile(values, (0.25, 0.5, 0.75)))
        spread = _MAD_TO_SD * float(np.median(np.abs(values - middle)))
        odd = np.abs(values - middle) > APART_DEVIATIONS * spread if len(values) >= FEWEST_FOR_APART else values < 0
        apart += [b for b, is_odd in zip(bones, odd, strict=True) if is_odd]
        quartiles = {"low": low, "middle": middle, "high": high}
        values_apart = tuple(bool(o) for o in odd)
        rows.append(DotStrip(label=group.name, values=tuple(values.tolist()), apart=values_apart, **quartiles))
    rows = rows[:MOST_GROUPS]
    return (
        FirstIncrements(rows=tuple(rows), unit="mm" if in_mm else "of the axis", apart=tuple(apart)) if rows else None
    )


def sides(bones: Sequence[ReportBone]) -> BothSides:
    """The fish of which two bones have a final count."""
    by_fish: dict[str, list[ReportBone]] = defaultdict(list)
    for bone in bones:
        if bone.final_annuli is not None:
            by_fish[bone.fish].append(bone)
    two = {fish: sorted(found, key=lambda b: b.side) for fish, found in by_fish.items() if len(found) == 2}
    known = all({b.side for b in pair} == {"L", "R"} for pair in two.values())
    counts = [(fish, pair[0].final_annuli or 0, pair[1].final_annuli or 0) for fish, pair in two.items()]
    unequal = sorted((c for c in counts if c[1] != c[2]), key=lambda c: (-abs(c[1] - c[2]), c[0]))
    return BothSides(pairs=tuple((a, b) for _, a, b in counts), known=known and bool(two), unequal=tuple(unequal))


def scan_quality(bones: Sequence[ReportBone], trays: Sequence[ReportTray]) -> ScanQuality:
    """Resolution, lighting, narrow increments, and the trays on which most bones wait."""
    resolutions = Counter("not known" if b.dpi is None else f"{b.dpi:.0f} dpi" for b in bones if b.picture)
    lightings = Counter(b.lighting for b in bones if b.lighting)
    narrow = [b.narrowest_px for b in bones if b.narrowest_px is not None]
    waiting = Counter(b.scan for b in bones if b.state in ("wait", "none"))
    whole = Counter(b.scan for b in bones)
    worst = [(t.scan, waiting[t.scan], whole[t.scan]) for t in trays if waiting[t.scan] * 2 > whole[t.scan] > 1]
    return ScanQuality(
        resolutions=tuple(resolutions.most_common()),
        lightings=tuple(lightings.most_common()),
        narrow=sum(v < LEAST_INCREMENT_PX for v in narrow),
        with_increments=len(narrow),
        worst=tuple(sorted(worst, key=lambda w: (-w[1] / w[2], -w[1]))),
    )
