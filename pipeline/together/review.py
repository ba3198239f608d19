"""The one place that decides which bones a person must look at, and says why.

Reasons send a bone to a person, notices only inform; both come in the order of their registry, each once.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from itertools import pairwise

from pipeline.codes import NOTICES, REASONS, Code
from pipeline.records import BoneReading, Specimen
from pipeline.settings.second_pass import ReviewSettings


@dataclass(frozen=True, slots=True, kw_only=True)
class Circumstances:
    """What is known of a bone besides its table row and its reading."""

    scan_refused: bool = False
    """The bone is not there because its scan could not be used."""
    tray_mismatch: bool = False
    """Its scan holds more or fewer bones than the table says."""
    unlisted: bool = False
    """There is a table, and no row of it names the bone."""
    readers_differ: bool = False
    """The people who read it give several counts of which none prevails."""


PLAIN = Circumstances()


@dataclass(frozen=True, slots=True, kw_only=True)
class Findings:
    """All that was found out about one bone by the end of the second pass."""

    specimen: Specimen
    reading: BoneReading | None
    """None: the table promises a bone that is not there."""
    around: Circumstances = PLAIN
    species_known: bool = True
    """There are settings for its species."""
    annuli: int | None = None
    """The most probable count; None when the bone is not aged."""
    confidence: float | None = None
    """Calibrated probability of that count; None when the bone is not aged."""
    radii_px: tuple[float, ...] = ()
    """Of the counted annuli, the smallest first; inferred ones included."""
    increment_expected_px: float | None = None
    """The whole increment expected beyond the last annulus; None when not known."""
    margin_doubt: bool = False
    """The count model wavers between counts that differ in the last marks alone."""
    first_year_ambiguous: bool = False
    edge_undecided: bool = False
    unfamiliar: bool = False
    """The bone is unlike all that the machine was taught on."""
    size_mismatch: bool = False
    unlikely_growth: bool = False
    sides_differ: bool = False
    check_seen: bool = False
    """A mark was seen and taken for a check."""
    split_seen: bool = False
    """Two lines that join were counted as one annulus."""


def reasons_of(found: Findings, review: ReviewSettings) -> tuple[str, ...]:
    """Codes of `codes.REASONS` that send the bone to a person; empty when none needs to look."""
    reading, around = found.reading, found.around
    always = {"tray-mismatch": around.tray_mismatch, "readers-differ": around.readers_differ}
    if reading is None:
        absent = "scan-refused" if around.scan_refused else "missing-bone"
        return _in_order([absent, *_when(always)], REASONS)
    aged = found.annuli is not None
    captured = found.specimen.captured
    codes = _when(
        {
            "no-reading": not aged,
            "low-confidence": found.confidence is not None and found.confidence < review.least_confidence,
            "first-year": aged and found.first_year_ambiguous,
            "edge-undecided": aged and found.edge_undecided,
            "crowded-margin": aged and (found.margin_doubt or _margin_gap(found) < review.least_gap_px),
            "low-resolution": aged and _narrowest(found.radii_px) < review.least_resolved_px,
            "unfamiliar": found.unfamiliar,
            "unlikely-growth": found.unlikely_growth,
            "size-mismatch": found.size_mismatch,
            "sides-differ": found.sides_differ,
            "date-incomplete": aged and captured is not None and captured.as_date() is None,
        }
        | always
    )
    return _in_order([*reading.reasons, *codes], REASONS)


def notices_of(found: Findings) -> tuple[str, ...]:
    """Codes of `codes.NOTICES` that the user may want to know of."""
    reading = found.reading
    aged = found.annuli is not None
    codes = _when(
        {
            "no-date": aged and found.specimen.captured is None,
            "lighting-found": reading is not None and not found.specimen.lighting,
            "species-unknown": reading is not None and not found.species_known,
            "corrected": reading is not None and reading.axis is not None and reading.axis.by_hand,
            "check-seen": aged and found.check_seen,
            "split-seen": aged and found.split_seen,
            "no-row": found.around.unlisted,
        }
    )
    return _in_order([*(reading.notices if reading else ()), *codes], NOTICES)


def _margin_gap(found: Findings) -> float:
    """The narrower of the last counted increment and the one expected after it, pixels; endless without either.

    Where the next annulus would lie too close to the last one, it may be there and not be seen.
    """
    radii, expected = found.radii_px, found.increment_expected_px
    last = radii[-1] - radii[-2] if len(radii) > 1 else math.inf
    return last if expected is None else min(last, expected)


def _narrowest(radii: tuple[float, ...]) -> float:
    """The narrowest increment, the last counted one left out (that is the crowded margin), pixels."""
    return min((outer - inner for inner, outer in pairwise((0.0, *radii[:-1]))), default=math.inf)


def _when(codes: Mapping[str, bool]) -> list[str]:
    return [code for code, holds in codes.items() if holds]


def _in_order(codes: Iterable[str], registry: Mapping[str, Code]) -> tuple[str, ...]:
    """Each code once, in the registry's order; a code that is not registered is a fault of the program."""
    wanted = set(codes)
    unknown = wanted - registry.keys()
    if unknown:
        raise KeyError(f"not in the registry of codes: {', '.join(sorted(unknown))}")
    return tuple(code for code in registry if code in wanted)
