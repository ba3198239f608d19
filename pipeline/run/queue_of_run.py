"""The reading queue of a run: which bones a person still has to read, and the table that says so."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

from pipeline.errors import RunError
from pipeline.run.ledger import Ledger
from pipeline.tables.tables import Cell, Column, write_table
from pipeline.together.final_ages import by_specimen, readers_differ
from pipeline.together.triage import QueuedBone

Say = Callable[[str], None]

QUEUE = (Column("rank", "count"), Column("specimen"), Column("confidence", "probability"), Column("reasons"))
NAME = "queue.csv"


def bones_to_rank(run: Path, ledger: Ledger, *, by_age_class: bool = False) -> list[QueuedBone]:
    """Every bone of the run as triage sees it. One on which readers differ is not read: somebody must settle it.

    With `by_age_class` the probability of the age class takes the place of the count's, where there is one.
    Raises RunError when the run holds no ages.
    """
    outcomes = ledger.ages.outcomes()
    if not outcomes:
        raise RunError(f"{run}: holds no ages yet; let `opercle age` with this --out come to its end")
    read = {s for s, readings in by_specimen(ledger.people.readings()).items() if not readers_differ(readings)}
    by_class = [by_age_class and o.age_class_probability is not None for o in outcomes]
    return [
        QueuedBone(
            specimen=o.specimen,
            confidence=o.age_class_probability if classed else o.confidence,
            reasons=o.reasons,
            read=o.specimen in read,
        )
        for o, classed in zip(outcomes, by_class, strict=True)
    ]


def write_queue(run: Path, ledger: Ledger, bones: Sequence[QueuedBone], say: Say) -> Path:
    """Write queue.csv; returns where it is.

    Confidence and reasons are shown only where a reason tells the reader what to look at: see `triage.QueuedBone.hard`.
    """
    ledger.files.claim((NAME,))
    path = write_table(run / NAME, QUEUE, [_row(rank, bone) for rank, bone in enumerate(bones, 1)])
    if path.name != NAME:
        say(f"{NAME} is open in another program; the new table is beside it, in {path.name}")
    return path


def shorten_queue(run: Path, ledger: Ledger, say: Say) -> None:
    """Take out of queue.csv what people have read since, in its order; bones on which readers now differ come first.

    The ledger keeps the bones that were read, so that progress through the queue can be shown. Nothing is done where no
    queue was made.
    """
    before = ledger.queue.all()
    if not before:
        return
    bones = {bone.specimen: bone for bone in bones_to_rank(run, ledger)}
    split = [s for s, bone in bones.items() if "readers-differ" in bone.reasons]
    queue = [*split, *(s for s in before if s in bones and s not in split)]
    write_queue(run, ledger, [bones[s] for s in queue if not bones[s].read], say)
    ledger.queue.store(queue, ledger.queue.blind())


def _row(rank: int, bone: QueuedBone) -> tuple[Cell, ...]:
    return rank, bone.specimen, bone.confidence if bone.hard else None, ";".join(bone.reasons) if bone.hard else ""
