"""What a reader must find on the overlay of a bone."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations

import numpy as np
import pytest
from bones_by_code import bone, mark, picture_of

from pipeline.codes import REASONS
from pipeline.pictures import ink
from pipeline.pictures.lettering import Box
from pipeline.pictures.overlay import draw_with_place
from pipeline.pictures.overlay_layout import OverlayLayout, lay_out
from pipeline.pictures.tags import Tag
from pipeline.records import Age, BoneReading, Specimen
from pipeline.settings.files import read_settings

SETTINGS = read_settings().pictures
ANGLES = (0.0, 37.0, 90.0, 135.0, 200.0, 315.0)


def overlap(a: Box, b: Box) -> bool:
    return a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3]


def all_words(layout: OverlayLayout) -> list[Box]:
    return [w.box for w in layout.words] + [t.words.box for t in layout.tags]


def on_bone(layout: OverlayLayout) -> list[Tag]:
    return [t for t in layout.tags if t.y < layout.view.box[3]]


@pytest.mark.parametrize("turned", ANGLES)
@pytest.mark.parametrize("annuli", [0, 1, 7, 16, 25])
def test_every_counted_annulus_has_its_number_on_the_bone_and_on_the_band(annuli: int, turned: float) -> None:
    layout = lay_out(*bone(annuli, turned), SETTINGS)
    wanted = [str(n) for n in range(1, annuli + 1)]
    assert sorted((t.text for t in on_bone(layout)), key=int) == wanted
    assert sorted((t.text for t in layout.tags if t not in on_bone(layout)), key=int) == wanted


@pytest.mark.parametrize("turned", ANGLES)
@pytest.mark.parametrize("annuli", [1, 7, 16, 25])
def test_no_number_covers_another(annuli: int, turned: float) -> None:
    reasons = ("first-year", "edge-undecided", "focus-unsure")
    layout = lay_out(*bone(annuli, turned, reasons=reasons, hidden_first_px=20.0), SETTINGS)
    covered = [(a.text, b.text) for a, b in combinations(layout.tags, 2) if overlap(a.box, b.box)]
    assert covered == []


@pytest.mark.parametrize("turned", ANGLES)
def test_no_text_leaves_the_picture_and_no_line_of_text_covers_another(turned: float) -> None:
    for reading, age, specimen in (
        bone(25, turned, reasons=tuple(REASONS), notices=("lighting-found", "no-resolution"), hidden_first_px=30.0),
        bone(3, turned, specimen="Ж" * 100),
        bone(0, turned, specimen="x" * 100, count_probabilities=tuple((n, 1 / 30) for n in range(30))),
    ):
        layout = lay_out(reading, age, specimen, SETTINGS)
        words = all_words(layout)
        assert all(b[0] >= 0 and b[1] >= 0 and b[2] <= layout.width and b[3] <= layout.height for b in words)
        assert not any(overlap(a, b) for a, b in combinations([w.box for w in layout.words], 2))
        assert all(t.box[2] <= layout.view.box[2] for t in on_bone(layout)), "numbers stay off the caption"


def test_tags_stand_near_their_marks_even_where_marks_crowd() -> None:
    layout = lay_out(*bone(16, 37.0), SETTINGS)
    for tag in layout.tags:
        (x, y), _ = tag.leader
        assert np.hypot(tag.x - x, tag.y - y) < 120


def test_one_side_of_the_growth_axis_shows_the_bone_bare() -> None:
    reading, age, specimen = bone(12, 0.0, hidden_first_px=40.0)
    layout = lay_out(reading, age, specimen, SETTINGS)
    axis = layout.axis
    assert axis is not None
    assert layout.hidden is not None
    drawn = [trace.arc[:, 1] for trace in layout.traces] + [layout.hidden[:, 1]]
    sides = {bool(s) for y in drawn for s in np.sign(y - axis[0, 1]) > 0}
    assert len(sides) == 1


def test_every_sign_on_a_picture_stands_in_a_legend_that_fits_its_width() -> None:
    reading, age, specimen = bone(3, 0.0)
    assert reading.axis is not None
    inferred = mark(3, age.marks[2].fraction, reading.axis, inferred=True)
    rejected = mark(None, 0.5, reading.axis, probability=0.1)
    age = replace(age, marks=(*age.marks[:2], rejected, inferred), hidden_first_px=60.0, reasons=("edge-undecided",))
    place = (reading.outline[0][0], reading.outline[0][1])
    layout = lay_out(replace(reading, damage=place), age, specimen, SETTINGS)
    kinds = [kind for kind, _, _ in layout.legend]
    assert kinds == ["counted", "inferred", "rejected", "hidden", "doubt", "damage", "axis", "outline"]
    assert all(word.box[2] <= layout.width and word.box[3] <= layout.height for word in layout.words)
    rows = {y for _, _, y in layout.legend}
    assert len(rows) == 2
    assert {kind for kind, _, _ in lay_out(*bone(3), SETTINGS).legend} == {"counted", "axis", "outline"}


def test_counted_inferred_rejected_and_hidden_marks_look_different() -> None:
    reading, age, specimen = bone(2, 0.0)
    assert reading.axis is not None
    inferred = mark(2, age.marks[1].fraction, reading.axis, inferred=True)
    rejected = mark(None, 0.5, reading.axis, probability=0.1)
    age = replace(age, marks=(age.marks[0], rejected, inferred), hidden_first_px=60.0)
    layout = lay_out(reading, age, specimen, SETTINGS)
    assert {t.kind for t in layout.tags} == {"counted", "inferred", "doubt"}
    assert {kind for kind, _, _ in layout.legend} >= {"counted", "inferred", "rejected", "hidden"}
    crop = picture_of(reading, 2)
    picture = draw_with_place(crop, (0.0, 0.0), 1.0, reading, age, specimen, SETTINGS)[0]
    for colour in (ink.COUNTED, ink.INFERRED, ink.DOUBT):
        bottom, right = round(layout.view.box[3]), round(layout.view.box[2])
        view = picture[:bottom, :right].astype(int)
        assert (np.abs(view - colour).max(axis=2) < 12).sum() > 40


def test_a_mark_lies_on_the_picture_where_it_lies_on_the_scan() -> None:
    # A crop that is shifted, and shrunk to a third: the ring's dark middle must meet the tick of its mark.
    reading, age, specimen = bone(1, 0.0)
    assert reading.axis is not None
    big = np.kron(picture_of(reading, 1), np.ones((3, 3))).astype(np.uint8)
    larger = replace(
        reading,
        outline=tuple((3 * x + 1, 3 * y + 1) for x, y in reading.outline),
        axis=replace(
            reading.axis,
            focus=tuple(3 * v + 1 for v in reading.axis.focus),
            tip=tuple(3 * v + 1 for v in reading.axis.tip),
        ),
    )
    moved = replace(age.marks[0], radius_px=3 * age.marks[0].radius_px)
    for crop, origin, scale, shown, drawn in (
        (picture_of(reading, 1)[30:, 20:], (20.0, 30.0), 1.0, reading, age.marks[0]),
        (picture_of(reading, 1), (0.0, 0.0), 1 / 3, larger, moved),
        (big, (0.0, 0.0), 1.0, larger, moved),
    ):
        seen = replace(age, marks=(drawn,))
        layout = lay_out(shown, seen, specimen, SETTINGS)
        picture = draw_with_place(crop, origin, scale, shown, seen, specimen, SETTINGS)[0]
        assert layout.band is not None
        (_, x), row = layout.band_ticks[0], round(layout.band.box[1]) + 20
        found = np.argmin(picture[row, round(x) - 40 : round(x) + 40, 0].astype(int)) + round(x) - 40
        assert abs(found - x) < 6, "picture pixels on a band enlarged several times"


def test_a_bone_without_an_axis_is_shown_without_marks() -> None:
    reading, _, specimen = bone(4)
    lost = replace(reading, axis=None)
    age = Age(specimen=specimen.specimen, status="unreadable", reasons=("no-reading",))
    layout = lay_out(lost, age, specimen, SETTINGS)
    assert layout.tags == ()
    texts = " ".join(w.text for w in layout.words)
    assert "no count" in texts
    assert "LOOK" in texts
    assert draw_with_place(picture_of(reading, 4), (0.0, 0.0), 1.0, lost, age, specimen, SETTINGS)[0].shape[1] == 1200


def test_the_caption_says_what_to_look_at_for_every_reason() -> None:
    for code, entry in REASONS.items():
        layout = lay_out(*bone(3, reasons=(code,)), SETTINGS)
        texts = " ".join(w.text for w in layout.words)
        assert code in texts
        assert entry.cure in texts
    calm = " ".join(w.text for w in lay_out(*bone(3), SETTINGS).words)
    assert "LOOK" not in calm


def test_the_scale_bar_is_as_long_as_it_says() -> None:
    reading, age, specimen = bone(3)
    layout = lay_out(reading, age, specimen, SETTINGS)
    assert layout.scale_bar is not None
    left, right, _ = layout.scale_bar
    text = next(w.text for w in layout.words if " mm · 600 dpi" in w.text)
    # 25.4 mm to the inch, by definition of the inch.
    assert (right - left) / layout.view.zoom * 25.4 / 600 == pytest.approx(float(text.split(" mm")[0]))
    unknown = lay_out(replace(reading, dpi=None), age, specimen, SETTINGS)
    assert unknown.scale_bar is None
    assert any("no resolution" in w.text for w in unknown.words)


@pytest.mark.parametrize("dark", [True, False])
def test_the_same_bone_gives_the_same_picture_and_the_crop_stays_as_it_was(dark: bool) -> None:
    reading, age, specimen = bone(6)
    crop = picture_of(reading, 6, dark=dark)
    kept = crop.copy()
    first = draw_with_place(crop, (0.0, 0.0), 1.0, reading, age, specimen, SETTINGS)[0]
    assert np.array_equal(first, draw_with_place(crop, (0.0, 0.0), 1.0, reading, age, specimen, SETTINGS)[0])
    assert np.array_equal(crop, kept)
    assert first.dtype == np.uint8
    assert first.shape[1:] == (SETTINGS.overlay_width_px, 3)


def test_blank_facts_leave_no_gap_that_looks_like_a_fact() -> None:
    reading, age, _ = bone(2, age_class=None, year_class=None, edge="", first_year="", notices=("no-date",))
    layout = lay_out(reading, age, Specimen(specimen="A1", scan="a.tif"), SETTINGS)
    texts = [w.text for w in layout.words]
    assert "species not given" in texts
    assert "no capture date · no length" in texts
    assert "no age class" in texts
    assert not any("None" in text for text in texts)


def test_candidates_that_hardly_count_do_not_crowd_the_bone() -> None:
    # Real bones carry dozens of faint lines within a year's growth; only those worth weighing are pointed at.
    reading, age, specimen = bone(2, 0.0)
    assert reading.axis is not None
    faint = [mark(None, f, reading.axis, probability=0.01) for f in np.linspace(0.05, 0.95, 40)]
    weighed = mark(None, 0.5, reading.axis, probability=0.2)
    layout = lay_out(reading, replace(age, marks=(*age.marks, *faint, weighed)), specimen, SETTINGS)
    assert [t.mark for t in layout.traces if not t.mark.counted] == [weighed]
    assert len(layout.band_ticks) == 43, "the band shows the probability of every candidate"


def test_an_inferred_first_annulus_in_doubt_is_drawn_once() -> None:
    reading, age, specimen = bone(4, 0.0)
    assert reading.axis is not None
    first = mark(1, age.marks[0].fraction, reading.axis, inferred=True)
    age = replace(age, marks=(first, *age.marks[1:]), hidden_first_px=first.radius_px)
    layout = lay_out(reading, age, specimen, SETTINGS)
    drawn = [len(t.arc) > 0 for t in layout.traces]
    assert drawn == [False, True, True, True]
    assert layout.hidden is not None
    assert {"1", "?"} <= {t.text for t in on_bone(layout)}


def words_of(reading: BoneReading, age: Age, specimen: Specimen) -> str:
    """All words of an overlay's column."""
    return " ".join(w.text for w in lay_out(reading, age, specimen, SETTINGS).caption.words)


@pytest.mark.parametrize("confidence", [0.5, 0.8, 0.95, 0.99])
def test_no_word_of_sureness_stands_beside_a_reason_to_look(confidence: float) -> None:
    doubtful = words_of(*bone(3, confidence=confidence, annuli_low=3, reasons=("focus-unsure",)))
    assert "sure" not in doubtful.replace("focus-unsure", "")
    assert "a person must look" in doubtful
    assert "sure" in words_of(*bone(3, confidence=confidence))


def test_an_inferred_mark_says_what_the_count_is_without_it() -> None:
    reading, age, specimen = bone(4)
    first = replace(age.marks[0], inferred=True)
    told = words_of(reading, replace(age, marks=(first, *age.marks[1:])), specimen)
    assert "1 inferred, not seen: 3 without" in told
    assert "inferred, not seen" not in words_of(reading, age, specimen)


def test_damage_is_ringed_where_it_lies_and_named_in_the_legend() -> None:
    reading, age, specimen = bone(4)
    place = (reading.outline[0][0], reading.outline[0][1])
    layout = lay_out(replace(reading, damage=place), age, specimen, SETTINGS)
    assert layout.damage == pytest.approx(layout.view.point(place))
    assert "damage" in {kind for kind, _, _ in layout.legend}
    assert lay_out(reading, age, specimen, SETTINGS).damage is None
