"""Audit readers and machine: tables in, figures, pages and a summary out."""

from __future__ import annotations

import json
import os
from collections.abc import Sequence
from datetime import date
from pathlib import Path
from typing import Any
from urllib.parse import quote

import pandas as pd

from pipeline import regular_files
from pipeline.audit.answers import RunAges
from pipeline.audit.figures import agreement, as_json
from pipeline.audit.verdict import CAUTION, Statement, headline, verdict
from pipeline.audit.whole import Audit
from pipeline.audit.whole import audit as audited
from pipeline.errors import OpercleError
from pipeline.pages.audit_page import Made, audit_page, notes, plots
from pipeline.pages.audit_tables import tables
from pipeline.run import places
from pipeline.run.picture_names import picture_names
from pipeline.tables import own_folder
from pipeline.tables.readings import read_readings
from pipeline.tables.run_tables import read_ages
from pipeline.tables.tables import table_text

AGREEMENT = "agreement.json"
PAGE = "audit.html"
_MADE_BY = "opercle"
_WHAT = "audit"


def audit(readings: Sequence[Path], runs: Sequence[Path], reference: str | None, out: Path | None) -> str:
    """Audit readings, with the machine's ages when `runs` are given, and write all results to a folder.

    The folder is `out`, else `audit` in the last run, else `audit` here. Returns the summary in plain words. Raises
    OpercleError when a table cannot be used, the reference has no readings, or the folder holds something else.
    """
    folder = out or (runs[-1] / "audit" if runs else Path("audit"))
    own_folder.check(folder, _WHAT)
    read = read_readings(readings)
    found = audited(read, _runs(runs), reference)
    statements = verdict(found)
    made = _made(folder, readings, runs, {r.specimen for r in read}, found)
    own_folder.write(folder, _WHAT, _contents(found, statements, made))
    return _summary(folder, found, statements, made)


def _made(folder: Path, readings: Sequence[Path], runs: Sequence[Path], read: set[str], found: Audit) -> Made:
    audited, warnings = [], []
    pictures: dict[str, str] = {}
    for run, ages in zip(runs, _runs(runs), strict=True):
        facts = _facts(run)
        files = ", ".join(facts.get("settings_files") or ()) or "as shipped"
        audited.append(f"run {ages.name} of {str(facts.get('finished', ''))[:10]}, settings {files}")
        fitted = read & set(facts.get("settings", {}).get("refit", {}).get("fitted_to", ()))
        if fitted:
            warnings.append(
                f"The run {ages.name} was made with weights that were refitted to counts of {len(fitted)} of the "
                f"{len(read)} bones read here. On these the machine agrees better than it will on others: judge it by "
                "bones that were read later."
            )
        specimens = [str(s) for s in ages.ages["specimen"]]
        for specimen, name in picture_names(specimens).items():
            overlay = run / places.OVERLAYS / f"{name}.jpg"
            if overlay.is_file():
                pictures.setdefault(specimen, _address(overlay, folder))
    return Made(
        on=date.today().isoformat(),
        readings=tuple(path.name for path in readings),
        runs=tuple(audited),
        warnings=tuple(warnings),
        pictures=pictures,
    )


def _facts(run: Path) -> dict[str, Any]:
    """What run.json tells; empty when it cannot be read, for the audit needs no more than the tables."""
    try:
        facts = json.loads(regular_files.read(run / "run.json"))
    except (OSError, ValueError):
        return {}
    return facts if isinstance(facts, dict) else {}


def _address(picture: Path, folder: Path) -> str:
    """The picture as seen from the folder of the page."""
    return quote(Path(os.path.relpath(picture.resolve(), folder.resolve())).as_posix())


def _runs(runs: Sequence[Path]) -> list[RunAges]:
    real = [regular_files.real_path(run) for run in runs]
    if len(set(real)) < len(runs):
        raise OpercleError("--run: the same run is given twice; give each run once")
    names = [run.name for run in real]
    # Two runs of one name are told apart by their folders.
    shown = [str(run) if names.count(name) > 1 else name for run, name in zip(runs, names, strict=True)]
    return [RunAges(name=_plain(name), ages=_as_triaged(read_ages(run))) for run, name in zip(runs, shown, strict=True)]


def _as_triaged(ages: pd.DataFrame) -> pd.DataFrame:
    """Readers who differ flag a bone after the machine has kept it: the audit asks what the machine did."""
    return ages.assign(review=ages["review"] & (ages["reasons"] != "readers-differ"))


def _plain(name: str) -> str:
    """A folder's name fit for plots and pages."""
    return "".join(c if c.isprintable() else "?" for c in name)


def _contents(found: Audit, statements: Sequence[Statement], made: Made) -> dict[str, str]:
    """All files of the audit, by name."""
    content = agreement(
        found.pairs,
        {
            "reference": found.reference,
            "against_reference": [as_json(g.comparison) for g in found.against],
            "beside_people": _beside_people(found),
            "notes": notes(found),
            "made_by": _MADE_BY,
            "made_on": made.on,
            "readings": list(made.readings),
            "runs": list(made.runs),
            "warnings": list(made.warnings),
        },
    )
    drawn = plots(found)
    return {
        AGREEMENT: json.dumps(content, indent=1, ensure_ascii=False, allow_nan=False) + "\n",
        **{table.name: table_text(table.columns, table.rows) for table in tables(found)},
        **{f"{name}.svg": svg for name, svg in drawn.items()},
        PAGE: audit_page(found, statements, drawn, made),
    }


def _beside_people(found: Audit) -> dict[str, Any] | None:
    people = found.people
    if people is None:
        return None
    figures = {
        "people_exact": people.people_exact,
        "machine_exact": people.machine_exact,
        "difference": people.difference,
    }
    return {"n": people.n, **{name: [e.value, e.low, e.high] for name, e in figures.items()}}


def _summary(folder: Path, found: Audit, statements: Sequence[Statement], made: Made) -> str:
    lines = [headline(statements), "", *(f"{s.topic}: {s.text}" for s in statements)]
    lines += [f"Warning: {line}" for line in made.warnings]
    lines += [f"Note: {note}" for note in notes(found)]
    return "\n".join([*lines, "", CAUTION, str(folder / PAGE)])
