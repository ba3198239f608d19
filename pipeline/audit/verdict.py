"""The summary: what the data show, what they do not show, and what they cannot show, in whole sentences.

A sentence says "shown" only where a 95 % interval leaves out the opposite, or a 5 % test does. It never says that
readers agree because no difference was found; it says how large a difference could still hide.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from pipeline.audit.comparison import Comparison
from pipeline.audit.drift import Batch
from pipeline.audit.reference import CONSENSUS
from pipeline.audit.triage_check import Part
from pipeline.audit.whole import AgainstReference, Audit
from pipeline.audit.words import listed, number, p_value, percent, percents, points, years
from pipeline.estimate import LEVEL, Estimate
from pipeline.records import MACHINE

FEWEST_TO_JUDGE = 30
"""Bones with both counts; below this, agreement is shown but not judged."""
WORKING_EXACT = 0.80
"""Exact agreement that some offices ask for; common practice, no standard."""
WORKING_CV = 5.0
"""CV, percent, that some offices ask for; common practice, no standard."""
MOST_READERS_TOLD = 6
"""Readers named in the summary; the table holds them all."""
MOST_BATCHES_NAMED = 5
"""Batches named in the summary; the table holds them all."""

Weight = Literal["plain", "good", "open", "bad"]


@dataclass(frozen=True, slots=True)
class Statement:
    """One point of the summary. `good` and `bad` are shown by the data; `open` is what they leave undecided."""

    topic: str
    weight: Weight
    text: str


CAUTION = (
    "Ages are estimates, by machine and by people alike. Agreement is not truth: readers who share a habit agree "
    "and are wrong together; only fish of known age tell. Whether these ages may be used, and for what, is "
    "decided by local rules and by licensed fisheries staff, not by this page."
)


def verdict(audit: Audit) -> tuple[Statement, ...]:
    """The points of the summary, in order."""
    points_made = [_holdings(audit)]
    if audit.machine:
        points_made += _machine(audit, audit.machine)
    elif MACHINE in audit.answers.readers and audit.answers.people:
        sentence = "No bone has a count by the machine and one by the reference: the machine cannot be judged."
        if len(audit.answers.people) > 1:
            sentence = f"{sentence[:-1]} against it; --reference takes a single reader."
        points_made.append(Statement("Machine and readers", "open", sentence))
    points_made += _machine_with_each(audit)
    if audit.answers.people:
        points_made += _people(audit)
    if audit.triage:
        points_made += _triage(audit.triage.parts[0], audit.triage.parts[1])
    points_made += _drift(audit.drift)
    if audit.present and audit.present_pair:
        points_made.append(_sample(audit))
    return tuple(points_made)


def headline(statements: Sequence[Statement]) -> str:
    """The answer in one line: what speaks for these ages, what against them, what is left open."""
    said = {weight: [s.topic.lower() for s in statements if s.weight == weight] for weight in ("good", "bad", "open")}
    parts = [
        f"{word}: {'; '.join(said[weight])}."
        for weight, word in (("bad", "Against"), ("good", "In favour"), ("open", "Left open by these readings"))
        if said[weight]
    ]
    return " ".join(parts) or "Nothing here speaks for or against these ages."


def _holdings(audit: Audit) -> Statement:
    answers = audit.answers
    by_people = answers.every["reader"] != MACHINE
    parts = []
    if by_people.any():
        bones = answers.every.loc[by_people, "specimen"].nunique()
        parts.append(
            f"{number(int(by_people.sum()), 'reading')} of {number(bones, 'bone')} "
            f"by {number(len(answers.people), 'person', 'people')}"
        )
    if answers.runs:
        aged = int((~by_people & answers.every["annuli"].notna()).sum())
        parts.append(f"{number(aged, 'count')} by the machine in {number(len(answers.runs), 'run')}")
    if not parts:
        return Statement(
            "What there is", "plain", "The tables hold no readings. The page tells how many bones to read."
        )
    text = "; ".join(parts) + "."
    if audit.reference:
        text += f" The reference is {_the(audit.reference)}."
    if audit.no_consensus:
        text += (
            f" On {number(audit.no_consensus, 'bone')} the readers differ, so that there is no {audit.reference}; "
            "those are the hard bones, and agreement with the reference leaves them out."
        )
    once, kept = audit.read_once
    if once:
        of_kept = f", {number(kept, 'kept bone')} among them" if kept else ""
        text += (
            f" {number(once, 'bone')} {'was' if once == 1 else 'were'} counted by one person only{of_kept}; the "
            f"{audit.reference} needs two, so they are left out. Name a reader with --reference to hold the machine "
            "against all that this reader counted."
        )
    return Statement("What there is", "plain", text)


def _the(reference: str) -> str:
    return f"the {reference}" if reference in (*CONSENSUS.values(), MACHINE) else reference


def _machine(audit: Audit, machine: AgainstReference) -> list[Statement]:
    c = machine.comparison
    agreement = (
        f"The machine agrees with {_the(c.a)} on {percent(c.precision.exact)} of {number(c.n, 'bone')}, and is "
        f"at most one off on {percent(c.precision.within_1)}. CV {percents(c.precision.cv)}."
    )
    if c.n < FEWEST_TO_JUDGE:
        return [
            Statement(
                "Machine and readers",
                "open",
                f"{agreement} These are too few bones to judge by: fewer than {FEWEST_TO_JUDGE}.",
            )
        ]
    out = [Statement("Machine and readers", "plain", f"{agreement} {_limits(c)}")]
    if audit.people and audit.people.n >= FEWEST_TO_JUDGE:
        out.append(
            _beside_people(
                audit.people.n, audit.people.people_exact, audit.people.machine_exact, audit.people.difference
            )
        )
    out.append(_bias(machine))
    return out


def _machine_with_each(audit: Audit) -> list[Statement]:
    pairs = sorted((c for c in audit.pairs if c.b == MACHINE and c.n), key=lambda c: -c.n)
    if len(audit.answers.people) < 2 or not pairs:
        return []
    sentence = "; ".join(
        f"{c.a} {percent(c.precision.exact)} of {number(c.n, 'bone')}, CV {percents(c.precision.cv)}"
        for c in pairs[:MOST_READERS_TOLD]
    )
    more = len(pairs) - MOST_READERS_TOLD
    sentence += f"; {number(more, 'more reader')} in agreement.csv" if more > 0 else ""
    return [Statement("Machine with each reader", "plain", f"Exact agreement: {sentence}.")]


def _limits(c: Comparison) -> str:
    exact, cv = c.precision.exact, c.precision.cv
    assert exact.low is not None
    assert exact.high is not None
    assert cv.low is not None
    assert cv.high is not None
    first = "met" if exact.low >= WORKING_EXACT else "missed" if exact.high < WORKING_EXACT else "not decided"
    second = "met" if cv.high <= WORKING_CV else "missed" if cv.low > WORKING_CV else "not decided"
    return (
        f"Of limits that some offices use (common practice, no standard), at least {100 * WORKING_EXACT:.0f} % exact "
        f"is {first} and a CV of at most {WORKING_CV:.0f} % is {second} by these bones."
    )


def _beside_people(n: int, people: Estimate, machine: Estimate, difference: Estimate) -> Statement:
    facts = (
        f"On {number(n, 'bone')} that two people or more counted, people agree with each other on {percent(people)} "
        f"and with the machine on {percent(machine)}: {points(difference)}."
    )
    if difference.low is None or difference.high is None:
        return Statement("Beside people", "open", f"{facts} The bones do not tell how sure that is.")
    if difference.high < 0:
        return Statement(
            "Beside people", "bad", f"{facts} The machine agrees with people less well than they do with each other."
        )
    if difference.low > 0:
        return Statement(
            "Beside people", "good", f"{facts} The machine agrees with people better than they do with each other."
        )
    return Statement("Beside people", "open", f"{facts} No difference is shown; one inside the interval may be there.")


def _bias(against: AgainstReference) -> Statement:
    c = against.comparison
    who = "The machine" if c.b == MACHINE else c.b
    m = c.mean_difference
    assert m.value is not None
    tests = f"symmetry {p_value(c.evans_hoenig.p)} (Evans and Hoenig)"
    ages = [row for row in against.bias if row.excludes_equality_adjusted]
    where = (
        ""
        if not ages
        else (
            f" By age, its mean leaves the reference at {listed([a.reference_age for a in ages])} "
            "(adjusted for looking at many ages)."
        )
    )
    if against.comparison.above + against.comparison.below == 0:
        return Statement(
            "Bias",
            "open",
            f"{who} and the reference never differ; the mean difference lies between "
            f"{m.low:+.2f} and {m.high:+.2f} annuli.",
        )
    lopsided = c.evans_hoenig.p is not None and c.evans_hoenig.p < 1 - LEVEL
    if m.excludes(0):
        more = "more" if m.value > 0 else "fewer"
        return Statement("Bias", "bad", f"{who} counts {more}: mean difference {years(m)} annuli, {tests}.{where}")
    if lopsided or ages:
        return Statement(
            "Bias",
            "bad",
            f"The mean difference of {years(m)} annuli shows no bias, but the differences are "
            f"not even: {tests}. Bias at some ages may cancel bias at others.{where}",
        )
    return Statement(
        "Bias",
        "open",
        f"No bias is shown: mean difference {years(m)} annuli, {tests}. A bias inside the interval may be there.",
    )


def _people(audit: Audit) -> list[Statement]:
    pairs = [c for c in audit.pairs if c.b != MACHINE]
    shared = [c for c in pairs if c.n]
    out = []
    if len(audit.answers.people) > 1 and not shared:
        out.append(
            Statement(
                "Readers among themselves", "open", "No two people counted the same bone, so they cannot be compared."
            )
        )
    elif len(shared) == 1:
        c = shared[0]
        out.append(
            Statement(
                "Readers among themselves",
                "plain",
                f"{c.a} and {c.b} agree on {percent(c.precision.exact)} of {number(c.n, 'bone')}; "
                f"CV {percents(c.precision.cv)}; {c.b} minus {c.a} {years(c.mean_difference)} annuli, symmetry "
                f"{p_value(c.evans_hoenig.p)}.",
            )
        )
    elif shared:
        judged = [c for c in shared if c.n >= FEWEST_TO_JUDGE] or shared
        exact = sorted(c.precision.exact.value or 0 for c in judged)
        cv = sorted(c.precision.cv.value or 0 for c in judged)
        biased = [c for c in judged if c.mean_difference.excludes(0)]
        text = (
            f"Over {number(len(judged), 'pair')} of people, {100 * exact[0]:.0f} to {100 * exact[-1]:.0f} % exact, CV "
            f"{cv[0]:.1f} to {cv[-1]:.1f} %."
        )
        text += (
            f" A mean difference is shown in {number(len(biased), 'pair')}; chance alone gives one in twenty."
            if biased
            else " No pair shows a mean difference."
        )
        out.append(Statement("Readers among themselves", "plain", text))
    people_again = [r for r in audit.repeats if r.reader != MACHINE]
    if people_again:
        out.append(
            Statement(
                "Repeat readings",
                "plain",
                "The same count again: "
                + "; ".join(
                    f"{r.reader} {percent(r.precision.exact)} of {number(r.precision.bones, 'bone')}"
                    for r in people_again
                )
                + ".",
            )
        )
    return out


def _triage(kept: Part, review: Part) -> list[Statement]:
    if kept.read == 0:
        return [
            Statement(
                "Triage",
                "open",
                "Nobody read a bone that the machine kept without review, so the error among "
                "them is unknown. Have a random share of them read blind.",
            )
        ]
    facts = (
        f"Of {number(kept.read, 'kept bone')} that the reference counted, {percent(kept.wrong)} differ; the "
        f"confidences promised {100 * (kept.promised or 0):.1f} %."
    )
    if review.read:
        facts += f" Of {number(review.read, 'bone')} sent to review, {percent(review.wrong)} differ."
    terms = (
        " This holds for all kept bones only if those read were drawn at random and read without sight of the "
        "machine's count; some of the differences are the readers' own."
    )
    if kept.gap.low is not None and kept.gap.low > 0:
        return [Statement("Triage", "bad", f"{facts} More differ than promised.{terms}")]
    if kept.gap.high is not None and kept.gap.high < 0:
        return [Statement("Triage", "good", f"{facts} Fewer differ than promised.{terms}")]
    return [Statement("Triage", "open", f"{facts} The promise is neither broken nor proved by these bones.{terms}")]


def _drift(batches: tuple[Batch, ...]) -> list[Statement]:
    later = [b for b in batches if b.verdict != "first"]
    if not later:
        return []
    stopped = [b for b in later if b.verdict == "stop"]
    watched = [b for b in later if b.verdict == "look"]
    facts = f"The reference collection was read again in {number(len(later), 'later batch', 'later batches')}."
    named = stopped or watched
    sentence = " ".join(f"{b.reader}, {b.batch}: {'; '.join(b.why)}." for b in named[:MOST_BATCHES_NAMED])
    if len(named) > MOST_BATCHES_NAMED:
        sentence += f" {number(len(named) - MOST_BATCHES_NAMED, 'more batch', 'more batches')} in drift.csv."
    if stopped:
        asked = "The stop rule is met: stop and find the cause before these ages are used."
        return [Statement("Drift", "bad", f"{facts} {asked} {sentence}")]
    if watched:
        return [Statement("Drift", "open", f"{facts} The stop rule is not met; look at: {sentence}")]
    return [Statement("Drift", "open", f"{facts} No change is shown.")]


def _sample(audit: Audit) -> Statement:
    present, pair = audit.present, audit.present_pair
    assert present is not None
    assert pair is not None
    agreement = f"exact agreement to about plus or minus {100 * present.exact_margin:.0f} points"
    sentences = [f"The {number(present.n, 'bone')} shared by {_the(pair[0])} and {_the(pair[1])} fix {agreement}."]
    if present.smallest_bias is not None:
        sentences.append(
            f"A mean difference of {present.smallest_bias:.2f} annuli would be found in four samples of five; smaller "
            "ones may be missed."
        )
    sentences.append(f"For plus or minus 5 points read {number(present.bones_for_5_points, 'bone')}.")
    return Statement("Sample", "plain", " ".join(sentences))
