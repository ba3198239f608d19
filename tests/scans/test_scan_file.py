"""What the one reader of scans makes of good, odd and broken files."""

from __future__ import annotations

import contextlib
import hashlib
import io
import logging
import os
import struct
import tempfile
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
import tifffile
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from PIL import Image, ImageOps

from pipeline.codes import NOTICES, REFUSALS
from pipeline.errors import ScanRefused
from pipeline.records import Scan, ScanRef
from pipeline.scans.scan_file import read_header, read_scan
from pipeline.settings.files import read_settings
from pipeline.settings.first_pass import ScanSettings

SETTINGS = read_settings().scan
HEIGHT, WIDTH = 96, 131
Array = NDArray[Any]


def picture(channels: int = 1, kind: str = "u1", height: int = HEIGHT, width: int = WIDTH) -> Array:
    """A bone-like picture: rings about a corner with grain, different in every channel and under every turn."""
    grain = np.random.default_rng(7)
    row, column = np.mgrid[:height, :width]
    rings = 0.5 + 0.3 * np.sin(np.hypot(row + 5, column + 9) / 4) + 0.1 * column / width
    planes = [rings * (1 - 0.2 * c) + grain.normal(0, 0.02, rings.shape) for c in range(channels)]
    white = np.iinfo(kind).max
    samples = (np.stack(planes, axis=-1).clip(0, 1) * white).astype(kind)
    return samples[..., 0] if channels == 1 else samples


def mean(samples: Array) -> Array:
    """Mean of the first three channels, to the nearest whole number."""
    return np.rint(samples[..., :3].astype(float).mean(axis=2)).astype(samples.dtype)


def ref_of(path: Path) -> ScanRef:
    found = path.stat()
    return ScanRef(scan=path.name, path=path, size=found.st_size, mtime_ns=found.st_mtime_ns)


def read(path: Path, limits: ScanSettings = SETTINGS) -> Scan:
    return read_scan(ref_of(path), limits)


def refusal(path: Path, limits: ScanSettings = SETTINGS) -> str:
    with pytest.raises(ScanRefused) as caught:
        read(path, limits)
    assert caught.value.code in REFUSALS
    assert str(path.parent) not in caught.value.detail
    header = read_header(ref_of(path), limits)
    assert header.refusal is None or header.refusal == (caught.value.code, caught.value.detail)
    return caught.value.code


def png_bytes(samples: Array, **more: Any) -> bytes:
    out = io.BytesIO()
    Image.fromarray(samples).save(out, "PNG", **more)
    return out.getvalue()


def jpeg_bytes(samples: Array, **more: Any) -> bytes:
    out = io.BytesIO()
    Image.fromarray(samples).save(out, "JPEG", **{"quality": 95, "subsampling": 0, **more})
    return out.getvalue()


def tiff_bytes(samples: Array, **more: Any) -> bytes:
    out = io.BytesIO()
    tifffile.imwrite(out, samples, **{"metadata": None, **more})
    return out.getvalue()


def chunk(name: bytes, content: bytes) -> bytes:
    return struct.pack(">I", len(content)) + name + content + struct.pack(">I", zlib.crc32(name + content))


def with_chunk(png: bytes, name: bytes, content: bytes) -> bytes:
    """A PNG with one more chunk after its header."""
    return png[:33] + chunk(name, content) + png[33:]


@pytest.fixture
def scan(tmp_path: Path) -> Callable[[bytes, str], Path]:
    def write(content: bytes, name: str = "bone.tif") -> Path:
        path = tmp_path / name
        path.write_bytes(content)
        return path

    return write


# ---------------------------------------------------------------------------------------------------- good files
COMPRESSIONS = [None, "lzw", "zlib", "packbits"]


@pytest.mark.parametrize("compression", COMPRESSIONS)
@pytest.mark.parametrize("kind", ["u1", "u2"])
@pytest.mark.parametrize("channels", [1, 3, 4])
@pytest.mark.parametrize("byteorder", ["<", ">"])
def test_a_tiff_gives_the_grey_of_its_samples_at_its_own_depth(
    scan: Any, compression: str | None, kind: str, channels: int, byteorder: str
) -> None:
    samples = picture(channels, kind)
    photometric = "minisblack" if channels == 1 else "rgb"
    predictor = compression in ("lzw", "zlib") and channels == 3
    for layout in ({"rowsperstrip": 7}, {"tile": (32, 48)}, {"bigtiff": True}, {"rowsperstrip": HEIGHT}):
        content = tiff_bytes(
            samples,
            photometric=photometric,
            compression=compression,
            byteorder=byteorder,
            predictor=predictor,
            extrasamples=("unassalpha",) if channels == 4 else None,
            **layout,
        )
        found = read(scan(content))
        assert found.pixels.dtype == np.dtype(kind)
        assert found.white == np.iinfo(kind).max
        assert np.array_equal(found.pixels, samples if channels == 1 else mean(samples))
        assert np.array_equal(tifffile.imread(io.BytesIO(content)), samples)  # the general reader sees the same file


@pytest.mark.parametrize("compression", COMPRESSIONS)
def test_a_tiff_in_separate_planes_is_the_mean_of_its_planes(scan: Any, compression: str | None) -> None:
    samples = picture(4, "u2")
    content = tiff_bytes(
        np.moveaxis(samples, 2, 0).copy(),
        photometric="rgb",
        planarconfig="separate",
        extrasamples=("unspecified",),
        compression=compression,
        rowsperstrip=11,
    )
    assert np.array_equal(read(scan(content)).pixels, mean(samples))


@pytest.mark.parametrize("kind", ["u1", "u2"])
def test_white_stored_as_nought_is_white(scan: Any, kind: str) -> None:
    samples = picture(1, kind)
    content = tiff_bytes(samples, photometric="miniswhite", compression="zlib")
    assert np.array_equal(read(scan(content)).pixels, np.iinfo(kind).max - samples)


@pytest.mark.parametrize("compression", [None, "packbits", "group3", "group4", "tiff_lzw"])
def test_one_bit_is_black_and_white(scan: Any, compression: str | None, tmp_path: Path) -> None:
    truth = picture() > 127
    path = tmp_path / "bone.tif"
    Image.fromarray(truth).save(path, compression=compression)
    found = read(path)
    assert np.array_equal(found.pixels, truth * np.uint8(255))
    assert found.white == 255
    assert np.array_equal(read(scan(png_bytes(truth), "bone.png")).pixels, truth * np.uint8(255))


@pytest.mark.parametrize("colours", [2, 4, 16, 200])
@pytest.mark.parametrize("clear", [False, True])
def test_a_palette_is_looked_up(tmp_path: Path, colours: int, clear: bool) -> None:
    indexed = Image.fromarray(picture(3)).quantize(colours)
    more = {"transparency": 1} if clear else {}
    for suffix in (".png", ".tif"):
        path = tmp_path / f"bone{suffix}"
        indexed.save(path, **(more if suffix == ".png" else {}))
        truth = np.rint(np.asarray(indexed.convert("RGB"), float).mean(axis=2))
        assert np.array_equal(read(path).pixels, truth)


@pytest.mark.parametrize("kind", ["u1", "u2"])
@pytest.mark.parametrize("channels", [1, 3, 4])
def test_a_png_gives_the_grey_of_its_samples_at_its_own_depth(scan: Any, kind: str, channels: int) -> None:
    samples = picture(channels, kind)
    content = cv2.imencode(".png", samples)[1].tobytes()
    found = read(scan(content, "bone.png"))
    truth = cv2.imdecode(np.frombuffer(content, np.uint8), cv2.IMREAD_UNCHANGED)
    assert np.array_equal(truth, samples)
    assert found.pixels.dtype == np.dtype(kind)
    assert np.array_equal(found.pixels, samples if channels == 1 else mean(samples))


def test_bands_of_rows_leave_no_seam(scan: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("pipeline.scans.png_file.BAND_SAMPLES", 2000)
    monkeypatch.setattr("pipeline.scans.grey.BAND_SAMPLES", 900)
    for kind in ("u1", "u2"):
        samples = picture(3, kind)
        for filtering in (
            cv2.IMWRITE_PNG_FILTER_SUB,
            cv2.IMWRITE_PNG_FILTER_UP,
            cv2.IMWRITE_PNG_FILTER_AVG,
            cv2.IMWRITE_PNG_FILTER_PAETH,
            cv2.IMWRITE_PNG_ALL_FILTERS,
        ):
            content = cv2.imencode(".png", samples, [cv2.IMWRITE_PNG_FILTER, filtering])[1].tobytes()
            assert np.array_equal(read(scan(content, "bone.png")).pixels, mean(samples))
        assert np.array_equal(read(scan(tiff_bytes(samples, photometric="rgb"))).pixels, mean(samples))


@pytest.mark.parametrize("kind", ["u1", "u2"])
def test_grey_with_alpha_ignores_the_alpha(scan: Any, kind: str) -> None:
    samples = picture(2, kind)
    depth = samples.dtype.itemsize * 8
    rows = b"".join(b"\0" + row.astype(samples.dtype.newbyteorder(">")).tobytes() for row in samples)
    content = (
        b"\x89PNG\r\n\x1a\n"
        + chunk(b"IHDR", struct.pack(">IIBBBBB", WIDTH, HEIGHT, depth, 4, 0, 0, 0))
        + chunk(b"IDAT", zlib.compress(rows))
        + chunk(b"IEND", b"")
    )
    assert np.array_equal(read(scan(content, "bone.png")).pixels, samples[..., 0])
    tiff = tiff_bytes(samples, photometric="minisblack", extrasamples=("unassalpha",), planarconfig="contig")
    assert np.array_equal(read(scan(tiff)).pixels, samples[..., 0])


@pytest.mark.parametrize("bits", [1, 2, 4, 8, 16])
def test_an_interlaced_png_is_put_together(scan: Any, bits: int) -> None:
    samples = picture(1, "u2") >> (16 - bits)

    def packed(rows: Array) -> bytes:
        if bits == 16:
            return b"".join(b"\0" + row.astype(">u2").tobytes() for row in rows)
        lines = [np.unpackbits(row.astype(np.uint8)[:, None], axis=1)[:, 8 - bits :].ravel() for row in rows]
        return b"".join(b"\0" + np.packbits(line).tobytes() for line in lines)

    passes = [(0, 0, 8, 8), (4, 0, 8, 8), (0, 4, 4, 8), (2, 0, 4, 4), (0, 2, 2, 4), (1, 0, 2, 2), (0, 1, 1, 2)]
    body = b"".join(packed(samples[y::down, x::across]) for x, y, across, down in passes)
    content = (
        b"\x89PNG\r\n\x1a\n"
        + chunk(b"IHDR", struct.pack(">IIBBBBB", WIDTH, HEIGHT, bits, 0, 0, 0, 1))
        + chunk(b"IDAT", zlib.compress(body))
        + chunk(b"IEND", b"")
    )
    spread = samples if bits >= 8 else samples * (255 // (2**bits - 1))
    assert np.array_equal(read(scan(content, "bone.png")).pixels, spread)
    assert np.array_equal(np.asarray(Image.open(io.BytesIO(content)).convert("I")), spread)


@pytest.mark.parametrize(
    "more", [{}, {"progressive": True}, {"subsampling": 2}, {"optimize": True}, {"restart_marker_blocks": 4}]
)
@pytest.mark.parametrize("channels", [1, 3])
def test_a_jpeg_gives_what_the_general_reader_gives(scan: Any, more: dict[str, Any], channels: int) -> None:
    content = jpeg_bytes(picture(channels), **more)
    truth = np.asarray(Image.open(io.BytesIO(content)))
    found = read(scan(content, "bone.jpg")).pixels.astype(int)
    # Two builds of one library may differ by a step in undoing colour and subsampling.
    assert np.abs(found - (truth if channels == 1 else mean(truth))).max() <= 1


def test_a_jpeg_in_a_tiff_gives_the_picture(scan: Any) -> None:
    for channels in (1, 3):
        samples = picture(channels)
        content = tiff_bytes(
            samples,
            photometric="minisblack" if channels == 1 else "rgb",
            compression="jpeg",
            compressionargs={"level": 95},
            rowsperstrip=32,
        )
        found = read(scan(content)).pixels.astype(int)
        assert np.abs(found - (samples if channels == 1 else mean(samples))).mean() < 3


def test_twelve_bits_in_sixteen_have_their_own_white_only_when_the_header_says_so(scan: Any) -> None:
    samples = picture(1, "u2") >> 4
    plain = read(scan(tiff_bytes(samples)))
    assert (plain.white, plain.pixels.max()) == (65535, samples.max())
    said = read(scan(tiff_bytes(samples, extratags=[(281, "H", 1, 4095, True)])))
    assert said.white == 4095
    assert np.array_equal(said.pixels, samples)
    statistic = read(scan(tiff_bytes(samples, extratags=[(281, "H", 1, int(samples.max()) & ~1, True)])))
    assert statistic.white == 65535
    png = png_bytes(samples)
    assert read(scan(png, "bone.png")).white == 65535
    assert read(scan(with_chunk(png, b"sBIT", b"\x0c"), "bone.png")).white == 4095
    # PNG asks writers to spread the 12 bits over 16 (PNG specification, 13.12); then full brightness is that of 16.
    spread = png_bytes(picture(1, "u2"))
    assert read(scan(with_chunk(spread, b"sBIT", b"\x0c"), "bone.png")).white == 65535


def test_a_scan_is_read_only_and_named_by_the_hash_of_its_bytes(scan: Any) -> None:
    content = tiff_bytes(picture())
    found = read(scan(content))
    assert found.sha256 == hashlib.sha256(content).hexdigest()
    with pytest.raises(ValueError, match="read-only"):
        found.pixels[0, 0] = 1


@pytest.mark.parametrize("orientation", range(1, 9))
def test_a_scan_is_turned_as_its_file_asks(scan: Any, orientation: int) -> None:
    samples = picture()
    exif = Image.Exif()
    exif[274] = orientation
    upright = ImageOps.exif_transpose(Image.open(io.BytesIO(png_bytes(samples, exif=exif))))
    for content, name in (
        (png_bytes(samples, exif=exif), "bone.png"),
        (tiff_bytes(samples, extratags=[(274, "H", 1, orientation, True)]), "bone.tif"),
        (jpeg_bytes(samples, exif=exif), "bone.jpg"),
    ):
        path = scan(content, name)
        found, header = read(path), read_header(ref_of(path), SETTINGS)
        truth = np.asarray(ImageOps.exif_transpose(Image.open(path)) if name == "bone.jpg" else upright)
        assert truth.shape == found.pixels.shape == (header.height, header.width)
        assert np.abs(found.pixels.astype(int) - truth).max() <= (1 if name == "bone.jpg" else 0)
        assert ("turned" in found.notices) == (orientation != 1)
        assert header.notices == found.notices


# ---------------------------------------------------------------------------------------------------- resolution
def jfif(unit: int, across: int, down: int, exif: bytes = b"") -> bytes:
    content = bytearray(jpeg_bytes(picture(), exif=exif))
    place = content.index(b"JFIF\0")
    content[place + 7 : place + 12] = struct.pack(">BHH", unit, across, down)
    return bytes(content)


def exif_resolution(x: float, unit: int) -> bytes:
    exif = Image.Exif()
    exif[282], exif[283], exif[296] = x, x, unit
    return exif.tobytes()


def phys(across: int, down: int, unit: int) -> bytes:
    return with_chunk(png_bytes(picture()), b"pHYs", struct.pack(">IIB", across, down, unit))


def tiff_resolution(x: float, y: float, unit: int) -> bytes:
    return tiff_bytes(picture(), resolution=(x, y), resolutionunit=unit)


NONE, DOUBT, UNEVEN = "no-resolution", "resolution-doubtful", "resolution-uneven"


@pytest.mark.parametrize(
    ("name", "content", "dpi", "notices"),
    [
        # PNG specification, 11.3.5.3 (pHYs): pixels a metre; an inch is 0.0254 m.
        ("a.png", phys(23622, 23622, 1), 599.9988, ()),
        ("a.png", phys(47244, 47244, 1), 1199.9976, ()),
        ("a.png", phys(23622, 23622, 0), None, (NONE,)),
        ("a.png", phys(0, 0, 1), None, (NONE,)),
        ("a.png", phys(2835, 2835, 1), None, (DOUBT,)),
        ("a.png", phys(3780, 3780, 1), None, (DOUBT,)),
        ("a.png", phys(23622, 47244, 1), 899.9982, (UNEVEN,)),
        ("a.png", phys(23622, 23700, 1), 600.9894, ()),
        ("a.png", png_bytes(picture()), None, (NONE,)),
        # ITU-T T.871 (JFIF), 10.1: units 0 none, 1 an inch, 2 a centimetre.
        ("a.jpg", jfif(1, 600, 600), 600.0, ()),
        ("a.jpg", jfif(2, 1200, 1200), 3048.0, ()),
        ("a.jpg", jfif(0, 600, 600), None, (NONE,)),
        ("a.jpg", jfif(0, 1, 1), None, (NONE,)),
        ("a.jpg", jfif(1, 72, 72), None, (DOUBT,)),
        ("a.jpg", jfif(1, 1, 1), None, (DOUBT,)),
        ("a.jpg", jfif(1, 600, 600, exif_resolution(600.0, 2)), 600.0, ()),
        ("a.jpg", jfif(1, 600, 600, exif_resolution(236.22, 3)), 600.0, ()),
        ("a.jpg", jfif(1, 300, 300, exif_resolution(600.0, 2)), None, (DOUBT,)),
        ("a.jpg", jfif(0, 1, 1, exif_resolution(1200.0, 2)), 1200.0, ()),
        # TIFF 6.0, section 8: ResolutionUnit 1 none, 2 inch, 3 centimetre; absent means inch.
        ("a.tif", tiff_resolution(472.441, 472.441, 3), 1200.0, ()),
        ("a.tif", tiff_resolution(1200, 1200, 2), 1200.0, ()),
        ("a.tif", tiff_resolution(1200, 1200, 1), None, (NONE,)),
        ("a.tif", tiff_resolution(1, 1, 2), None, (DOUBT,)),
        ("a.tif", tiff_resolution(600, 300, 2), 450.0, (UNEVEN,)),
        ("a.tif", tiff_resolution(99, 99, 2), None, (DOUBT,)),
        ("a.tif", tiff_resolution(100, 100, 2), 100.0, ()),
        ("a.tif", tiff_resolution(9600, 9600, 2), 9600.0, ()),
        ("a.tif", tiff_resolution(9700, 9700, 2), None, (DOUBT,)),
        ("a.tif", cv2.imencode(".tif", picture())[1].tobytes(), None, (NONE,)),
    ],
)
def test_the_resolution_is_what_the_file_states_if_it_can_be_believed(
    scan: Any, name: str, content: bytes, dpi: float | None, notices: tuple[str, ...]
) -> None:
    found = read(scan(content, name))
    assert found.dpi == (None if dpi is None else pytest.approx(dpi, abs=0.01))
    assert found.notices == notices
    assert set(notices) <= set(NOTICES)


def test_a_tiff_with_no_resolution_tags_states_none(scan: Any) -> None:
    out = io.BytesIO()
    Image.fromarray(picture()).save(out, "TIFF")
    assert 282 not in tifffile.TiffFile(io.BytesIO(out.getvalue())).pages[0].tags  # type: ignore[union-attr]
    found = read(scan(out.getvalue()))
    assert (found.dpi, found.notices) == (None, (NONE,))


# ---------------------------------------------------------------------------------------------------- refused files
def test_a_file_of_nothing_is_empty(scan: Any) -> None:
    assert refusal(scan(b"")) == "empty-file"


@pytest.mark.parametrize("content", [b"GIF89a" + bytes(200), bytes(500), b"specimen,scan\n1,a.tif\n", b"%PDF-1.7"])
def test_other_files_are_no_images(scan: Any, content: bytes) -> None:
    assert refusal(scan(content)) == "not-an-image"


GOOD = {
    "grey.tif": tiff_bytes(picture(1, "u2"), rowsperstrip=16),
    "colour.tif": tiff_bytes(picture(3), photometric="rgb", compression="zlib", rowsperstrip=16),
    "lzw.tif": tiff_bytes(picture(), compression="lzw", predictor=True),
    "packbits.tif": tiff_bytes(picture(), compression="packbits", tile=(32, 32)),
    "grey.png": png_bytes(picture(1, "u2")),
    "colour.png": png_bytes(picture(3)),
    "grey.jpg": jpeg_bytes(picture()),
    "colour.jpg": jpeg_bytes(picture(3), subsampling=2),
    "progressive.jpg": jpeg_bytes(picture(3), progressive=True),
}


@pytest.mark.parametrize("name", GOOD)
@pytest.mark.parametrize("share", [0.0005, 0.02, 0.3, 0.6, 0.95, 0.999])
def test_a_file_cut_short_is_truncated_at_whatever_place(scan: Any, name: str, share: float) -> None:
    content = GOOD[name]
    kept = max(1, int(len(content) * share))
    assert refusal(scan(content[:kept], name)) in (("truncated",) if kept != 2 else ("truncated", "not-an-image"))


@pytest.mark.parametrize("name", GOOD)
def test_a_file_whose_copy_ended_in_noughts_is_refused(scan: Any, name: str) -> None:
    content = GOOD[name]
    kept = int(len(content) * 0.6)
    path = scan(content[:kept] + bytes(len(content) - kept), name)
    if name == "grey.tif":  # nothing in an uncompressed TIFF can tell
        assert read(path).pixels[-1].max() == 0
    else:
        assert refusal(path) in ("truncated", "corrupt")


@pytest.mark.parametrize("more", [{}, {"progressive": True}, {"subsampling": 2}])
@pytest.mark.parametrize("missing", [1, 4, 20, 100, 300, 3000])
def test_a_jpeg_that_ends_early_is_truncated_though_its_end_mark_is_there(
    scan: Any, more: dict[str, Any], missing: int
) -> None:
    content = jpeg_bytes(picture(3), **more)
    path = scan(content[: -2 - missing] + b"\xff\xd9", "bone.jpg")
    assert np.asarray(Image.open(path)).shape == (HEIGHT, WIDTH, 3)  # a general reader takes it, and invents the rest
    assert refusal(path) == "truncated"


def test_bytes_behind_a_jpegs_end_do_no_harm(scan: Any) -> None:
    content = jpeg_bytes(picture())
    other = jpeg_bytes(picture()[::2, ::2])
    assert np.array_equal(read(scan(content + other, "a.jpg")).pixels, read(scan(content, "b.jpg")).pixels)


@pytest.mark.parametrize("place", [0.2, 0.5, 0.8])
def test_a_flipped_byte_in_compressed_pixels_is_corrupt(scan: Any, place: float) -> None:
    for name in ("colour.tif", "grey.png", "colour.png"):
        content = bytearray(GOOD[name])
        content[int(len(content) * place)] ^= 0x55
        assert refusal(scan(bytes(content), name)) == "corrupt"


def test_a_wrong_check_sum_is_corrupt_though_the_pixels_would_decode(scan: Any) -> None:
    png = with_chunk(GOOD["grey.png"], b"tEXt", b"Comment\0held on the left")
    damaged = png.replace(b"on the left", b"on the lefT")
    assert refusal(scan(damaged, "bone.png")) == "corrupt"


@pytest.mark.parametrize("rows", [-3, 3])
def test_a_png_with_more_or_fewer_rows_than_its_header_says_is_corrupt(scan: Any, rows: int) -> None:
    good = png_bytes(picture())
    header = struct.pack(">IIBBBBB", WIDTH, HEIGHT + rows, 8, 0, 0, 0, 0)
    assert refusal(scan(good[:8] + chunk(b"IHDR", header) + good[33:], "bone.png")) == "corrupt"


@pytest.mark.parametrize("place", [0, 2**40, 2**63, 2**64 - 1])
def test_a_tiff_whose_tags_lie_beyond_every_file_is_refused(scan: Any, place: int) -> None:
    content = bytearray(tiff_bytes(picture(), bigtiff=True))
    content[8:16] = struct.pack("<Q", place)
    assert refusal(scan(bytes(content))) == "truncated"  # 0: the writer never came back to note the place


def test_a_scan_over_the_pixel_limit_is_refused_by_its_header_alone(scan: Any) -> None:
    bomb = (
        b"\x89PNG\r\n\x1a\n"
        + chunk(b"IHDR", struct.pack(">IIBBBBB", 2**31 - 1, 2**31 - 1, 16, 6, 0, 0, 0))
        + chunk(b"IDAT", b"")
        + chunk(b"IEND", b"")
    )
    assert refusal(scan(bomb, "bone.png")) == "too-large"
    jpeg = bytearray(jpeg_bytes(picture()))
    place = jpeg.index(b"\xff\xc0")
    jpeg[place + 5 : place + 9] = struct.pack(">HH", 65000, 65000)
    assert refusal(scan(bytes(jpeg), "bone.jpg")) == "too-large"
    assert refusal(scan(huge_tiff(), "bone.tif")) == "too-large"
    one_more = SETTINGS.model_copy(update={"most_megapixels": HEIGHT * WIDTH / 1e6 - 1e-6})
    assert refusal(scan(GOOD["grey.tif"]), one_more) == "too-large"
    assert read(scan(GOOD["grey.tif"]), SETTINGS.model_copy(update={"most_megapixels": HEIGHT * WIDTH / 1e6}))


def huge_tiff() -> bytes:
    """A TIFF of 40000 x 40000 pixels in one strip, deflated to little."""
    strip = zlib.compress(bytes(100_000))
    tags = {256: 40000, 257: 40000, 258: 8, 259: 8, 262: 1, 273: 200, 277: 1, 278: 40000, 279: len(strip)}
    entries = b"".join(struct.pack("<HHII", tag, 4, 1, value) for tag, value in tags.items())
    directory = struct.pack("<H", len(tags)) + entries
    return (b"II*\0" + struct.pack("<I", 8) + directory + bytes(4)).ljust(200, b"\0") + strip


def test_the_libraries_own_limits_do_not_come_before_ours(scan: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Image, "MAX_IMAGE_PIXELS", 1000)
    for name, content in GOOD.items():
        assert read(scan(content, name)).pixels.shape == (HEIGHT, WIDTH)
    assert Image.MAX_IMAGE_PIXELS == 1000


def test_a_scan_too_small_to_hold_a_bone_is_refused(scan: Any) -> None:
    assert refusal(scan(png_bytes(picture(height=79)), "bone.png")) == "too-small"
    assert read(scan(png_bytes(picture(height=80)), "bone.png"))


def pages(*samples: Array, kinds: tuple[int, ...] = ()) -> bytes:
    out = io.BytesIO()
    with tifffile.TiffWriter(out) as writer:
        for number, one in enumerate(samples):
            writer.write(one, metadata=None, subfiletype=kinds[number] if kinds else 0, photometric="minisblack")
    return out.getvalue()


def test_several_pages_are_refused_but_a_thumbnail_is_no_page(scan: Any) -> None:
    samples = picture()
    assert refusal(scan(pages(samples, samples))) == "several-pages"
    assert refusal(scan(pages(samples, samples[::4, ::4], samples, kinds=(0, 1, 0)))) == "several-pages"
    found = read(scan(pages(samples, samples[::4, ::4], samples[::8, ::8], kinds=(0, 1, 1))))
    assert np.array_equal(found.pixels, samples)


def test_an_animation_is_refused(scan: Any) -> None:
    out = io.BytesIO()
    frames = [Image.fromarray(picture()), Image.fromarray(picture()[::-1].copy())]
    frames[0].save(out, "PNG", save_all=True, append_images=frames[1:])
    assert refusal(scan(out.getvalue(), "bone.png")) == "several-pages"


def test_colours_that_are_no_scanners_are_refused(scan: Any, tmp_path: Path) -> None:
    cmyk = Image.fromarray(picture(3)).convert("CMYK")
    lab = Image.fromarray(picture(3)).convert("LAB")
    for image, name in ((cmyk, "cmyk.tif"), (cmyk, "cmyk.jpg"), (lab, "lab.tif")):
        image.save(tmp_path / name)
        assert refusal(tmp_path / name) == "colour-mode"


@pytest.mark.parametrize("kind", ["f4", "f8", "u4", "i2", "i4", "i1"])
def test_pixels_that_are_no_small_whole_numbers_are_refused(scan: Any, kind: str) -> None:
    assert refusal(scan(tiff_bytes((picture() // 2).astype(kind)))) == "pixel-format"


@pytest.mark.parametrize("value", [0, 128, 255])
def test_a_scan_of_one_brightness_is_blank(scan: Any, value: int) -> None:
    empty = np.full((HEIGHT, WIDTH, 3), value, np.uint8)
    assert refusal(scan(png_bytes(empty), "bone.png")) == "blank"
    assert refusal(scan(jpeg_bytes(empty), "bone.jpg")) == "blank"
    assert refusal(scan(tiff_bytes(empty, photometric="rgb"))) == "blank"


def test_one_pixel_that_differs_is_not_blank(scan: Any) -> None:
    nearly = np.zeros((HEIGHT, WIDTH), np.uint16)
    nearly[3, 4] = 1
    assert read(scan(tiff_bytes(nearly))).pixels.max() == 1


def test_a_file_that_cannot_be_opened_is_unreadable(scan: Any, tmp_path: Path) -> None:
    path = scan(GOOD["grey.tif"])
    ref = ref_of(path)
    path.unlink()
    with pytest.raises(ScanRefused, match="unreadable-file"):
        read_scan(ref, SETTINGS)
    (tmp_path / "bone.tif").mkdir()
    with pytest.raises(ScanRefused, match="unreadable-file"):
        read_scan(ref, SETTINGS)


def test_a_file_that_is_not_the_one_found_is_changed(scan: Any) -> None:
    path = scan(GOOD["grey.tif"])
    ref = ref_of(path)
    os.utime(path, ns=(ref.mtime_ns, ref.mtime_ns + 1_000_000_000))
    with pytest.raises(ScanRefused, match="changed"):
        read_scan(ref, SETTINGS)
    path.write_bytes(GOOD["colour.tif"][:500])  # a scanner that is still writing
    os.utime(path, ns=(ref.mtime_ns, ref.mtime_ns))
    with pytest.raises(ScanRefused, match="changed"):
        read_scan(ref, SETTINGS)


def test_the_header_tells_size_depth_and_resolution(scan: Any) -> None:
    content = tiff_bytes(
        picture(3, "u2"), photometric="rgb", resolution=(600, 600), resolutionunit=2, extratags=[(274, "H", 1, 6, True)]
    )
    header = read_header(ref_of(scan(content)), SETTINGS)
    assert (header.format, header.width, header.height, header.bits, header.colours) == ("TIFF", HEIGHT, WIDTH, 16, 3)
    assert (header.dpi, header.notices, header.refusal) == (600.0, ("turned",), None)


def test_reading_prints_and_logs_nothing(scan: Any, capfd: pytest.CaptureFixture[str], caplog: Any) -> None:
    for name, content in GOOD.items():
        for broken in (content, content[: len(content) // 2], content[:200] + bytes(50) + content[250:]):
            path = scan(broken, name)
            with contextlib.suppress(ScanRefused):
                read(path)
    assert capfd.readouterr() == ("", "")
    assert not caplog.records
    assert not logging.getLogger("tifffile").disabled


# ---------------------------------------------------------------------------------------------------- any file at all
@st.composite
def damaged(draw: st.DrawFn) -> bytes:
    """A good file with bytes changed, taken out, put in, moved or cut off; mostly where the header is."""
    content = bytearray(GOOD[draw(st.sampled_from(sorted(GOOD)))])
    for _ in range(draw(st.integers(1, 6))):
        most = len(content) - 1 if draw(st.booleans()) else min(len(content) - 1, 400)
        place = draw(st.integers(0, max(0, most)))
        match draw(st.integers(0, 4)):
            case 0:
                content[place : place + 1] = bytes([draw(st.integers(0, 255))])
            case 1:
                del content[place : place + draw(st.integers(1, 64))]
            case 2:
                content[place:place] = draw(st.binary(min_size=1, max_size=16))
            case 3:
                content[place : place + 4] = draw(st.sampled_from([b"\xff" * 4, bytes(4), b"\x7f\xff\xff\xff"]))
            case _:
                content = content[-200:] + content[:-200]
    return bytes(content)


@settings(max_examples=150, deadline=None, suppress_health_check=list(HealthCheck))
@given(damaged())
def test_any_file_is_a_scan_or_is_refused(content: bytes) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "bone.any"
        path.write_bytes(content)
        limits = SETTINGS.model_copy(update={"most_megapixels": 1.0, "least_pixels": 1})
        header = read_header(ref_of(path), limits)
        found = outcome(path, limits)
        if isinstance(found, Scan):
            assert found.pixels.shape == (header.height, header.width)
            assert found.pixels.dtype in (np.uint8, np.uint16)
        else:
            assert found.code in REFUSALS
            assert found.detail.isprintable()
            assert header.refusal in (None, (found.code, found.detail))


def outcome(path: Path, limits: ScanSettings) -> Scan | ScanRefused:
    try:
        return read(path, limits)
    except ScanRefused as refused:
        return refused
