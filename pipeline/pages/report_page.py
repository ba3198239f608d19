"""The report of a run: one HTML file that a supervisor understands in a minute, with the bones in pages below."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from urllib.parse import quote

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from pipeline.codes import REASONS, REFUSALS
from pipeline.pages import charts, report_figures
from pipeline.pages.report_records import Report, ReportBone
from pipeline.together.lots import SAMPLE, drawn_at_random
from pipeline.together.triage import LEVEL, QueuedBone, Wrong, ranked_bones, wrong_among

BONES_A_PAGE = 50
MOST_NAMED = 20
"""Bones or fish named in one sentence; the tables hold all."""
STATES = {
    "settled": "settled by a person",
    "kept": "kept as the machine counted",
    "wait": "waiting for a person",
    "none": "without a count",
}

_TEMPLATES = Environment(
    loader=FileSystemLoader(Path(__file__).with_name("templates")),
    autoescape=True,
    undefined=StrictUndefined,
    trim_blocks=True,
    lstrip_blocks=True,
)
_TEMPLATES.filters["percent"] = lambda share: f"{100 * share:.0f}\N{NO-BREAK SPACE}%"
_TEMPLATES.filters["link"] = lambda name: quote(name, safe="")


def report_page(report: Report) -> str:
    """The page as HTML text; pictures are linked below the run's folder."""
    bones = report.bones
    groups = report_figures.groups(bones)
    states = {name: sum(b.state == name for b in bones) for name in STATES}
    sample = drawn_at_random([b.specimen for b in bones if b.picture], SAMPLE)
    settled = {b.specimen for b in bones if b.by_person}
    sides = report_figures.sides(bones)
    return _TEMPLATES.get_template("report.html").render(
        report=report,
        name=report.run.resolve().name,
        states=states,
        state_words=STATES,
        wrong=expected_wrong(bones),
        level=LEVEL,
        sample=sample,
        sample_read=len(settled.intersection(sample)),
        groups=groups,
        age_charts=[_age_chart(g) for g in groups[: report_figures.MOST_GROUPS]],
        confidence_chart=charts.stacked_bars(
            report_figures.confidence_bars(bones), report_figures.STATES[:3], "Bones by confidence", "confidence from"
        ),
        account=charts.level_bar(list(states.items()), ", ".join(f"{n} {STATES[s]}" for s, n in states.items())),
        reasons=report_figures.reasons_of(bones),
        REASONS=REASONS,
        REFUSALS=REFUSALS,
        first=_first_increments(groups),
        sides=sides,
        sides_chart=_sides_chart(sides),
        quality=report_figures.scan_quality(bones, report.trays),
        least_increment=report_figures.LEAST_INCREMENT_PX,
        most_named=MOST_NAMED,
        data=gallery_data(bones),
        style=Markup(_part("report.css")),
        script=Markup(_part("report.js")),
    )


def expected_wrong(bones: Sequence[ReportBone]) -> Wrong | None:
    """Wrong counts to expect among the bones kept; None when none is kept."""
    return wrong_among([_as_ranked(b) for b in bones if b.state == "kept"])


def gallery_data(bones: Sequence[ReportBone]) -> Markup:
    """Every bone as the page's script reads it, the doubtful first: JSON that may stand in a script element.

    Texts that repeat stand once in a list and are numbered, so that ten thousand bones stay under a megabyte.
    """
    named = {b.specimen: b for b in bones}
    order = [named[r.specimen] for r in ranked_bones([_as_ranked(b) for b in bones])]
    order.sort(key=lambda b: (b.by_person, not b.reasons and b.annuli is not None))
    lists: dict[str, dict[str, int]] = {"species": {}, "water": {}, "scan": {}, "code": {}, "by": {}}

    def number(of: str, text: str) -> int:
        return lists[of].setdefault(text, len(lists[of]))

    rows = [
        [
            b.specimen, 1 if b.picture == b.specimen else b.picture, number("scan", b.scan), b.bone,
            number("species", b.species), number("water", b.water), list(STATES).index(b.state), b.annuli,
            b.annuli_low, b.annuli_high, None if b.confidence is None else round(b.confidence, 2), b.final_annuli,
            b.final_age_class, number("by", b.counted_by), [number("code", code) for code in b.reasons],
        ]
        for b in order
    ]  # fmt: skip
    content = {name: list(texts) for name, texts in lists.items()}
    words = {code: REASONS[code].means for code in lists["code"] if code in REASONS}
    page = {"rows": rows, "page": BONES_A_PAGE, "states": list(STATES.values()), "means": words} | content
    text = json.dumps(page, separators=(",", ":"), ensure_ascii=False)
    # Nothing in the data may end the script element or begin a comment in it.
    return Markup(text.replace("<", "\\u003c").replace("\u2028", "\\u2028").replace("\u2029", "\\u2029"))


def _as_ranked(b: ReportBone) -> QueuedBone:
    return QueuedBone(specimen=b.specimen, confidence=b.confidence, reasons=b.reasons, read=b.by_person)


def _age_chart(group: report_figures.BoneGroup) -> tuple[report_figures.BoneGroup, str, Sequence[charts.Bar], Markup]:
    what, bars = report_figures.ages_of(group)
    chart = charts.stacked_bars(bars, report_figures.STATES[:3], f"{group.name}: bones by {what}", what) if bars else ""
    return group, what, bars, Markup(chart)


def _first_increments(
    groups: Sequence[report_figures.BoneGroup],
) -> tuple[report_figures.FirstIncrements, Markup] | None:
    first = report_figures.first_increments(groups)
    if first is None:
        return None
    axis = "from the focus to the first annulus, " + ("mm" if first.unit == "mm" else "share of the growth axis")
    return first, charts.strips(first.rows, "First increments by species and water", axis)


def _sides_chart(sides: report_figures.BothSides) -> Markup:
    if not sides.pairs:
        return Markup()
    across, upward = ("left bone, annuli", "right bone, annuli") if sides.known else ("first bone", "second bone")
    return charts.counts_against_counts(sides.pairs, "Counts of the two bones of a fish", across, upward)


def _part(name: str) -> str:
    return (Path(__file__).with_name("templates") / name).read_text(encoding="utf-8")
