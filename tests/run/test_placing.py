"""Every bone promised or found gets one row, under the right name and with the right reason."""

from __future__ import annotations

from dataclasses import asdict

from pipeline.records import BoneReading, Specimen
from pipeline.run.accounts import bones_without_row
from pipeline.run.placing import BonesInHand, listed_in, promised
from pipeline.run.placing import place as place_bones
from pipeline.together.review import Circumstances


def row(specimen: str, scan: str = "t.png", bone: int = 1) -> Specimen:
    return Specimen(specimen=specimen, scan=scan, bone=bone, fish=specimen)


def bones(scan: str, count: int) -> tuple[BoneReading, ...]:
    return tuple(
        BoneReading(scan=scan, number=n, outline=(), lighting="", dpi=None, axis=None) for n in range(1, count + 1)
    )


def place(rows, readings, refused=()):
    return list(place_bones(rows, listed_in(rows), BonesInHand(readings, dict.fromkeys(refused, "truncated"))))


def around(circumstances: Circumstances) -> tuple[str, ...]:
    return tuple(name for name, true in asdict(circumstances).items() if true)


def placed(rows, **found):
    readings = {f"{scan}.png": bones(f"{scan}.png", count) for scan, count in found.items() if count}
    refused = [f"{scan}.png" for scan, count in found.items() if not count]
    return [
        (p.specimen.specimen, p.reading.number if p.reading else None, around(p.around))
        for p in place(rows, readings, refused)
    ]


def test_rows_come_in_the_order_of_the_table():
    rows = [row("b", bone=2), row("a", bone=1)]
    assert placed(rows, t=2) == [("b", 2, ()), ("a", 1, ())]


def test_without_a_table_a_bone_is_named_by_its_file_and_on_a_tray_by_its_number():
    assert placed([], one=1, tray=2) == [("one", 1, ()), ("tray-1", 1, ()), ("tray-2", 2, ())]


def test_more_bones_than_promised_put_every_bone_of_the_tray_in_doubt():
    mismatch = ("tray_mismatch",)
    assert placed([row("a"), row("b", bone=2)], t=3) == [
        ("a", 1, mismatch),
        ("b", 2, mismatch),
        ("t-3", 3, (*mismatch, "unlisted")),
    ]


def test_fewer_bones_than_promised_leave_a_row_for_the_missing_one():
    rows = [row("a"), row("b", bone=2)]
    assert placed(rows, t=1) == [("a", 1, ("tray_mismatch",)), ("b", None, ("tray_mismatch",))]


def test_a_position_that_the_table_leaves_out_is_no_mismatch():
    assert placed([row("a"), row("c", bone=3)], t=3) == [("a", 1, ()), ("c", 3, ()), ("t-2", 2, ("unlisted",))]


def test_the_bones_of_a_refused_scan_keep_their_rows():
    assert placed([row("a"), row("b", bone=2)], t=0) == [("a", None, ("scan_refused",)), ("b", None, ("scan_refused",))]


def test_a_name_already_taken_in_the_table_is_not_given_twice():
    names = [name for name, *_ in placed([row("t-2", scan="other.png"), row("a")], t=2, other=1)]
    assert len(set(names)) == len(names) == 3


def test_a_bone_that_no_row_names_says_so_only_where_there_is_a_table():
    readings = {"x.png": bones("x.png", 1)}
    assert around(place([], readings, ["t.png"])[0].around) == ()
    assert around(place([row("a")], readings, ["t.png"])[1].around) == ("unlisted",)


def test_what_is_promised_is_the_highest_position():
    assert promised(listed_in([row("a"), row("c", bone=4), row("x", scan="u.png")])) == {"t.png": 4, "u.png": 1}


def test_bones_in_places_that_the_table_skips_are_named_at_the_end_and_bones_of_a_mismatched_tray_by_their_tray():
    readings = {
        "skips.png": bones("skips.png", 3),
        "more.png": bones("more.png", 2),
        "other.png": bones("other.png", 1),
    }
    rows = [row("a", "skips.png"), row("b", "skips.png", 3), row("c", "more.png")]
    assert bones_without_row(place(rows, readings)) == ["other.png bone 1", "skips.png bone 2"]
    assert bones_without_row(place([], readings)) == []
