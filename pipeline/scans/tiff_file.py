"""TIFF and BigTIFF files, decoded strictly, strip by strip or tile by tile. Source of the layout: TIFF 6.0."""

from __future__ import annotations

import io
import itertools
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any, BinaryIO, Literal

import numpy as np
from numpy.typing import NDArray
from tifffile import TiffFile, TiffPage

from pipeline.errors import ScanRefused
from pipeline.scans.grey import Grey, GreyRule, palette_table, put_grey, spread_table
from pipeline.scans.resolution import (
    ORIENTATION_TAG,
    UNIT_INCH,
    UNIT_TAG,
    X_TAG,
    Y_TAG,
    from_fields,
    valid_orientation,
)
from pipeline.scans.scan_header import Stored

SIGNATURES = (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")
"""Both byte orders of TIFF and BigTIFF."""

WHITE_IS_ZERO, BLACK_IS_ZERO, RGB, PALETTE, YCBCR = 0, 1, 2, 3, 6
COLOURS = {WHITE_IS_ZERO: 1, BLACK_IS_ZERO: 1, RGB: 3, PALETTE: 1, YCBCR: 3}
PHOTOMETRICS = {4: "those of a mask", 5: "CMYK", 8: "Lab", 9: "Lab", 10: "Lab"}
UNCOMPRESSED, JPEG = 1, 7
COMPRESSIONS = {UNCOMPRESSED, 2, 3, 4, 5, JPEG, 8, 32773, 32946}
"""None, three fax codes, LZW, JPEG, deflate, PackBits, old deflate."""
UNSIGNED = 1
SAMPLE_FORMATS = {2: "signed whole numbers", 3: "floating point numbers"}
BITS = (1, 2, 4, 8, 12, 16)
VALUE_BYTES = {1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 6: 1, 7: 1, 8: 2, 9: 4, 10: 8, 11: 4, 12: 8, 13: 4, 16: 8, 17: 8, 18: 8}
"""Bytes of one value of each TIFF type."""
MAX_SAMPLE_TAG, COLOUR_MAP_TAG = 281, 320
REDUCED, MASK = 1, 4
"""Bits of NewSubfileType: a smaller copy of another page; a transparency mask."""
MOST_SMALL_PAGES = 64
"""Pages looked at for a second full one; no scanner writes that many thumbnails."""
SPARE_TILE_PIXELS = 1 << 22
"""A tile may be larger than a small picture, but not absurdly so."""


def read_tiff_header(stream: BinaryIO) -> Stored:
    """What a TIFF's tags say. Raises ScanRefused: truncated, corrupt, several-pages, colour-mode, pixel-format."""
    with _opened(stream) as tiff:
        page = _only_page(tiff)
        photometric = _whole(page.photometric)
        if photometric not in COLOURS:
            kind = PHOTOMETRICS.get(photometric, f"those of PhotometricInterpretation {photometric}")
            raise ScanRefused("colour-mode", f"the TIFF's colours are {kind}")
        sample_format = _whole(page.sampleformat)
        if sample_format != UNSIGNED:
            kind = SAMPLE_FORMATS.get(sample_format, f"numbers of SampleFormat {sample_format}")
            raise ScanRefused("pixel-format", f"the TIFF's pixels are {kind}")
        bits = page.bitspersample
        if bits not in BITS:
            raise ScanRefused("pixel-format", f"the TIFF has {bits} bits a sample")
        colours = COLOURS[photometric]
        if (photometric == PALETTE and bits > 8) or (colours == 3 and bits < 8):
            raise ScanRefused("pixel-format", f"the TIFF has a palette or colours of {bits} bits")
        if photometric == YCBCR and page.compression != JPEG:
            raise ScanRefused("colour-mode", "the TIFF's colours are YCbCr")
        if page.compression not in COMPRESSIONS:
            raise ScanRefused("corrupt", f"the TIFF's Compression {_whole(page.compression)} is not known here")
        width, height = page.imagewidth, page.imagelength
        if width < 1 or height < 1 or page.samplesperpixel < colours or page.imagedepth != 1:
            raise ScanRefused("corrupt", "the TIFF's tags give no possible size")
        if page.is_tiled and page.tilewidth * page.tilelength > 4 * width * height + SPARE_TILE_PIXELS:
            raise ScanRefused("corrupt", "the TIFF's tiles are far larger than its picture")
        _check_places(page, stream.seek(0, io.SEEK_END))
        unit = _whole(page.tags.valueof(UNIT_TAG, UNIT_INCH))
        return Stored(
            format="TIFF",
            width=width,
            height=height,
            bits=bits,
            colours=colours,
            significant_bits=_significant(page),
            orientation=valid_orientation(_whole(page.tags.valueof(ORIENTATION_TAG, 1))),
            stated=from_fields("TIFF", _ratio(page, X_TAG), _ratio(page, Y_TAG), unit),
        )


def decode_tiff(data: bytes) -> Grey:
    """Grey of a TIFF, as stored. Raises ScanRefused: corrupt."""
    with io.BytesIO(data) as stream, _opened(stream) as tiff:
        page = _only_page(tiff)
        rule = _rule(page)
        grey: Grey = np.zeros((page.imagelength, page.imagewidth), np.uint16 if page.bitspersample > 8 else np.uint8)
        planes = rule.colours if page.planarconfig == 2 else 1
        per_plane = len(page.dataoffsets) // (page.samplesperpixel if page.planarconfig == 2 else 1)
        for index in range(per_plane):
            parts = [_piece(page, data, index + plane * per_plane) for plane in range(planes)]
            top, left, samples = parts[0]
            if planes > 1:
                samples = np.concatenate([part[2] for part in parts], axis=2)
            put_grey(samples, rule, grey[top : top + samples.shape[0], left : left + samples.shape[1]])
    return grey


def _piece(page: TiffPage, data: bytes, index: int) -> tuple[int, int, NDArray[Any]]:
    """First row, first column and samples (row, column, sample) of one strip or tile."""
    start, count = page.dataoffsets[index], page.databytecounts[index]
    coded = memoryview(data)[start : start + count]
    plain = page.compression == UNCOMPRESSED and page.predictor == 1 and page.fillorder == 1
    if plain and page.bitspersample in (8, 16):
        return _plain_piece(page, coded, index)
    if page.compression == JPEG and bytes(coded[-2:]) != b"\xff\xd9":
        raise ScanRefused("corrupt", f"the JPEG in strip or tile {index + 1} of the TIFF has no end mark")
    try:
        decoded, place, _ = page.decode(coded, index, jpegtables=page.jpegtables, jpegheader=page.jpegheader)
    except MemoryError:
        raise
    except Exception:  # each codec raises its own kind; all mean the same here
        raise ScanRefused("corrupt", f"strip or tile {index + 1} of the TIFF cannot be decoded") from None
    assert decoded is not None
    samples = decoded[0]
    samples = samples.view(np.uint8) if samples.dtype == np.bool_ else samples
    return place[2], place[3], samples


def _plain_piece(page: TiffPage, coded: memoryview, index: int) -> tuple[int, int, NDArray[Any]]:
    """An uncompressed strip or tile, as a view into the file's bytes: a scan may be one strip of a gigabyte."""
    samples = page.samplesperpixel if page.planarconfig == 1 else 1
    height, width = _piece_shape(page)
    across, down = -(-page.imagewidth // width), -(-page.imagelength // height)
    row, column = divmod(index % (across * down), across)
    rows = height if page.is_tiled else min(height, page.imagelength - row * height)
    kind = np.dtype(np.uint8 if page.bitspersample == 8 else np.uint16).newbyteorder(page.parent.byteorder)
    wanted = rows * width * samples * kind.itemsize
    if len(coded) < wanted:
        raise ScanRefused("corrupt", f"strip or tile {index + 1} of the TIFF is too short")
    pixels = np.frombuffer(coded[:wanted], kind).reshape(rows, width, samples)
    return row * height, column * width, pixels[: page.imagelength - row * height]


def _piece_shape(page: TiffPage) -> tuple[int, int]:
    """Rows and columns of a strip or tile."""
    if page.is_tiled:
        return page.tilelength, page.tilewidth
    return min(page.rowsperstrip, page.imagelength), page.imagewidth


def _rule(page: TiffPage) -> GreyRule:
    photometric, bits = _whole(page.photometric), page.bitspersample
    if photometric == PALETTE:
        colour_map = np.asarray(page.tags.valueof(COLOUR_MAP_TAG, ()), np.float64)
        if colour_map.size != 3 << bits:
            raise ScanRefused("corrupt", "the TIFF's palette is missing or of a wrong length")
        colour_map = colour_map.reshape(3, -1).T
        # The palette is of 16 bits by rule, whether 255 was multiplied by 256 or by 257; some writers put 8 bits there.
        return GreyRule(colours=1, table=palette_table(colour_map // 256 if colour_map.max() > 255 else colour_map))
    if COLOURS[photometric] == 3:
        return GreyRule(colours=3)
    inverted = photometric == WHITE_IS_ZERO
    return GreyRule(colours=1, table=spread_table(bits, inverted=inverted) if bits <= 8 else None, inverted=inverted)


def _significant(page: TiffPage) -> int:
    """Bits in use, where MaxSampleValue is the top of a range of whole bits; else it is a statistic of the pixels."""
    bits: int = page.bitspersample
    most = page.tags.valueof(MAX_SAMPLE_TAG, None)
    most = max(most) if isinstance(most, tuple) and most else most
    if bits == 16 and isinstance(most, int) and most > 255 and most & (most + 1) == 0:
        return most.bit_length()
    return bits


def _only_page(tiff: TiffFile) -> TiffPage:
    first = tiff.pages[0]
    assert isinstance(first, TiffPage)
    for page in _later_pages(tiff):
        if not _whole(page.tags.valueof(254, 0)) & (REDUCED | MASK):
            raise ScanRefused("several-pages", "the TIFF holds more than one full picture")
    return first


def _later_pages(tiff: TiffFile) -> Iterator[TiffPage]:
    tiff.pages.useframes = False
    for number in itertools.count(1):
        if number > MOST_SMALL_PAGES:
            raise ScanRefused("several-pages", f"the TIFF holds more than {MOST_SMALL_PAGES} pictures")
        try:
            page = tiff.pages[number]
        except IndexError:
            return
        assert isinstance(page, TiffPage)
        yield page


def _check_places(page: TiffPage, size: int) -> None:
    places = list(zip(page.dataoffsets, page.databytecounts, strict=False))
    if any(start + count > size for start, count in places):
        raise ScanRefused("truncated", f"the TIFF ends after {size} bytes, before its last pixels")
    if len(page.dataoffsets) != len(page.databytecounts) or not places:
        raise ScanRefused("corrupt", "the TIFF does not say where its pixels are")
    if any(start <= 0 or count <= 0 for start, count in places):
        raise ScanRefused("corrupt", "a strip or tile of the TIFF is empty")
    height, width = _piece_shape(page)
    if height < 1 or width < 1:
        raise ScanRefused("corrupt", "the TIFF's strips or tiles have no size")
    planes = page.samplesperpixel if page.planarconfig == 2 else 1
    if -(-page.imagelength // height) * -(-page.imagewidth // width) * planes != len(places):
        raise ScanRefused("corrupt", "the TIFF has more or fewer strips or tiles than its size needs")


@contextmanager
def _opened(stream: BinaryIO) -> Iterator[TiffFile]:
    """A TIFF opened for its tags; whatever becomes of damaged tags, here or in the library, is a refusal."""
    try:
        with TiffFile(stream) as tiff:
            yield tiff
    except (ScanRefused, MemoryError):
        raise
    except Exception:  # the library raises what it likes on damaged tags
        size = stream.seek(0, io.SEEK_END)
        if _tags_end(stream) > size:
            raise ScanRefused("truncated", f"the TIFF ends after {size} bytes, before its tags") from None
        raise ScanRefused("corrupt", "the TIFF's tags are damaged") from None


def _tags_end(stream: BinaryIO) -> int:
    """Where the first list of tags and the values that it points to end (TIFF 6.0, section 2)."""
    stream.seek(0)
    head = stream.read(16)
    order: Literal["little", "big"] = "little" if head[:2] == b"II" else "big"
    big = 43 in head[2:4]
    start = int.from_bytes(head[8:16] if big else head[4:8], order)
    if start >= stream.seek(0, io.SEEK_END):
        return start + 1
    stream.seek(start)
    width = 8 if big else 4
    tags = int.from_bytes(stream.read(8 if big else 2), order)
    ends = [start + (8 + 20 * tags if big else 2 + 12 * tags)]
    for _ in range(tags):
        entry = stream.read(4 + 2 * width)
        if len(entry) < 4 + 2 * width:
            break
        kind, count, place = (int.from_bytes(part, order) for part in (entry[2:4], entry[4:-width], entry[-width:]))
        size = count * VALUE_BYTES.get(kind, 0)
        ends.append(place + size if size > width else 0)
    return max(ends)


def _whole(value: object) -> int:
    """A tag's first number, -1 when it holds none."""
    if isinstance(value, tuple):
        value = value[0] if value else None
    return int(value) if isinstance(value, int) else -1


def _ratio(page: TiffPage, tag: int) -> float | None:
    value = page.tags.valueof(tag, None)
    if isinstance(value, tuple) and len(value) == 2 and value[1]:
        return float(value[0] / value[1])
    return float(value) if isinstance(value, (int, float)) else None
