"""A scan is read again when, and only when, something that its reading depends on differs."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from pipeline.records import Captured, Refusal, ScanRef, Specimen
from pipeline.run.ledger_people import Correction
from pipeline.run.ledger_scans import KnownScan
from pipeline.run.plan import WHY, digest_of_hints, hints_by_scan, limits_of, plan
from pipeline.settings.files import read_settings

REF = ScanRef(scan="a.png", path=Path("a.png"), size=5, mtime_ns=7)
KNOWN = KnownScan(
    scan="a.png",
    path="a.png",
    size=5,
    mtime_ns=7,
    sha256="bytes",
    settings="s",
    code="c",
    hints=digest_of_hints(()),
    cause="new",
)
ROW = Specimen(specimen="x", scan="a.png", species="walleye", captured=Captured(year=2020))


def causes(ref=REF, known=KNOWN, hints=None, pictures=("a.png",), settings="s", code="c"):
    planned = plan([ref], {known.scan: known} if known else {}, hints or {}, pictures, settings, code)
    return [(p.cause, p.known_sha256) for p in planned]


def test_what_is_done_and_unchanged_is_not_read():
    assert causes() == []


@pytest.mark.parametrize(
    ("differs", "cause"),
    [
        ({"known": None}, "new"),
        ({"settings": "other"}, "settings"),
        ({"code": "other"}, "version"),
        ({"pictures": ()}, "picture"),
        ({"hints": {"a.png": (replace(ROW, dpi=600.0),)}}, "table"),
    ],
)
def test_each_difference_has_its_cause_and_the_scan_is_read_whole(differs, cause):
    assert causes(**differs) == [(cause, "")]
    assert cause in WHY


def test_a_touched_file_is_read_only_as_far_as_its_bytes_differ():
    assert causes(ref=replace(REF, mtime_ns=8)) == [("file", "bytes")]


@pytest.mark.parametrize("other", [{"ctime_ns": 1}, {"inode": 1}])
def test_a_file_put_in_the_place_of_one_of_the_same_size_and_time_is_looked_at_again(other):
    assert causes(ref=replace(REF, **other)) == [("file", "bytes")]


def refused(code: str) -> KnownScan:
    return replace(KNOWN, refusal=Refusal(scan="a.png", stage="", code=code, detail=""), sha256="")


@pytest.mark.parametrize("code", ["deadline", "memory", "crashed"])
def test_what_may_go_better_the_next_time_is_tried_again(code):
    assert causes(known=refused(code)) == [("retried", "")]


@pytest.mark.parametrize("code", ["truncated", "blank", "failed", "no-bones"])
def test_what_the_file_itself_decides_is_kept_until_the_file_changes(code):
    assert causes(known=refused(code), pictures=()) == []
    assert causes(known=refused(code), ref=replace(REF, size=6)) == [("file", "")]


TRAY = tuple(replace(ROW, bone=n) for n in (1, 2, 3))
AIMED = replace(TRAY[1], focus=(1.0, 2.0), tip=(3.0, 4.0))


@pytest.mark.parametrize(
    ("now", "read"),
    [
        ((TRAY[0], AIMED, TRAY[2]), (2,)),
        ((replace(TRAY[0], dpi=300.0), AIMED, TRAY[2]), (1, 2)),
        (TRAY[:1] + TRAY[2:], (2,)),
        (TRAY[:2], ()),  # another number of bones is looked for on the whole scan
        ((TRAY[0], replace(AIMED, lighting="reflected"), TRAY[2]), ()),  # and the scan's lighting concerns all
    ],
)
def test_a_corrected_bone_is_read_alone(now, read):
    known = replace(KNOWN, hints=digest_of_hints(TRAY))
    (planned,) = plan([REF], {"a.png": known}, {"a.png": now}, ("a.png",), "s", "c")
    assert (planned.cause, planned.bones, planned.known_sha256) == ("table", read, "bytes" if read else "")


def test_what_an_older_version_knew_of_a_table_makes_the_whole_scan_be_read():
    known = replace(KNOWN, hints="0123456789abcdef")
    (planned,) = plan([REF], {"a.png": known}, {"a.png": TRAY}, ("a.png",), "s", "c")
    assert (planned.cause, planned.bones) == ("table", ())


def test_ids_species_and_dates_make_no_scan_be_read_again():
    other = replace(ROW, specimen="y", species="sauger", captured=None, length_mm=300.0)
    assert hints_by_scan([ROW], {}) == hints_by_scan([other], {})


def test_a_correction_counts_before_the_table():
    row = replace(ROW, lighting="reflected", dpi=300.0)
    correction = Correction(scan="a.png", bone=1, reader="Ann", made_on="", dpi=600.0, focus=(1.0, 2.0), tip=(3.0, 4.0))
    (hint,) = hints_by_scan([row], {("a.png", 1): correction})["a.png"]
    assert (hint.lighting, hint.dpi, hint.focus, hint.tip) == ("reflected", 600.0, (1.0, 2.0), (3.0, 4.0))


def test_larger_scans_may_take_more():
    small, large = (limits_of(m, read_settings().batch) for m in (1, 140))
    assert small.cpu_seconds < large.cpu_seconds
    assert small.memory_megabytes < large.memory_megabytes
    assert small.cpu_seconds < small.wall_seconds
