"""Every setting moves something: changed by itself, a bone is read, judged, queued, or drawn otherwise."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from datetime import date
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from pydantic import BaseModel, ValidationError
from whole_run import age_bones

from pipeline.bone.read_bone import read_bones
from pipeline.records import BoneReading, Captured, Hint, Specimen
from pipeline.run.plan import limits_of
from pipeline.run.results import millimetres
from pipeline.scans.scan_file import read_scan
from pipeline.scans.scan_folder import find_scans
from pipeline.settings.files import read_settings
from pipeline.settings.whole import Settings
from pipeline.together.triage import QueuedBone, triage

SCANS = Path(__file__).parent.parent / "fixtures" / "scans"
SHIPPED = read_settings()
FITTED = ("evidence", "confidence", "first_year", "last_year", "familiar")
"""Sections of fitted numbers; that these move ages is what `tests/learn` and `tests/counting` are about."""
ELSEWHERE = {
    "scan": "tests/scans", "crops": "tests/run/test_first_pass.py", "refit": "tests/together/test_refit.py",
    "population": "tests/growth", "other_names": "tests/tables/test_specimens.py", "pictures": "tests/pictures",
    "water": "tests/test_settings.py", "species": "tests/test_settings.py",
    "reading.no_bone_below": "tests/bone/test_traits.py",
    "count.first_year_bones": "tests/together/test_first_year.py",
    "review.most_increment_trend": "tests/together/test_plausible.py",
}  # fmt: skip
"""Sections and settings whose effect needs files, fits or whole runs, with the tests that show it."""
WAITS = ("wall_factor", "report_seconds", "without_workers_seconds")
"""Seconds that something waits: tests/batch has them."""
DATES = [Captured(year=2020, month=m, day=d) for m, d in ((1, 5), (4, 20), (5, 30), (6, 20), (7, 10), (9, 9), (11, 20))]


@cache
def scans() -> tuple[Any, ...]:
    """Scans as decoded; the second is of a damaged bone."""
    refs = {ref.path.name: ref for ref in find_scans([SCANS]).scans}
    return tuple(read_scan(refs[name], SHIPPED.scan) for name in ("sauger_1.jpg", "perch_1.png"))


def read(settings: Settings) -> tuple[BoneReading, ...]:
    """Both scans read; what is read of the first alone is enough for most settings."""
    return tuple(r for scan in scans() for _, r in read_bones(scan, (Hint(scan=scan.scan),), settings))


@cache
def bones() -> tuple[tuple[Specimen, BoneReading], ...]:
    """Readings with rows of the general species, each caught on another day, each fish of another length."""
    made = []
    for n in range(16):
        reading = read_cached()[n % 2]
        marks = reading.marks[n // 4 :]
        length = (40.0, 180.0, 300.0, 460.0)[n % 4]
        row = Specimen(
            specimen=f"B{n}", scan=reading.scan, fish=f"F{n}", length_mm=length, captured=DATES[n % len(DATES)]
        )
        made.append((row, replace(reading, marks=marks)))
    return tuple(made)


@cache
def read_cached() -> tuple[BoneReading, ...]:
    return read(SHIPPED)


def judged(settings: Settings) -> object:
    return age_bones(bones(), settings)


def judged_by_size(settings: Settings) -> object:
    """Few bones, that are held against the settings alone, and many, that are held against one another."""
    reading = read_cached()[0]
    row = bones()[0][0]
    share = SHIPPED.species_of("").growth.bone_share_of_length
    fits = millimetres(reading.axis.radius_px, reading.dpi) / share
    few = [(replace(row, specimen=f"B{f}", fish=f"F{f}", length_mm=fits * f), reading) for f in (0.4, 0.7, 1.0, 1.7)]
    alike = [
        (replace(row, specimen=f"B{n}", fish=f"F{n}", length_mm=fits * (1 + 0.3 * (n == 9))), reading)
        for n in range(10)
    ]
    return age_bones(few, settings), age_bones(alike, settings)


def queued(settings: Settings) -> object:
    some = [QueuedBone(specimen=f"B{n}", confidence=0.5 + n / 100, reasons=()) for n in range(50)]
    return triage(some, settings.review, max_error=settings.review.accepted_error, most=None)


STAGES: dict[str, Sequence[Callable[[Settings], object]]] = {
    "unwrap": (read,), "profile": (read,), "focus": (read,), "reading": (read,),
    "count": (judged,), "growth": (judged, judged_by_size), "season": (judged,),
    "review": (judged, judged_by_size, queued),
    "batch": (lambda settings: limits_of(100.0, settings.batch),),
}  # fmt: skip


def leaves(model: BaseModel, place: tuple[str, ...] = ()) -> Iterator[tuple[tuple[str, ...], Any]]:
    for name in type(model).model_fields:
        value = getattr(model, name)
        if isinstance(value, BaseModel):
            yield from leaves(value, (*place, name))
        else:
            yield (*place, name), value


def changed(value: Any) -> Iterator[Any]:
    """Other values, the bolder the later; not all of them need be allowed."""
    if isinstance(value, bool):
        yield not value
    elif isinstance(value, int | float):
        for other in (value * 2, value / 2, value * 10, value / 10, 0, 1, 10**6):
            yield type(value)(other)
    elif isinstance(value, tuple):
        yield tuple(2 * v for v in value)
        yield tuple(v / 2 for v in value)
    elif isinstance(value, date):
        yield value.replace(month=value.month % 12 + 1)
    elif isinstance(value, str):
        yield from ("south", "02-01", "06-01", "06-20", "09-01", "12-01", f"{value}2")


def with_value(place: tuple[str, ...], value: Any) -> Settings | None:
    """The shipped settings with one other value; None when it is not allowed."""
    content: dict[str, Any] = SHIPPED.model_dump(mode="json")
    group = content
    for name in place[:-1]:
        group = group[name]
    group[place[-1]] = value
    try:
        return Settings.model_validate(content)
    except (ValidationError, ValueError):
        return None


PLACES = [
    place
    for place, value in leaves(SHIPPED)
    if place[0] in STAGES
    and place[-1] not in WAITS
    and value not in (None, (), {})
    and len(place) == 2
    and ".".join(place) not in ELSEWHERE
    and place[-1] != "weights"
]


def test_every_section_is_moved_here_or_elsewhere():
    named = {*STAGES, *FITTED, *ELSEWHERE}
    assert set(Settings.model_fields) - named == set()
    assert all((Path(__file__).parent.parent / test).exists() for test in ELSEWHERE.values())


@pytest.mark.parametrize("place", PLACES, ids=".".join)
def test_a_setting_changed_by_itself_moves_something(place):
    shipped = dict(leaves(SHIPPED))[place]
    stages = STAGES[place[0]]
    before = [repr(stage(SHIPPED)) for stage in stages]
    for value in changed(shipped):
        settings = with_value(place, value)
        if settings is not None and value != shipped and [repr(stage(settings)) for stage in stages] != before:
            return
    pytest.fail(f"nothing moves with {'.'.join(place)} = {shipped}")
