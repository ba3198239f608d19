"""The words beside the picture of a bone: what was found, how sure it is, and what a person should look at."""

from __future__ import annotations

from dataclasses import dataclass, field

from pipeline.codes import NOTICES, REASONS
from pipeline.pictures import ink
from pipeline.pictures.lettering import Box, Colour, Words, extent, fitting_size, legible, wrapped
from pipeline.records import Age, BoneReading, Specimen

_EDGES = {
    "translucent": "a winter zone lies at the margin",
    "narrow": "under a third of a year's growth beyond the last annulus",
    "medium": "a third to two thirds of a year's growth beyond the last annulus",
    "wide": "over two thirds of a year's growth beyond the last annulus",
}
# Words for the confidence, from the surest; the figure stands beside them.
_SURE = ((0.97, "very sure"), (0.93, "sure"), (0.75, "fairly sure"), (0.0, "not sure"))
# Counts less probable than this get no bar.
_LEAST_BAR = 0.005
_MOST_BARS = 11
_BAR_HEIGHT = 46


@dataclass(frozen=True, slots=True)
class Caption:
    """Lines of text and filled boxes, in picture pixels, and the height that they need."""

    words: tuple[Words, ...]
    blocks: tuple[tuple[Box, Colour], ...]
    height: float


@dataclass(slots=True)
class _Column:
    """A column of text that grows downwards while it is written."""

    left: float
    width: float
    top: float
    words: list[Words] = field(default_factory=list)
    blocks: list[tuple[Box, Colour]] = field(default_factory=list)

    def paragraph(self, text: str, size: int, colour: Colour = ink.INK, bold: bool = False, indent: float = 0) -> None:
        for line in wrapped(legible(text, bold), self.width - indent, size, bold):
            self.words.append(Words(line, self.left + indent, self.top, size, colour, bold))
            self.top += extent(line, size, bold)[1] + 1

    def rule(self) -> None:
        self.top += 7
        self.blocks.append(((self.left, self.top, self.left + self.width, self.top + 1), ink.RULE))
        self.top += 8


def sureness(confidence: float) -> str:
    """The confidence in words."""
    return next(words for least, words in _SURE if confidence >= least)


def caption(reading: BoneReading, age: Age, specimen: Specimen, left: float, top: float, width: float) -> Caption:
    """The caption as a column `width` pixels wide, from the given corner down."""
    column = _Column(left, width, top)
    name = legible(specimen.specimen, bold=True)
    column.paragraph(name, fitting_size(name, width, 28, 19, bold=True), bold=True)
    column.top += 2
    column.paragraph(" · ".join(filter(None, (specimen.species or "species not given", specimen.water))), 15)
    column.paragraph(" · ".join(_fish(specimen)), 15)
    bone = f"{reading.scan} · bone {reading.number} · {reading.lighting} light"
    column.paragraph(bone, 12, ink.QUIET)
    column.rule()
    _count(column, age)
    if age.status == "aged":
        column.rule()
        _findings(column, age)
    if age.review:
        column.top += 8
        _look(column, age)
    if age.notices:
        column.rule()
        for code in age.notices:
            column.paragraph(f"{code}: {NOTICES[code].means}" if code in NOTICES else code, 12, ink.QUIET)
    return Caption(tuple(column.words), tuple(column.blocks), column.top + 6)


def _fish(specimen: Specimen) -> list[str]:
    """What the table tells of the fish."""
    facts = [f"captured {specimen.captured}" if specimen.captured else "no capture date"]
    facts.append(f"{specimen.length_mm:g} mm" if specimen.length_mm is not None else "no length")
    return facts


def _count(column: _Column, age: Age) -> None:
    if age.annuli is None or age.confidence is None:
        column.paragraph("no count", 40, ink.DOUBT_INK, bold=True)
        column.paragraph("unreadable", 18, ink.DOUBT_INK, bold=True)
        return
    figure = str(age.annuli)
    width, height = extent(figure, 84, bold=True)
    # The ascender's room above large figures is empty; the column's rhythm should not show it.
    lift = 14
    column.words.append(Words(figure, column.left, column.top - lift, 84, ink.INK, bold=True))
    side = _Column(column.left + width + 16, column.width - width - 16, column.top + 2)
    side.paragraph("annulus" if age.annuli == 1 else "annuli", 22, bold=True)
    low, high = age.annuli_low, age.annuli_high
    if low is not None and high is not None:
        side.paragraph("no other count likely" if low == high else f"likely {low} to {high}", 15)
    # Beside a reason to look no word of sureness stands: the figure alone could be right and the bone wrong.
    side.paragraph("a person must look" if age.review else sureness(age.confidence), 15)
    side.paragraph(f"confidence {age.confidence:.2f}", 15)
    unseen = sum(mark.counted and mark.inferred for mark in age.marks)
    if unseen:
        side.paragraph(f"{unseen} inferred, not seen: {age.annuli - unseen} without", 15, ink.DOUBT_INK)
    column.words += side.words
    column.top = max(column.top - lift + height - lift, side.top) + 8
    _bars(column, age)


def _bars(column: _Column, age: Age) -> None:
    """The distribution of the count as small bars, the most probable one dark."""
    shown = [(n, p) for n, p in age.count_probabilities if p >= _LEAST_BAR]
    shown = sorted(sorted(shown, key=lambda pair: -pair[1])[:_MOST_BARS])
    if not shown:
        return
    pitch = min(44.0, column.width / len(shown))
    floor = column.top + 16 + _BAR_HEIGHT
    for place, (count, probability) in enumerate(shown):
        left = column.left + place * pitch
        best = count == age.annuli
        colour = ink.INK if best else ink.QUIET
        top = floor - max(1.0, probability * _BAR_HEIGHT)
        column.blocks.append(((left, top, left + pitch - 6, floor), colour if best else (158, 160, 168)))
        percent, number = f"{100 * probability:.0f}%", str(count)
        for text, at, size in ((percent, top - 15, 11), (number, floor + 2, 13)):
            middle = left + (pitch - 6) / 2 - extent(text, size, best)[0] / 2
            column.words.append(Words(text, max(middle, column.left), at, size, colour, best))
    column.blocks.append(((column.left, floor, column.left + pitch * len(shown) - 6, floor + 1), ink.INK))
    column.top = floor + 20


def _findings(column: _Column, age: Age) -> None:
    if age.age_class is None:
        column.paragraph("no age class", 17, bold=True)
    else:
        born = f" · year class {age.year_class}" if age.year_class is not None else ""
        sure = "" if age.age_class_probability is None else f" ({age.age_class_probability:.2f})"
        column.paragraph(f"age class {age.age_class}{sure}{born}", 17, bold=True)
    column.top += 2
    if age.edge:
        column.paragraph(f"edge {age.edge}: {_EDGES[age.edge]}", 14)
    if age.first_year:
        doubtful = age.first_year == "ambiguous"
        column.paragraph(f"first year {age.first_year}", 14, ink.DOUBT_INK if doubtful else ink.INK, bold=doubtful)


def _look(column: _Column, age: Age) -> None:
    """What a person should look at, on a ground of its own."""
    start = column.top
    at = len(column.blocks)
    column.top += 6
    column.paragraph("LOOK", 20, ink.DOUBT_INK, bold=True, indent=14)
    for code in age.reasons:
        column.paragraph(code, 14, ink.DOUBT_INK, bold=True, indent=14)
        if code in REASONS:
            column.paragraph(REASONS[code].cure, 13, ink.INK, indent=14)
        column.top += 3
    column.top += 5
    column.blocks.insert(at, ((column.left, start, column.left + column.width, column.top), ink.DOUBT_PAPER))
    column.blocks.insert(at + 1, ((column.left, start, column.left + 6, column.top), ink.DOUBT))
