"""On the sheet of a tray a swapped id must be seen at a glance."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations

import numpy as np
import pytest
from bones_by_code import bone

from pipeline.pictures import ink
from pipeline.pictures.plates import TrayBone, are_plain
from pipeline.pictures.tray_sheet import TrayLayout, draw_tray, lay_out_tray
from pipeline.settings.files import read_settings

SETTINGS = read_settings().pictures
SIDE = 450


def tray(rows: int, columns: int, **changes: object) -> list[TrayBone]:
    """Bones in rows and columns, each in a square of SIDE scan pixels."""
    bones = []
    for n in range(rows * columns):
        reading, age, specimen = bone(n % 9, 40.0 * n, specimen=f"MARSH-2010-{n + 1:03d}", **changes)
        x, y = SIDE * (n % columns), SIDE * (n // columns)
        moved = tuple((p + x, q + y) for p, q in reading.outline)
        bones.append(TrayBone(replace(reading, number=n + 1, outline=moved), age, specimen))
    return bones


def laid_out(
    bones: list[TrayBone], rows: int, columns: int, missing: tuple[str, ...] = (), promised: int | None = None
) -> TrayLayout:
    scale = 0.6
    size = round(SIDE * columns * scale), round(SIDE * rows * scale)
    return lay_out_tray(*size, scale, "tray 4.tif", bones, missing, promised, SETTINGS)


@pytest.mark.parametrize("reasons", [(), ("low-confidence",), ("low-confidence", "damaged", "edge-undecided")])
@pytest.mark.parametrize(("rows", "columns"), [(1, 2), (3, 4), (5, 6), (6, 5)])
def test_every_id_stands_whole_at_its_own_bone(rows: int, columns: int, reasons: tuple[str, ...]) -> None:
    layout = laid_out(tray(rows, columns, reasons=reasons), rows, columns)
    assert len(layout.plates) == rows * columns
    assert are_plain(layout.plates)
    for plate in layout.plates:
        assert plate.bone.specimen.specimen in {w.text for w in plate.words}
        reach = [
            np.hypot(
                max(plate.box[0] - p.middle[0], p.middle[0] - plate.box[2], 0),
                max(plate.box[1] - p.middle[1], p.middle[1] - plate.box[3], 0),
            )
            for p in layout.plates
        ]
        assert layout.plates[int(np.argmin(reach))] is plate, "no other bone is nearer to the plate"


@pytest.mark.parametrize(("rows", "columns"), [(1, 2), (3, 4), (5, 6)])
def test_plates_cover_no_other_plate_and_stay_on_the_sheet(rows: int, columns: int) -> None:
    layout = laid_out(tray(rows, columns, reasons=("low-confidence", "damaged")), rows, columns)
    for a, b in combinations(layout.plates, 2):
        assert a.box[0] >= b.box[2] or b.box[0] >= a.box[2] or a.box[1] >= b.box[3] or b.box[1] >= a.box[3]
    for plate in layout.plates:
        for left, top, right, bottom in (plate.box, *(w.box for w in plate.words)):
            assert left >= 0
            assert top >= layout.top
            assert right <= layout.width
            assert bottom <= layout.height


def test_long_ids_are_shown_whole() -> None:
    bones = tray(1, 2)
    name = "Ж" * 50 + "-" + "x" * 49
    bones[0] = replace(bones[0], specimen=replace(bones[0].specimen, specimen=name))
    layout = laid_out(bones, 1, 2)
    assert name in "".join(w.text for w in layout.plates[0].words)


def test_a_tray_that_differs_from_the_table_raises_an_alarm() -> None:
    bones = tray(2, 3)
    bones[5] = replace(bones[5], age=replace(bones[5].age, notices=("no-row",)))
    layout = laid_out(bones, 2, 3, ("MARSH-2010-099",), 7)
    texts = " ".join(w.text for w in layout.words)
    assert layout.mismatch
    assert "TRAY MISMATCH" in texts
    assert "6 bones found, 7 in the table" in texts
    assert "MARSH-2010-099" in texts
    assert "MARSH-2010-006" in texts
    assert max(w.size for w in layout.words) >= 30
    sheet = draw_tray(np.full((540, 810), 20, np.uint8), 0.6, "tray 4.tif", bones, ("MARSH-2010-099",), 7, SETTINGS)
    for edge in (sheet[:, -3], sheet[-3], sheet[layout.top :, 3]):
        assert (edge == ink.DOUBT).all(axis=1).mean() > 0.9, "a frame around the whole sheet"


def test_a_tray_with_a_bone_too_many_says_that_nobody_knows_which_and_where_to_begin() -> None:
    bones = tray(2, 3)
    bones[3] = replace(bones[3], age=replace(bones[3].age, reasons=("size-mismatch",)))
    texts = " ".join(w.text for w in laid_out(bones, 2, 3, (), 5).words)
    assert "Too many bones: the scan does not show which one is extra." in texts
    assert "whose size or shape does not fit is bone 4 (MARSH-2010-004): begin there." in texts
    assert "No bone's size or shape shows where." in " ".join(w.text for w in laid_out(tray(2, 3), 2, 3, (), 7).words)


def test_a_bone_far_too_small_for_its_fish_is_where_to_begin() -> None:
    bones = tray(2, 3)
    for n, length_mm in enumerate((300.0, 310.0, 290.0, 600.0, 305.0, 295.0)):
        bones[n] = replace(bones[n], specimen=replace(bones[n].specimen, length_mm=length_mm))
    texts = " ".join(w.text for w in laid_out(bones, 2, 3, (), 5).words)
    assert "whose size or shape does not fit is bone 4 (MARSH-2010-004): begin there." in texts


@pytest.mark.parametrize("promised", [6, 7])
def test_the_sheet_of_ids_alone_shows_nothing_that_the_machine_counted(promised: int) -> None:
    bones = tray(2, 3, reasons=("low-confidence", "damaged"))
    layout = lay_out_tray(810, 540, 0.6, "tray 4.tif", bones, (), promised, SETTINGS, counts=False)
    texts = " ".join(w.text for w in (*layout.words, *(w for p in layout.plates for w in p.words)))
    assert not any(word in texts for word in ("annul", "confidence", "LOOK", "look", "no count"))
    assert all(p.bone.specimen.specimen in texts for p in layout.plates)
    assert all(p.bone.age.annuli is None for p in layout.plates)
    plain = draw_tray(np.full((540, 810), 20, np.uint8), 0.6, "t", bones, (), 6, SETTINGS, counts=False)
    assert not (plain == ink.DOUBT).all(axis=2).any(), "no frame tells which bones the machine doubts"


def test_a_tray_as_promised_raises_none() -> None:
    bones = tray(2, 3)
    for promised in (6, None):
        layout = laid_out(bones, 2, 3, (), promised)
        assert not layout.mismatch
        assert not any("MISMATCH" in w.text for w in layout.words)


def test_a_bone_to_look_at_is_framed_otherwise_than_the_rest() -> None:
    bones = tray(1, 2)
    bones[1] = replace(bones[1], age=replace(bones[1].age, reasons=("size-mismatch",)))
    layout = laid_out(bones, 1, 2)
    texts = [" ".join(w.text for w in plate.words) for plate in layout.plates]
    assert "LOOK" not in texts[0]
    assert "LOOK: size-mismatch" in texts[1]
    sheet = draw_tray(np.full((270, 540), 200, np.uint8), 0.6, "t.tif", bones, (), 2, SETTINGS)
    assert (sheet == ink.OUTLINE).all(axis=2).sum() > 100
    assert (sheet == ink.DOUBT).all(axis=2).sum() > 100
