"""The whole audit, in order: from readings and runs to every table the page shows."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import pandas as pd

from pipeline.audit.answers import Answers, RunAges, gather
from pipeline.audit.bias import BiasAtAge, age_bias
from pipeline.audit.comparison import Comparison, compare
from pipeline.audit.drift import Batch, drift
from pipeline.audit.error_matrix import ErrorMatrix, error_matrix
from pipeline.audit.groups import AgreementGroup, groups
from pipeline.audit.people import AmongPeople, among_people
from pipeline.audit.precision import Precision, precision, spread_of_each
from pipeline.audit.reference import CONSENSUS, chosen, label, reference_counts
from pipeline.audit.repeat_readings import Repeats, repeats
from pipeline.audit.sample_size import PresentSample, ReadingPlan, plans, present_sample
from pipeline.audit.sides import Sides, sides
from pipeline.audit.triage_check import TriageCheck, check_triage
from pipeline.records import MACHINE, Reading


@dataclass(frozen=True, slots=True, kw_only=True)
class AgainstReference:
    """One reader, or the machine, against the reference."""

    comparison: Comparison
    """a is the reference, b the reader."""
    bias: tuple[BiasAtAge, ...]
    groups: tuple[AgreementGroup, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Audit:
    """Everything that was found."""

    answers: Answers
    pairs: tuple[Comparison, ...]
    """Every pair of readers, the machine always b."""
    all_people: Precision | None
    """All people's first readings at once; None with fewer than three people (two are a pair)."""
    reference: str | None
    """Label of the reference; None when nobody can be it."""
    no_consensus: int
    """Bones that two people or more counted, and on which a consensus that is the reference has no count."""
    read_once: tuple[int, int]
    """Bones that one person alone counted, so that a consensus has no count of them, and how many of these are kept;
    zero where the reference is no consensus."""
    against: tuple[AgainstReference, ...]
    """People by name, then the machine."""
    people: AmongPeople | None
    repeats: tuple[Repeats, ...]
    sides: tuple[Sides, ...]
    triage: TriageCheck | None
    drift: tuple[Batch, ...]
    plans: tuple[ReadingPlan, ...]
    present: PresentSample | None
    """Of the machine against the reference, else of the first pair of readers with bones in common."""
    present_pair: tuple[str, str] | None
    matrix: ErrorMatrix | None

    @property
    def machine(self) -> AgainstReference | None:
        """The machine against the reference, if both have bones in common."""
        last = self.against[-1] if self.against else None
        return last if last and last.comparison.b == MACHINE and last.comparison.n else None


def audit(readings: Sequence[Reading], runs: Sequence[RunAges], wanted_reference: str | None) -> Audit:
    """Compare everybody. Raises OpercleError when the reference wanted has no readings."""
    answers = gather(readings, runs)
    reference = chosen(answers, wanted_reference)
    pairs = tuple(_compared(answers, a, b) for a, b in combinations(answers.readers, 2))
    against = _against(answers, reference) if reference else ()
    people = answers.counts[:, [answers.column(r) for r in answers.people]]
    has_machine = MACHINE in answers.readers
    shown = _shown(against, pairs)
    machine = against[-1].comparison if against and has_machine else None
    agreed = reference_counts(answers, reference) if reference else np.full(len(answers.specimens), np.nan)
    counts = answers.counts[:, answers.column(MACHINE)] if has_machine else np.full(len(agreed), np.nan)
    both = ~np.isnan(agreed) & ~np.isnan(counts)
    return Audit(
        answers=answers,
        pairs=pairs,
        all_people=precision(people) if len(answers.people) > 2 else None,
        reference=label(reference) if reference else None,
        no_consensus=int((np.isnan(agreed) & ((~np.isnan(people)).sum(axis=1) >= 2)).sum())
        if reference in CONSENSUS
        else 0,
        read_once=_read_once(answers, people) if reference in CONSENSUS else (0, 0),
        against=against,
        people=among_people(people, counts) if has_machine and len(answers.people) > 1 else None,
        repeats=repeats(answers.every),
        sides=sides(answers),
        triage=_triage(answers, counts, agreed) if machine and machine.n else None,
        drift=_drift(answers),
        plans=plans(),
        present=_present(answers, shown, agreed) if shown else None,
        present_pair=(shown.a, shown.b) if shown else None,
        matrix=error_matrix(agreed[both], counts[both]) if machine else None,
    )


def _read_once(answers: Answers, people: np.ndarray) -> tuple[int, int]:
    once = (~np.isnan(people)).sum(axis=1) == 1
    kept = answers.about["review"].eq(False).to_numpy()
    return int(once.sum()), int((once & kept).sum())


def _compared(answers: Answers, a: str, b: str) -> Comparison:
    i, j = answers.column(a), answers.column(b)
    return compare(a, b, answers.counts[:, i], answers.counts[:, j], answers.tried[:, i], answers.tried[:, j])


def _against(answers: Answers, reference: str) -> tuple[AgainstReference, ...]:
    out = []
    for reader in answers.readers:
        if reader == reference:
            continue
        agreed = reference_counts(answers, reference, apart_from=reader)
        counts, tried = answers.counts[:, answers.column(reader)], answers.tried[:, answers.column(reader)]
        held = ~np.isnan(agreed)
        comparison = compare(label(reference), reader, agreed, counts, held, tried)
        both = held & ~np.isnan(counts)
        out.append(
            AgainstReference(
                comparison=comparison,
                bias=age_bias(agreed[both], counts[both]),
                groups=groups(reader, agreed, counts, answers.about),
            )
        )
    return tuple(out)


def _shown(against: tuple[AgainstReference, ...], pairs: tuple[Comparison, ...]) -> Comparison | None:
    """The comparison that the page puts first."""
    if against and against[-1].comparison.b == MACHINE and against[-1].comparison.n:
        return against[-1].comparison
    return next((pair for pair in pairs if pair.n), None)


def _present(answers: Answers, shown: Comparison, agreed: np.ndarray) -> PresentSample:
    low, high = shown.precision.exact.low, shown.precision.exact.high
    assert shown.precision.exact.value is not None
    assert low is not None
    assert high is not None
    first = answers.counts[:, answers.column(shown.a)] if shown.a in answers.readers else agreed
    pair = np.column_stack([first, answers.counts[:, answers.column(shown.b)]])
    pair = pair[~np.isnan(pair).any(axis=1)]
    difference, (_, cv, _) = pair[:, 1] - pair[:, 0], spread_of_each(pair)
    return present_sample(difference, shown.precision.exact.value, (high - low) / 2, cv)


def _triage(answers: Answers, counts: np.ndarray, agreed: np.ndarray) -> TriageCheck | None:
    about = answers.about
    confidence = pd.to_numeric(about["confidence"]).to_numpy(np.float64)
    aged = ~np.isnan(counts) & ~np.isnan(confidence)
    if not aged.any():
        return None
    review = about["review"].eq(True).to_numpy()
    return check_triage(confidence[aged], review[aged], counts[aged], agreed[aged])


def _drift(answers: Answers) -> tuple[Batch, ...]:
    reference = pd.to_numeric(answers.about["reference"], errors="coerce").dropna()
    whole = reference[(reference >= 0) & (reference % 1 == 0)]
    return drift(answers.every, whole) if len(whole) else ()
