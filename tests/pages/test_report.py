"""The report says of a run what its bones say, and holds nothing that a browser could trip over."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from xml.etree import ElementTree as ET

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pages.reports import bone, refusal, report_of

from pipeline.pages import charts, report_figures
from pipeline.pages.report_page import BONES_A_PAGE, expected_wrong, report_page


def data_of(page: str) -> dict:
    return json.loads(re.search(r'<script type="application/json"[^>]*>(.*?)</script>', page, re.S)[1])


def words_of(page: str) -> str:
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", "", page[page.index("<body>") : page.index("<script")]))


# ------------------------------------------------------------------------------------------------ what it says
def test_every_bone_is_in_exactly_one_state():
    bones = [
        bone(1),
        bone(2, reasons=("low-confidence",)),
        bone(3, annuli=None, confidence=None, reasons=("missing-bone",), final_annuli=None),
        bone(4, by_person=True, counted_by="Ann", reasons=("first-year",)),
        bone(5, by_person=True, counted_by="Ann", annuli=None, confidence=None),
    ]
    assert [b.state for b in bones] == ["kept", "wait", "none", "settled", "settled"]


def test_wrong_counts_expected_are_the_sum_of_what_confidence_leaves_open_among_the_kept():
    bones = [bone(n, confidence=0.95) for n in range(1, 41)] + [bone(50, confidence=0.3, reasons=("low-confidence",))]
    wrong = expected_wrong(bones)
    assert wrong.counts == 40
    assert wrong.share == pytest.approx(0.05)  # of forty bones of confidence .95, two
    assert "40 kept as the machine counted them, 2 are expected to be wrong" in words_of(report_page(report_of(*bones)))


def test_the_first_thing_to_do_is_to_compare_tray_sheets_and_the_trays_that_do_not_fit_are_named():
    report = report_of(bone(1), bone(2, reasons=("tray-mismatch",)))
    report = replace(report, trays=(replace(report.trays[0], mismatch=True),))
    steps = words_of(report_page(report))
    steps = steps[steps.index("What to do next, in this order") :]
    assert steps.index("Compare the tray sheets") < steps.index("drawn at random") < steps.index("Make the queue")
    assert "Begin with tray_1.tif" in steps


def test_fifty_bones_are_drawn_at_random_whatever_others_there_are():
    some = [bone(n) for n in range(1, 201)]
    drawn = set(re.findall(r"<li>(W-\d+)</li>", report_page(report_of(*some))))
    assert len(drawn) == 50
    more = set(re.findall(r"<li>(W-\d+)</li>", report_page(report_of(*some, *(bone(n) for n in range(201, 221))))))
    assert len(drawn & more) >= 30  # those of the first 200 that are still among the fifty lowest lots stay


def test_a_run_without_a_single_bone_has_a_report_that_says_so():
    page = report_page(report_of(scans=2, refused=(refusal("a.tif"), refusal("b.tif")), trays=()))
    assert "0 bones on 0 scans" in words_of(page)
    assert "copy the file again; if that does not help, scan again" in words_of(page)
    assert data_of(page)["rows"] == []


def test_doubtful_bones_come_first_and_settled_ones_last():
    bones = [
        bone(1),
        bone(2, by_person=True, counted_by="Ann"),
        bone(3, confidence=0.4, reasons=("low-confidence",)),
        bone(4, confidence=0.9, reasons=("damaged",)),
        bone(5, annuli=None, confidence=None, reasons=("missing-bone",)),
    ]
    rows = data_of(report_page(report_of(*bones)))["rows"]
    assert [row[0] for row in rows] == ["W-005", "W-004", "W-003", "W-001", "W-002"]


def test_reasons_are_counted_among_the_bones_that_nobody_has_settled():
    bones = [
        bone(1, reasons=("first-year", "low-confidence")),
        bone(2, reasons=("first-year",)),
        bone(3, reasons=("first-year",), by_person=True, counted_by="Ann"),
    ]
    assert report_figures.reasons_of(bones) == (("first-year", 2, 1), ("low-confidence", 1, 0))


def test_a_first_increment_far_from_those_of_its_water_is_named():
    usual = [bone(n, first_mm=3.0 + 0.02 * n) for n in range(1, 11)]
    found = report_figures.first_increments(report_figures.groups([*usual, bone(11, first_mm=6.5)]))
    assert [b.specimen for b in found.apart] == ["W-011"]
    alone = report_figures.first_increments(report_figures.groups([*usual[:3], bone(11, first_mm=6.5)]))
    assert alone.apart == ()  # three bones do not tell what is usual


def test_the_two_bones_of_a_fish_are_compared_left_against_right():
    pair = [bone(1, fish="F1", side="R", final_annuli=5), bone(2, fish="F1", side="L", final_annuli=4)]
    sides = report_figures.sides([*pair, bone(3)])
    assert sides.pairs == ((4, 5),)
    assert sides.known
    assert sides.unequal == (("F1", 4, 5),)


@given(st.lists(st.sampled_from(["settled", "kept", "wait"]), max_size=40), st.data())
def test_the_bars_of_a_group_hold_each_of_its_counted_bones_once(states, data):
    def one(n, state):
        person = state == "settled"
        reasons = ("damaged",) if state == "wait" else ()
        age = data.draw(st.integers(0, 25))
        return bone(n, by_person=person, reasons=reasons, final_annuli=age, final_age_class=age)

    bones = tuple(one(n, s) for n, s in enumerate(states))
    _, bars = report_figures.ages_of(report_figures.BoneGroup(species="walleye", water="", bones=bones))
    told = [sum(bar.parts[i] for bar in bars) for i in range(3)]
    assert told == [states.count(s) for s in ("settled", "kept", "wait")]


# ------------------------------------------------------------------------------------------------ how it is made
NASTY = "</script><img src=x onerror=alert(1)> & \"quoted\" <!-- 'single' \u2028"


def test_text_from_tables_never_becomes_markup():
    hostile = bone(
        1, specimen=NASTY, picture="a%2Fb", species=NASTY, water=NASTY, scan=NASTY, counted_by=NASTY, by_person=True
    )
    page = report_page(report_of(hostile, bone(2, by_person=False), readers={NASTY: 3}))
    assert "<img src=x" not in page
    assert page.count("</script>") == 2
    assert data_of(page)["rows"][1][0] == NASTY


@pytest.mark.parametrize("most", [1, 3, 17, 60])
def test_charts_are_well_formed_and_stay_inside_their_box(most):
    bars = [charts.Bar(label=str(i), parts=(i % 3, i % 5, 1)) for i in range(most)]
    values = tuple(i * 0.7 for i in range(1, most + 1))
    box = {"low": values[0], "middle": values[most // 2], "high": values[-1]}
    strip = charts.DotStrip(label="a <b>", values=values, apart=(False,) * most, **box)
    for chart in (
        charts.stacked_bars(bars, ("a", "b", "c"), "t", "age"),
        charts.strips([strip], "t", "mm"),
        charts.counts_against_counts([(i, i + 1) for i in range(most)], "t", "left", "right"),
        charts.level_bar([("a", most), ("b", 0)], "t"),
    ):
        root = ET.fromstring(chart)
        _, _, width, height = (float(v) for v in root.get("viewBox").split())
        for rect in root.iter("rect"):
            assert -0.1 <= float(rect.get("x")) <= float(rect.get("x")) + float(rect.get("width")) <= width + 0.1
            assert -0.1 <= float(rect.get("y")) <= float(rect.get("y")) + float(rect.get("height")) <= height + 0.1


def test_the_page_of_ten_thousand_bones_stays_under_two_megabytes():
    bones = [bone(n, confidence=0.5, reasons=("low-confidence", "first-year")) for n in range(10_000)]
    assert len(report_page(report_of(*bones)).encode()) < 2_000_000
    assert BONES_A_PAGE == 50


def test_the_page_asks_nothing_of_a_network():
    page = report_page(report_of(bone(1), refused=(refusal("a.tif"),)))
    assert not re.findall(r"(?:https?:)?//[a-z]", page.split("<body>")[1].split('<script type="application/json"')[0])
    assert "default-src 'none'" in page
