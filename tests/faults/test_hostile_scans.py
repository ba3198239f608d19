"""One broken or strange file of each class through the whole command: named, refused with its reason, no harm done."""

from __future__ import annotations

import csv
import hashlib
import io
import struct
import zlib
from pathlib import Path

import numpy as np
import pytest
import tifffile
from command_line import called
from PIL import Image

from pipeline.codes import REFUSALS

RNG = np.random.default_rng(5)
NOISE = RNG.integers(0, 256, (200, 300), dtype=np.uint8)


def encoded(picture: Image.Image, kind: str, **more: object) -> bytes:
    stream = io.BytesIO()
    picture.save(stream, kind, **more)
    return stream.getvalue()


def tiff(pixels: np.ndarray, **more: object) -> bytes:
    stream = io.BytesIO()
    tifffile.imwrite(stream, pixels, **more)
    return stream.getvalue()


def png_header(width: int, height: int) -> bytes:
    """A PNG that claims a size and holds hardly anything."""

    def chunk(name: bytes, content: bytes) -> bytes:
        return struct.pack(">I", len(content)) + name + content + struct.pack(">I", zlib.crc32(name + content))

    header = struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", zlib.compress(b"")) + chunk(b"IEND", b"")


def hostile() -> dict[str, tuple[bytes, set[str]]]:
    """Name to content and the reasons that would be right."""
    grey = Image.fromarray(NOISE)
    png, jpeg, tif = encoded(grey, "PNG"), encoded(grey, "JPEG"), tiff(NOISE, compression="zlib")
    spoiled = bytearray(png)
    spoiled[len(png) // 2] ^= 0xFF
    damaged = {"corrupt", "truncated"}
    return {
        "empty.png": (b"", {"empty-file"}),
        "text.jpg": (b"Dear Sir, the scan is in the post.", {"not-an-image"}),
        "half a PNG.png": (png[: len(png) // 2], damaged),
        "half a JPEG.jpg": (jpeg[: len(jpeg) // 2], damaged),
        "half a TIFF.tif": (tif[: len(tif) // 2], damaged),
        "spoiled.png": (bytes(spoiled), damaged),
        "claims 10 gigapixels.png": (png_header(100_000, 100_000), {"too-large"}),
        "claims more than it has.png": (png_header(2000, 2000), damaged),
        "cmyk.jpg": (encoded(grey.convert("CMYK"), "JPEG"), {"colour-mode"}),
        "pages.tif": (tiff(np.stack([NOISE, NOISE]), photometric="minisblack"), {"several-pages"}),
        "fractions.tif": (tiff(NOISE.astype(np.float32)), {"pixel-format"}),
        "tiny.png": (encoded(grey.crop((0, 0, 20, 20)), "PNG"), {"too-small"}),
        "-blank = nothing.png": (encoded(Image.new("L", (300, 200), 90), "PNG"), {"blank"}),
        "дъска 魚.png": (b"\x00" * 50, {"not-an-image"}),
        "a name of " + "very " * 30 + "many letters.tif": (b"II*\x00" + b"\xff" * 60, damaged),
    }


@pytest.fixture(scope="module")
def night(tmp_path_factory):
    """The folder after one call of the command over all of them, what it printed, and its exit status."""
    place = tmp_path_factory.mktemp("night")
    scans = place / "scans"
    scans.mkdir()
    for name, (content, _) in hostile().items():
        (scans / name).write_bytes(content)
    (scans / "folder.png").mkdir()
    outside = place / "outside.png"
    outside.write_bytes(b"not asked for")
    (scans / "link.png").symlink_to(outside)
    (scans / "nowhere.png").symlink_to(place / "gone.png")
    before = contents(place)
    status, out, err = called("age", str(scans), "--out", str(place / "run"), "--workers", "2")
    return place, before, out, err, status


def contents(folder: Path) -> dict[str, str]:
    return {
        p.relative_to(folder).as_posix(): hashlib.sha256(p.read_bytes()).hexdigest()
        for p in folder.rglob("*")
        if p.is_file() and "run" not in p.relative_to(folder).parts
    }


def refused(place: Path) -> dict[str, str]:
    text = (place / "run" / "refused.csv").read_text(encoding="utf-8")
    return {row["scan"].removeprefix("'"): row["reason"] for row in csv.DictReader(io.StringIO(text))}


def test_the_work_is_done_and_nothing_looks_like_a_crash(night):
    _, _, out, err, status = night
    assert status == 0, err
    assert "Traceback" not in out + err


@pytest.mark.parametrize("name", hostile())
def test_each_is_refused_with_its_reason(night, name):
    assert refused(night[0])[name] in hostile()[name][1]


def test_the_accounts_balance_and_links_out_of_the_folder_are_not_followed(night):
    place, _, out, _, _ = night
    many = len(hostile())
    assert f"scans {many} = read 0 + refused {many}" in out
    assert set(refused(place)) == set(hostile())
    assert set(refused(place).values()) <= set(REFUSALS)


def test_nothing_outside_the_run_is_written_and_no_scan_is_touched(night):
    place, before, *_ = night
    assert contents(place) == before


def test_a_second_call_has_nothing_to_do(night):
    place = night[0]
    status, _, err = called("age", str(place / "scans"), "--out", str(place / "run"))
    assert status == 0, err
    assert f"({len(hostile())} done before)" in err
