"""What the readers are held against: one reader, or what several agree on."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.audit.answers import Answers
from pipeline.errors import OpercleError
from pipeline.records import MACHINE, Numbers

MEDIAN, MODE = "median", "mode"
CONSENSUS = {MEDIAN: "median of the readers", MODE: "mode of the readers"}
"""The words for a consensus, and its label."""


def chosen(answers: Answers, wanted: str | None) -> str | None:
    """The reference: a reader's name, `median` or `mode`. None when nobody can be it.

    `wanted` is a reader or one of the two words; without it, the median of the readers, or the one reader there is.
    Raises OpercleError when the reader wanted has no readings.
    """
    people = answers.people
    if wanted is None:
        return MEDIAN if len(people) > 1 else people[0] if people else None
    if wanted in people:  # a reader may be called "mode"; a name goes before a word
        return wanted
    if wanted in CONSENSUS:
        if len(people) > 1:
            return wanted
        raise OpercleError(f"--reference {wanted}: a {wanted} needs readings by at least two people")
    if wanted == MACHINE:
        raise OpercleError("--reference machine: the machine cannot be its own reference; name a reader")
    known = ", ".join(people) or "nobody"
    raise OpercleError(f"--reference {wanted}: no readings by {wanted}; the tables hold readings by {known}")


def label(reference: str) -> str:
    """The reference's name in a table or a sentence."""
    return CONSENSUS.get(reference, reference)


def reference_counts(answers: Answers, reference: str, apart_from: str = "") -> Numbers:
    """(bone,): the reference's count, NaN where it has none.

    `apart_from` keeps a reader's own answer out of a consensus, which would otherwise agree with itself.
    """
    if reference not in CONSENSUS:
        return answers.counts[:, answers.column(reference)]
    others = [answers.column(r) for r in answers.people if r != apart_from]
    return (median if reference == MEDIAN else mode)(answers.counts[:, others])


def median(counts: Numbers) -> Numbers:
    """Middle count of each bone, (bone, reader) to (bone,); NaN where the two middle ones differ or too few counted."""
    out = np.full(len(counts), np.nan)
    enough = _enough(counts)
    ordered = np.sort(counts[enough], axis=1)  # NaN last
    given = (~np.isnan(ordered)).sum(axis=1)
    rows = np.arange(len(ordered))
    lower, upper = ordered[rows, (given - 1) // 2], ordered[rows, given // 2]
    out[enough] = np.where(lower == upper, lower, np.nan)
    return out


def mode(counts: Numbers) -> Numbers:
    """Commonest count of each bone, (bone, reader) to (bone,). NaN where two are equally common, or too few counted."""
    votes = np.stack([(counts == counts[:, [j]]).sum(axis=1) for j in range(counts.shape[1])], axis=1)
    leading = votes == votes.max(axis=1, keepdims=True)
    highest = np.where(leading, counts, -np.inf).max(axis=1)
    lowest = np.where(leading, counts, np.inf).min(axis=1)
    return np.where((highest == lowest) & _enough(counts), highest, np.nan)


def _enough(counts: Numbers) -> NDArray[np.bool_]:
    """Bones that two readers counted; one is enough where the table has one column."""
    enough: NDArray[np.bool_] = (~np.isnan(counts)).sum(axis=1) >= min(2, counts.shape[1])
    return enough
