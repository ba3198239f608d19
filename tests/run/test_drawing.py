"""Pictures of a run on the disk."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from bones_by_code import bone, picture_of
from PIL import Image

from pipeline.pictures.plates import TrayBone
from pipeline.run import places
from pipeline.run.drawing import Overlay, TraySheet, overlay_path, tray_ids_path, tray_path, write_pictures
from pipeline.settings.files import read_settings

SETTINGS = read_settings().pictures


def stored(run: Path, many: int = 2) -> tuple[list[Overlay], TraySheet]:
    """A run with the crops and the scan of a tray of so many equal bones."""
    jobs, bones = [], []
    for number in range(1, many + 1):
        reading, age, specimen = bone(3, specimen=f"Ü {number}")
        reading = replace(reading, number=number, crop=(0.0, 0.0, 1.0))
        crop = places.crop(run, reading.scan, number)
        crop.parent.mkdir(parents=True, exist_ok=True)
        crop.write_bytes(cv2.imencode(".jpg", picture_of(reading, 3))[1].tobytes())
        jobs.append(Overlay(name=f"Ü {number}", reading=reading, age=age, specimen=specimen))
        bones.append(TrayBone(reading, age, specimen))
    whole = places.whole_scan(run, jobs[0].reading.scan)
    whole.parent.mkdir(parents=True, exist_ok=True)
    whole.write_bytes(cv2.imencode(".jpg", np.full((210, 420), 30, np.uint8))[1].tobytes())
    return jobs, TraySheet(scan=jobs[0].reading.scan, width=840, bones=tuple(bones), promised=many)


def test_overlays_and_tray_sheets_are_jpeg_files_without_metadata(tmp_path: Path) -> None:
    overlays, tray = stored(tmp_path)
    write_pictures(tmp_path, overlays, [tray], SETTINGS)
    written = [overlay_path(tmp_path, job.name) for job in overlays] + [tray_path(tmp_path, tray.scan)]
    written.append(tray_ids_path(tmp_path, tray.scan))
    large = list(written)
    written += [places.small(picture) for picture in large]
    pictures = [p for f in ("overlays", "trays", "tray_ids", "small") for p in (tmp_path / f).rglob("*.jpg")]
    assert sorted(pictures) == sorted(written)
    for path in written:
        with Image.open(path) as picture:
            assert picture.format == "JPEG"
            assert picture.mode == "RGB"
            assert len(picture.getexif()) == 0
            assert set(picture.info) <= {"jfif", "jfif_version", "jfif_unit", "jfif_density"}
            assert picture.width >= 1000 if path in large else max(picture.size) <= 320


def test_a_second_call_writes_the_same_bytes(tmp_path: Path) -> None:
    overlays, tray = stored(tmp_path)
    write_pictures(tmp_path, overlays, [tray], SETTINGS)
    paths = [overlay_path(tmp_path, overlays[0].name), tray_path(tmp_path, tray.scan)]
    before = [p.read_bytes() for p in paths]
    write_pictures(tmp_path, overlays, [tray], SETTINGS)
    assert [p.read_bytes() for p in paths] == before


def test_only_what_is_given_is_drawn(tmp_path: Path) -> None:
    overlays, _ = stored(tmp_path)
    write_pictures(tmp_path, overlays[:1], [], SETTINGS)
    assert [p.name for p in (tmp_path / "overlays").iterdir()] == ["Ü 1.jpg"]


def test_a_scan_of_one_bone_needs_a_sheet_only_when_the_table_says_otherwise(tmp_path: Path) -> None:
    _, tray = stored(tmp_path)
    alone = replace(tray, bones=tray.bones[:1], promised=1)
    assert not alone.wanted
    assert not replace(alone, promised=None).wanted
    assert replace(alone, promised=2).wanted
    assert tray.wanted
    write_pictures(tmp_path, [], [alone], SETTINGS)
    assert list((tmp_path / "trays").iterdir()) == []


def test_a_crop_that_is_lost_or_spoilt_is_said_by_name(tmp_path: Path) -> None:
    overlays, _ = stored(tmp_path)
    crop = places.crop(tmp_path, overlays[0].reading.scan, 1)
    crop.write_bytes(b"spoilt")
    with pytest.raises(OSError, match=r"drawer 3-1\.jpg"):
        write_pictures(tmp_path, overlays[:1], [], SETTINGS)
    crop.unlink()
    with pytest.raises(OSError, match=r"drawer 3-1\.jpg"):
        write_pictures(tmp_path, overlays[:1], [], SETTINGS)
