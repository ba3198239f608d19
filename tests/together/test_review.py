"""Every reason and notice appears when its finding does, alone, once and in the registry's order."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.codes import NOTICES, REASONS
from pipeline.records import Axis, BoneReading, Captured, Specimen
from pipeline.settings.files import read_settings
from pipeline.together.review import Circumstances, Findings, notices_of, reasons_of

REVIEW = read_settings().review
SPECIMEN = Specimen(
    specimen="W1", scan="a.png", species="walleye", lighting="reflected", captured=Captured(year=2020, month=9, day=2)
)
READING = BoneReading(
    scan="a.png", number=1, outline=(), lighting="reflected", dpi=600.0,
    axis=Axis(focus=(0, 0), tip=(300, 400), certainty=0.9),
)  # fmt: skip
PLAIN = Findings(
    specimen=SPECIMEN, reading=READING, annuli=4, confidence=0.99, radii_px=(150.0, 280.0, 370.0, 440.0),
    increment_expected_px=50.0,
)  # fmt: skip


def test_a_sure_bone_needs_nobody() -> None:
    assert reasons_of(PLAIN, REVIEW) == ()
    assert notices_of(PLAIN) == ()


@pytest.mark.parametrize(
    ("code", "change"),
    [
        ("low-confidence", {"confidence": REVIEW.least_confidence - 1e-6}),
        ("first-year", {"first_year_ambiguous": True}),
        ("edge-undecided", {"edge_undecided": True}),
        ("crowded-margin", {"margin_doubt": True}),
        ("crowded-margin", {"radii_px": (150.0, 280.0, 437.5, 440.0)}),
        ("crowded-margin", {"increment_expected_px": 2.0}),
        ("low-resolution", {"radii_px": (150.0, 153.0, 370.0, 440.0)}),
        ("low-resolution", {"radii_px": (2.0, 153.0, 370.0, 440.0)}),
        ("unlikely-growth", {"unlikely_growth": True}),
        ("size-mismatch", {"size_mismatch": True}),
        ("sides-differ", {"sides_differ": True}),
        ("tray-mismatch", {"around": Circumstances(tray_mismatch=True)}),
        ("readers-differ", {"around": Circumstances(readers_differ=True)}),
        ("date-incomplete", {"specimen": replace(SPECIMEN, captured=Captured(year=2020, month=9))}),
        ("no-reading", {"annuli": None, "confidence": None, "radii_px": (), "increment_expected_px": None}),
        ("missing-bone", {"reading": None, "annuli": None, "confidence": None, "radii_px": ()}),
        ("scan-refused", {"reading": None, "annuli": None, "around": Circumstances(scan_refused=True)}),
        *((c, {"reading": replace(READING, reasons=(c,))})
          for c in ("damaged", "cut-off", "blurred", "lighting-unsure", "focus-unsure", "no-bone")),
    ],
)  # fmt: skip
def test_each_finding_gives_its_reason_alone(code: str, change: dict[str, Any]) -> None:
    assert reasons_of(replace(PLAIN, **change), REVIEW) == (code,)


@pytest.mark.parametrize(
    ("code", "change"),
    [
        ("no-date", {"specimen": replace(SPECIMEN, captured=None)}),
        ("lighting-found", {"specimen": replace(SPECIMEN, lighting="")}),
        ("species-unknown", {"species_known": False}),
        ("corrected", {"reading": replace(READING, axis=Axis(focus=(0, 0), tip=(9, 9), certainty=1, by_hand=True))}),
        ("check-seen", {"check_seen": True}),
        ("split-seen", {"split_seen": True}),
        ("no-row", {"around": Circumstances(unlisted=True)}),
        *((c, {"reading": replace(READING, notices=(c,))})
          for c in ("no-resolution", "resolution-doubtful", "resolution-uneven", "turned")),
    ],
)  # fmt: skip
def test_each_finding_gives_its_notice_alone(code: str, change: dict[str, Any]) -> None:
    found = replace(PLAIN, **change)
    assert notices_of(found) == (code,)
    assert reasons_of(found, REVIEW) == ()


def test_a_bone_that_is_not_there_says_nothing_of_marks_edge_or_date() -> None:
    found = Findings(specimen=replace(SPECIMEN, captured=None, lighting=""), reading=None,
                     around=Circumstances(tray_mismatch=True), species_known=False,
                     first_year_ambiguous=True, edge_undecided=True)  # fmt: skip
    assert reasons_of(found, REVIEW) == ("tray-mismatch", "missing-bone")
    assert notices_of(found) == ()


def test_young_bones_are_not_crowded() -> None:
    for radii in ((), (150.0,)):
        found = replace(PLAIN, radii_px=radii, annuli=len(radii), increment_expected_px=None)
        assert reasons_of(found, REVIEW) == ()


@given(
    st.lists(st.sampled_from(["damaged", "cut-off", "blurred", "no-bone", "focus-unsure"]), max_size=6),
    st.lists(st.sampled_from(["turned", "no-resolution", "resolution-uneven"]), max_size=5),
    st.booleans(), st.booleans(), st.booleans(), st.booleans(),
)  # fmt: skip
def test_codes_come_once_in_the_registrys_order(
    pixel_reasons: list[str], pixel_notices: list[str], sides: bool, size: bool, first: bool, check: bool
) -> None:
    reading = replace(READING, reasons=tuple(pixel_reasons), notices=tuple(pixel_notices))
    found = replace(PLAIN, reading=reading, sides_differ=sides, size_mismatch=size, first_year_ambiguous=first,
                    check_seen=check)  # fmt: skip
    for codes, registry in ((reasons_of(found, REVIEW), REASONS), (notices_of(found), NOTICES)):
        assert list(codes) == [c for c in registry if c in codes]


def test_a_code_nobody_registered_is_a_fault() -> None:
    with pytest.raises(KeyError, match="not-a-code"):
        reasons_of(replace(PLAIN, reading=replace(READING, reasons=("not-a-code",))), REVIEW)
