"""`opercle triage`: which bones need a person, in what order, and what error is left among the rest."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from pipeline.commands import reading_pack
from pipeline.commands.reading_pack import Pack
from pipeline.commands.report import write_report
from pipeline.run import run_folder
from pipeline.run.ledger import Ledger
from pipeline.run.queue_of_run import bones_to_rank, write_queue
from pipeline.together.triage import LEVEL, Triage, Wrong
from pipeline.together.triage import triage as triaged

Say = Callable[[str], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class TriageSummary:
    """What a call has found, and where the queue is."""

    triage: Triage
    path: Path
    share: float
    """Of the kept bones that is drawn as a check."""
    pack: Pack | None
    what: str
    """`counts` or `age classes`: of what the errors are."""

    def lines(self) -> tuple[str, ...]:
        """As printed."""
        t = self.triage
        bones = t.kept + t.to_read + t.already_read
        read = f" + read already {_part(t.already_read, bones)}" if t.already_read else ""
        lines = [
            f"bones {bones} = kept {_part(t.kept, bones)} + to read {_part(t.to_read, bones)}{read}",
            f"wrong {self.what} expected among the kept: {_wrong(t.wrong_kept)}",
            f"wrong {self.what} expected among those to read: {_wrong(t.wrong_to_read)}",
        ]
        if t.uncounted_to_read:
            lines.append(f"without a count, to read first: {t.uncounted_to_read}")
        if t.hard_kept:
            lines.append(f"kept although another reason than low confidence asks for a person: {t.hard_kept}")
        checks = sum(q.blind for q in t.queue)
        if checks:
            lines.append(
                f"in the queue too, drawn by lot from the kept as a check; readers must not know which: {checks}"
            )
        elif t.kept:
            lines.append(
                f"no kept bone was drawn as a check (a share of {self.share:g} of {t.kept}): nothing will show what "
                "slips through; read some kept bones too, or raise blind_share in the settings"
            )
        return (*lines, *(self.pack.lines() if self.pack else ()), str(self.path))


def triage(
    run: Path,
    max_error: float | None,
    most: int | None,
    say: Say,
    pack: Path | None = None,
    *,
    by_age_class: bool = False,
) -> TriageSummary:
    """Write the queue of a run from what is stored, and a reading pack of it into the folder `pack`.

    With `by_age_class` an error is a wrong age class instead of a wrong count, where there is a date.

    Raises RunError when the run holds no ages, or the folder holds anything.
    """
    if pack is not None:
        reading_pack.check(pack)
    with Ledger(run) as ledger:
        bones = bones_to_rank(run, ledger, by_age_class=by_age_class)
        settings = run_folder.settings_of(run, ledger)
        found = triaged(bones, settings.review, max_error=max_error, most=most)
        path = write_queue(run, ledger, [q.bone for q in found.queue], say)
        ledger.queue.store([q.bone.specimen for q in found.queue], [q.bone.specimen for q in found.queue if q.blind])
        write_report(run, ledger, settings, say)
        packed = None
        if pack is not None:
            specimens = [q.bone.specimen for q in found.queue]
            packed = reading_pack.write_pack(run, pack, specimens, ledger.ages.specimens())
    what = "age classes" if by_age_class else "counts"
    return TriageSummary(triage=found, path=path, share=settings.review.blind_share, pack=packed, what=what)


def _part(n: int, of: int) -> str:
    return f"{n} ({_percent(n / of)})"


def _wrong(wrong: Wrong | None) -> str:
    if wrong is None:
        return "none, for no bone with a count is among them"
    return (
        f"{_percent(wrong.share)} of {wrong.counts}; {_percent(wrong.low)} to {_percent(wrong.high)} in "
        f"{100 * LEVEL:.0f} % of such runs if each bone is wrong as often as its confidence says"
    )


def _percent(share: float) -> str:
    return f"{100 * share:.1f} %"
