"""What the first pass reads of a scan, and what it keeps of a bone's picture: where it lies, and nothing else about the
file."""

from __future__ import annotations

import io
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image

from pipeline.records import Bone, BoneReading, Scan, ScanRef
from pipeline.run.first_pass import ScanJob, Unchanged, crop_bone, read_one
from pipeline.settings.files import read_settings


def scan_with_a_spot(spot: tuple[int, int], size: tuple[int, int], bits: int = 8) -> Scan:
    """White where a small square lies centred on the scan pixel `spot` (x, y), black elsewhere; size (row, column)."""
    white = 2**bits - 1
    pixels = np.zeros(size, np.uint8 if bits == 8 else np.uint16)
    x, y = spot
    pixels[y - 10 : y + 11, x - 10 : x + 11] = white
    return Scan(scan="a.png", pixels=pixels, white=white, dpi=600.0, sha256="")


def bone_about(x: float, y: float, half: float) -> tuple[Bone, BoneReading]:
    outline = np.array(
        [(x - half, y - half), (x + half, y - half), (x + half, y + half), (x - half, y + half)], np.float32
    )
    nothing = np.zeros((1, 1), np.float32)
    bone = Bone(
        number=1, origin=(0, 0), grey=nothing, backing=nothing, mask=nothing > 0, outline=outline, dark_backing=True,
        lighting_probability=1.0, likeness=1.0, cut_off=False,
    )  # fmt: skip
    return bone, BoneReading(scan="a.png", number=1, outline=(), lighting="reflected", dpi=600.0, axis=None)


@pytest.mark.parametrize("bits", [8, 16])
@pytest.mark.parametrize("half", [150, 1000])
def test_the_place_of_a_crop_finds_every_scan_pixel_again(bits, half):
    spot = (1103, 1207)
    scan = scan_with_a_spot(spot, (2400, 2300), bits)
    reading, jpeg = crop_bone(scan, *bone_about(1150, 1200, half), read_settings().crops)
    picture = cv2.imdecode(np.frombuffer(jpeg, np.uint8), cv2.IMREAD_UNCHANGED)
    assert picture.ndim == 2
    assert max(picture.shape) <= read_settings().crops.longest_px
    left, top, scale = reading.crop
    rows, columns = np.nonzero(picture > 128)
    expected = [(v - first + 0.5) * scale - 0.5 for v, first in zip(spot, (left, top), strict=True)]
    assert [columns.mean(), rows.mean()] == pytest.approx(expected, abs=0.3)


def test_a_crop_at_the_edge_of_the_scan_stays_on_it():
    scan = scan_with_a_spot((50, 50), (200, 300))
    reading, jpeg = crop_bone(scan, *bone_about(20, 30, 60), read_settings().crops)
    assert reading.crop == (0.0, 0.0, 1.0)
    assert Image.open(io.BytesIO(jpeg)).size <= (300, 200)


def test_a_crop_tells_nothing_about_the_file_it_comes_from():
    _, jpeg = crop_bone(scan_with_a_spot((50, 50), (200, 300)), *bone_about(60, 60, 40), read_settings().crops)
    with Image.open(io.BytesIO(jpeg)) as picture:
        assert not picture.getexif()
        assert set(picture.info) <= {"jfif", "jfif_version", "jfif_unit", "jfif_density"}


def test_of_an_unchanged_scan_only_the_bones_asked_for_are_read():
    path = Path(__file__).parents[2] / "fixtures" / "scans" / "tray_perch.jpg"
    ref = ScanRef(scan=path.name, path=path, size=path.stat().st_size, mtime_ns=path.stat().st_mtime_ns)
    job = ScanJob(ref=ref, hints=(), settings=read_settings())
    whole = read_one(job)
    again = replace(job, known_sha256=whole.sha256)
    assert not whole.others_hold
    assert isinstance(read_one(again), Unchanged)
    some = read_one(replace(again, bones=(2, 4, 99)))  # nobody found a bone 99, whatever the table says
    assert some.others_hold
    assert some.bones == tuple(b for b in whole.bones if b.number in (2, 4))
    none = read_one(replace(again, bones=(99,)))
    assert (none.others_hold, none.bones) == (True, ())
    assert read_one(replace(job, known_sha256="other bytes", bones=(2,))).bones == whole.bones
