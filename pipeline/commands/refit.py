"""`opercle refit`: evidence and confidence fitted anew to people's counts of a run, as a settings file."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from pipeline import regular_files
from pipeline.audit.answers import gather
from pipeline.bone.evidence import EVIDENCE
from pipeline.errors import OpercleError, RunError
from pipeline.records import BoneReading, Specimen
from pipeline.run import run_folder, versions
from pipeline.run.ages_of_run import placed_bones
from pipeline.run.ledger import Ledger
from pipeline.settings.files import read_settings
from pipeline.settings.whole import Settings
from pipeline.tables.atomic import write_text
from pipeline.tables.readings import read_readings
from pipeline.together.judge import JudgedBone, judge
from pipeline.together.refit import CountedByPeople, Gain, Refit, at_most, consensus
from pipeline.together.refit import refit as refitted

Say = Callable[[str], None]

FIRST_LINE = "# Made by `opercle refit`: weights fitted to people's counts. Give this file with --settings."
"""Tells a file of ours, which may be overwritten, from all others."""
NO_GAIN = "no gain beyond chance is shown: the shipped weights may do as well; more readings would tell"


@dataclass(frozen=True, slots=True, kw_only=True)
class RefitSummary:
    """What a call has found, and where the file is."""

    known: _Known
    refit: Refit
    changed: int
    """Bones of the run whose count is another with the new weights."""
    of_run: int
    confidence: tuple[float, float]
    """Mean over the run, as shipped and refitted."""
    path: Path

    def lines(self) -> tuple[str, ...]:
        """As printed."""
        return (*self.summary(), str(self.path))

    def summary(self) -> tuple[str, ...]:
        """What the file rests on, what it changes and what it is expected to gain."""
        r, before, after = self.refit, self.refit.before, self.refit.after
        unsure = not (r.exact_gain.is_sure or r.log_gain.is_sure)
        return (
            f"rests on {r.bones} bones of {r.scans} scans, {self.known.words()}",
            "cross-validated, each scan left out of its own fit:",
            f"  exact agreement with the readers: as shipped {before.exact:.3f}, refitted {after.exact:.3f}",
            f"  agreement within one year: as shipped {before.within_one:.3f}, refitted {after.within_one:.3f}",
            f"  calibration error: as shipped {before.calibration_error:.3f}, refitted {after.calibration_error:.3f}",
            f"expected gain in exact agreement {_gain(r.exact_gain)}",
            f"expected gain in the log probability of the readers' counts {_gain(r.log_gain)}",
            *([NO_GAIN] * unsure),
            f"changes {self.changed} of {self.of_run} counts of this run",
            f"changes the mean confidence from {self.confidence[0]:.3f} to {self.confidence[1]:.3f}",
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Known:
    """What people say of the run's bones."""

    annuli: Mapping[str, int]
    """By specimen, of the bones that the machine aged."""
    readers: int
    elsewhere: int
    """Specimens that the machine has not aged in this run."""

    def words(self) -> str:
        """In words."""
        without = f"; without {self.elsewhere} that the machine has not aged in this run" if self.elsewhere else ""
        return f"counted by {self.readers} reader{'s' * (self.readers > 1)}{without}"


def refit(run: Path, readings: Path, out: Path, say: Say, *, anyway: bool = False) -> RefitSummary:
    """Refit to one table of readings and write the settings file `out`.

    Raises OpercleError when a table or the run cannot be used, when the bones that people counted are too few, of one
    age or on one scan, when the new weights do worse than the old ones, or show no gain beyond chance and `anyway` is
    not given, and when `out` is another file.
    """
    _check(out)
    answers = gather(read_readings([readings]), [])
    with Ledger(run) as ledger:
        settings = _with_shipped_weights(run_folder.settings_of(run, ledger))
        bones = _bones(run, ledger)
    there = {specimen.specimen for specimen, _ in bones}
    agreed = consensus(answers.specimens, answers.counts)
    known = _Known(
        annuli={s: n for s, n in agreed.items() if s in there},
        readers=len(answers.readers),
        elsewhere=len(agreed.keys() - there),
    )
    before = judge(bones, settings)
    chosen = [
        CountedByPeople(specimen=specimen, reading=reading, annuli=known.annuli[specimen.specimen])
        for specimen, reading in bones
        if specimen.specimen in known.annuli
    ]
    _check_enough(chosen, readings, run, settings)
    _check_alike(before, chosen, known.annuli, readings, run)
    if len(chosen) < settings.refit.enough_bones:
        say(f"warning: only {len(chosen)} bones with counts; with fewer than {settings.refit.enough_bones} the figures "
            "below are little more than chance")  # fmt: skip
    if settings.refit.fitted_to:
        say(
            f"the run was made with weights refitted to {len(settings.refit.fitted_to)} bones; this fit starts again "
            "from the shipped ones: give all readings that you have"
        )
    used = at_most(chosen, settings.refit.most_bones)
    say(f"fitting to {len(used)} bones; a hundred take some ten seconds")
    found = refitted(used, settings)
    if found.is_loss:
        raise OpercleError(
            f"the refitted weights do worse than the shipped ones: exact agreement {_gain(found.exact_gain)}, "
            f"log probability {_gain(found.log_gain)}; nothing is written. Check that readings and run are of the "
            "same bones; if so, read more bones"
        )
    if not (anyway or found.exact_gain.is_sure or found.log_gain.is_sure):
        raise OpercleError(
            f"no gain beyond chance is shown: exact agreement {_gain(found.exact_gain)}, log probability "
            f"{_gain(found.log_gain)}; nothing is written. Read more bones, or give --anyway to write it all the same"
        )
    after = judge(bones, found.settings)
    outcome = RefitSummary(
        known=known,
        refit=found,
        changed=sum(a.annuli != b.annuli for a, b in zip(after, before, strict=True)),
        of_run=len(bones),
        confidence=(_mean_confidence(before), _mean_confidence(after)),
        path=out,
    )
    _write(out, _text(outcome, settings, run, readings))
    return outcome


def _check(out: Path) -> None:
    if out.is_dir() or out.is_symlink() or (out.exists() and not _ours(out)):
        raise OpercleError(f"{out}: is no file of `opercle refit`; give --out another name: nothing is overwritten")
    if not regular_files.real_path(out).parent.is_dir():
        raise OpercleError(f"{out}: its folder does not exist; make it first, or give --out another name")


def _ours(out: Path) -> bool:
    try:
        with regular_files.opened(out) as stream:
            return stream.readline(len(FIRST_LINE) + 2).rstrip(b"\r\n") == FIRST_LINE.encode()
    except OSError:
        return False


def _bones(run: Path, ledger: Ledger) -> list[tuple[Specimen, BoneReading]]:
    """Every bone of the run that can be aged, with its row."""
    bones = [
        (p.specimen, p.reading) for p in placed_bones(ledger) if p.reading is not None and p.reading.axis is not None
    ]
    if any(len(mark.evidence) != len(EVIDENCE) for _, reading in bones for mark in reading.marks):
        raise RunError(f"{run}: was read by another version of opercle; give the line of `opercle age` again first")
    return bones


def _with_shipped_weights(settings: Settings) -> Settings:
    """The run's settings with the weights that come with the program: an earlier refit must not count twice."""
    shipped = read_settings()
    return settings.model_copy(
        update={
            "evidence": shipped.evidence,
            "count": settings.count.model_copy(update={"weights": shipped.count.weights}),
            "confidence": shipped.confidence,
        }
    )


def _check_enough(chosen: Sequence[CountedByPeople], readings: Path, run: Path, settings: Settings) -> None:
    least = settings.refit.least_bones
    n = len(chosen)
    if n == 0:
        raise OpercleError(
            f"{readings.name}: holds no count of any bone aged in {run}; give the readings of "
            "this run, with the same specimen ids"
        )
    if n < least:
        raise OpercleError(f"{readings.name}: counts of {n} bones of {run} are too few to fit to; read {least} or more")
    if len({k.annuli for k in chosen}) == 1:
        raise OpercleError(
            f"{readings.name}: all {n} bones have {chosen[0].annuli} annuli; counts of one age cannot tell marks from "
            "growth: read bones of other ages too"
        )
    if len({k.scan for k in chosen}) == 1:
        raise OpercleError(
            f"{readings.name}: all {n} bones are on one scan, so nothing can be cross-validated; read bones of other "
            "scans too"
        )


def _check_alike(
    judged: Sequence[JudgedBone],
    chosen: Sequence[CountedByPeople],
    annuli: Mapping[str, int],
    readings: Path,
    run: Path,
) -> None:
    """People and machine differ on many bones, but not on all: then the table is of other bones."""
    if not any(annuli.get(j.counted.specimen.specimen) == j.annuli for j in judged):
        raise OpercleError(
            f"{readings.name}: its counts agree with the machine on 0 of {len(chosen)} bones of {run}; check that the "
            "specimen ids are those of these bones, and that the column annuli holds counts"
        )


def _mean_confidence(bones: Sequence[JudgedBone]) -> float:
    return float(np.mean([b.probability.max() for b in bones]))


def _gain(gain: Gain) -> str:
    beyond = "more than chance" if gain.is_sure or gain.is_loss else "within chance"
    return f"{gain.mean:+.3f} (standard error {gain.standard_error:.3f}): {beyond}"


# ------------------------------------------------------------------------------------------------ the file
def _text(outcome: RefitSummary, shipped: Settings, run: Path, readings: Path) -> str:
    new = outcome.refit.settings
    lines = [FIRST_LINE, f"# Run: {_plain(regular_files.real_path(run).name)}; readings: {_plain(readings.name)}"]
    lines.append(f"# Made with {versions.program()}")
    lines += [f"# {line}" for line in outcome.summary()]
    fitted = ", ".join(json.dumps(s, ensure_ascii=False) for s in sorted(outcome.known.annuli))
    lines += ["", "[refit]", f"fitted_to = [{fitted}] # specimens, so that an audit with their readings says so"]
    lines += ["", "[evidence]", f"weights = [{', '.join(map(repr, new.evidence.weights))}]"]
    now, was = new.count.weights, shipped.count.weights
    lines += ["", "[count.weights]", *(f"{key} = {now[key]!r} # as shipped {was[key]!r}" for key in now)]
    confidence = new.confidence
    lines += ["", "[confidence]", f"weights = [{', '.join(map(repr, confidence.weights))}]"]
    lines.append(f"constant = {confidence.constant!r}")
    return "\n".join(lines) + "\n"


def _plain(name: str) -> str:
    """A file's name fit for a comment."""
    return "".join(c if c.isprintable() else "?" for c in name)


def _write(out: Path, text: str) -> None:
    try:
        write_text(out, text)
    except OSError as e:
        raise OpercleError(f"{out}: cannot be written: {e.strerror}; give --out another name") from None
