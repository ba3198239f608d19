"""Pictures have names that every file system takes and that never meet."""

from __future__ import annotations

from pathlib import Path

from pipeline.run import places


def test_a_crop_is_named_by_scan_and_number():
    assert places.crop(Path("run"), "tray/a 1.tif", 12) == Path("run/crops/a 1-12.jpg")


def test_long_names_stay_below_what_file_systems_allow_and_stay_apart():
    one, two = ("ü" * 200 + end + ".png" for end in "ab")
    names = {places.crop(Path("run"), name, 30).name for name in (one, two)}
    assert len(names) == 2
    assert all(len(name.encode()) < 220 for name in names)
