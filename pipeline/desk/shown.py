"""What the page may know of a bone: before the reader's answer is kept nothing of what the machine or others found,
afterwards all of it.

This is the one place that decides it: what is not returned here leaves the server in no other way.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from pipeline.codes import REASONS
from pipeline.desk.sitting import next_mark, placed_by
from pipeline.records import Age, BoneReading, Point, Reading, Specimen
from pipeline.run.ledger_desk import Act
from pipeline.together.final_ages import latest_by_reader

Shown = dict[str, Any]

PLACES: Mapping[str, str] = {
    "first-year": "Look near the focus: a first annulus may be hidden in the thick base.",
    "edge-undecided": "Look at the margin: is a new winter zone closed, and has growth begun beyond it?",
    "crowded-margin": "Zoom in on the marks before the margin: they lie close together.",
    "damaged": "Part of the bone near the axis is broken, cracked or covered: count along an undamaged part.",
    "cut-off": "The bone reaches over the scan's edge.",
    "blurred": "The scan is not sharp: see whether the narrowest marks can be told apart.",
    "lighting-unsure": "Make sure which zones are those of winter, the bright or the dark ones.",
    "focus-unsure": "Look at the focus before you count, and drag it where growth began.",
}
"""Where to look, by reason; none of them tells what the machine counted."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DeskBone:
    """All that the run holds of one bone."""

    specimen: Specimen
    age: Age
    reading: BoneReading
    """With an axis."""
    readings: tuple[Reading, ...]
    """Of people, the earliest first."""
    acts: tuple[Act, ...]
    """At the desk, the earliest first."""
    outline: tuple[Point, ...]
    """Pixels of the scan."""
    sign: str
    """Of the scan's bytes: marks are placed on these pixels."""
    sharp: bool
    """The picture at full resolution is there already."""


def shown(bone: DeskBone, reader: str) -> Shown:
    """The bone for one reader who reads alone."""
    answered = any(r.reader == reader for r in bone.readings)
    return _open_part(bone, reader) | ({"after": _after(bone, reader)} if answered else {})


def shown_jointly(bone: DeskBone, readers: tuple[str, str], together: str) -> Shown | None:
    """The bone for two readers who look together, with both their answers; None unless both have answered alone.

    The machine's part comes once they have settled it.
    """
    answers = {r.reader: r for r in latest_by_reader(bone.readings)}
    if any(reader not in answers for reader in readers):
        return None
    both = [_answer(answers[r]) | {"marks": _points(bone, r)} for r in readers]
    settled = any(r.reader == together and r.settles for r in bone.readings)
    after = {"after": _after(bone, together, *readers)} if settled else {}
    return _open_part(bone, together) | {"both": both} | after


def _open_part(bone: DeskBone, reader: str) -> Shown:
    """What a reader who has not answered yet may know."""
    s, axis = bone.specimen, bone.reading.axis
    if axis is None:
        raise ValueError(f"{s.specimen}: nothing was measured on this bone")
    mine = [r for r in bone.readings if r.reader == reader]
    return {
        "reader": reader,
        "specimen": s.specimen,
        "species": s.species,
        "water": s.water,
        "captured": str(s.captured) if s.captured else "",
        "side": s.side,
        "lighting": bone.reading.lighting,
        "dpi": bone.reading.dpi,
        "sign": bone.sign,
        "sharp": bone.sharp,
        "outline": bone.outline,
        "focus": axis.focus,
        "tip": axis.tip,
        "by_hand": axis.by_hand,
        "look": [PLACES[code] for code in bone.age.reasons if code in PLACES],
        "marks": [{"mark": p.mark, "at": p.at} for p in placed_by(bone.acts, reader)],
        "next_mark": next_mark(bone.acts, reader),
        "answers": [_answer(r) for r in mine],
    }


def _after(bone: DeskBone, *seen: str) -> Shown:
    """What is shown once the reader has answered, besides the answers that are `seen` already, by reader."""
    age = bone.age
    others = [r for r in latest_by_reader(bone.readings) if r.reader not in seen]
    return {
        "length_mm": bone.specimen.length_mm,
        "annuli": age.annuli,
        "low": age.annuli_low,
        "high": age.annuli_high,
        "confidence": age.confidence,
        "age_class": age.age_class,
        "edge": age.edge,
        "reasons": [{"code": code, "means": REASONS[code].means} for code in age.reasons if code in REASONS],
        "marks": [{"at": (m.x, m.y), "number": m.number, "inferred": m.inferred} for m in age.marks if m.counted],
        "others": [_answer(r) | {"marks": _points(bone, r.reader)} for r in others],
    }


def _answer(r: Reading) -> Shown:
    return {
        "reader": r.reader, "annuli": r.annuli, "edge": r.edge, "readability": r.readability, "note": r.note,
        "settles": r.settles,
    }  # fmt: skip


def _points(bone: DeskBone, reader: str) -> list[Point]:
    return [p.at for p in placed_by(bone.acts, reader)]
