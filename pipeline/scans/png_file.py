"""PNG files, decoded strictly: every check sum, the exact number of pixels, the end mark.

Only a band of rows is held at a time. Source of the layout: Portable Network Graphics (PNG) Specification, W3C.
"""

from __future__ import annotations

import io
import struct
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, BinaryIO

import imagecodecs
import numpy as np
from numpy.typing import NDArray

from pipeline.errors import ScanRefused
from pipeline.scans.grey import BAND_SAMPLES, Grey, GreyRule, palette_table, put_grey, spread_table, unpacked
from pipeline.scans.resolution import METRES_AN_INCH, from_exif
from pipeline.scans.scan_header import StatedResolution, Stored

SIGNATURE = b"\x89PNG\r\n\x1a\n"
GREY, COLOUR, PALETTE, GREY_ALPHA, COLOUR_ALPHA = 0, 2, 3, 4, 6
SAMPLES = {GREY: 1, COLOUR: 3, PALETTE: 1, GREY_ALPHA: 2, COLOUR_ALPHA: 4}
DEPTHS = {GREY: (1, 2, 4, 8, 16), COLOUR: (8, 16), PALETTE: (1, 2, 4, 8), GREY_ALPHA: (8, 16), COLOUR_ALPHA: (8, 16)}
UNIT_METRE = 1

WHOLE = ((0, 0, 1, 1),)
INTERLACED = ((0, 0, 8, 8), (4, 0, 8, 8), (0, 4, 4, 8), (2, 0, 4, 4), (0, 2, 2, 4), (1, 0, 2, 2), (0, 1, 1, 2))
"""Adam7: first column, first row, step across, step down of each pass."""

INFLATE_BYTES = 1 << 16
"""Compressed bytes inflated at a time: even a bomb (a thousandfold) grows to 64 megabytes only."""
KEPT = (b"IHDR", b"PLTE", b"sBIT", b"pHYs", b"eXIf", b"acTL")
SMALL_CHUNK_BYTES = 1 << 24
"""No honest chunk of `KEPT` is longer."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Chunk:
    name: bytes
    start: int
    """Of the content, in the file."""
    length: int


def read_png_header(stream: BinaryIO) -> Stored:
    """What a PNG's chunks say. Raises ScanRefused: truncated, corrupt, several-pages."""
    chunks = list(_chunks(stream))
    ihdr = _Ihdr.read(_content(stream, chunks[0]))
    stated: list[StatedResolution] = []
    exif: tuple[StatedResolution, ...] = ()
    orientation, significant = 1, ihdr.depth
    for chunk in chunks:
        if chunk.name not in KEPT or chunk.length > SMALL_CHUNK_BYTES:
            continue
        content = _content(stream, chunk)
        if chunk.name == b"pHYs" and len(content) == 9:
            across, down, unit = struct.unpack(">IIB", content)
            if unit == UNIT_METRE and across and down:  # unit 0 tells only the shape of a pixel
                inches = (across * METRES_AN_INCH, down * METRES_AN_INCH)
                stated.append(StatedResolution(place="pHYs", across=inches[0], down=inches[1]))
        elif chunk.name == b"eXIf":
            orientation, exif = from_exif(content)
        elif chunk.name == b"sBIT" and ihdr.kind != PALETTE and content:
            significant = min(ihdr.depth, max(content[: 3 if ihdr.kind in (COLOUR, COLOUR_ALPHA) else 1]))
        elif chunk.name == b"acTL" and len(content) == 8 and struct.unpack(">II", content)[0] > 1:
            raise ScanRefused("several-pages", f"an animation of {struct.unpack('>II', content)[0]} pictures")
    return Stored(
        format="PNG",
        width=ihdr.width,
        height=ihdr.height,
        bits=ihdr.depth,
        colours=3 if ihdr.kind in (COLOUR, COLOUR_ALPHA) else 1,
        significant_bits=significant or ihdr.depth,
        orientation=orientation,
        stated=(*stated, *exif),
    )


def decode_png(data: bytes) -> Grey:
    """Grey of a PNG, as stored. Raises ScanRefused: truncated, corrupt."""
    chunks = list(_chunks(io.BytesIO(data)))
    view = memoryview(data)
    for chunk in chunks:
        found = zlib.crc32(view[chunk.start - 4 : chunk.start + chunk.length])
        if found != int.from_bytes(view[chunk.start + chunk.length :][:4], "big"):
            raise ScanRefused("corrupt", f"the check sum of a PNG chunk {_named(chunk.name)} is wrong")
    ihdr = _Ihdr.read(bytes(view[chunks[0].start :][: chunks[0].length]))
    rule = _rule(ihdr, next((bytes(view[c.start :][: c.length]) for c in chunks if c.name == b"PLTE"), b""))
    inflated = _Inflated(view[c.start : c.start + c.length] for c in chunks if c.name == b"IDAT")
    grey: Grey = np.zeros((ihdr.height, ihdr.width), np.uint16 if ihdr.depth == 16 else np.uint8)
    for column, row, across, down in INTERLACED if ihdr.interlaced else WHOLE:
        _put_pass(inflated, ihdr, rule, grey[row::down, column::across])
    inflated.finish()
    return grey


def _put_pass(inflated: _Inflated, ihdr: _Ihdr, rule: GreyRule, out: Grey) -> None:
    rows, columns = out.shape
    if not rows or not columns:
        return
    row_bytes = (columns * ihdr.depth * SAMPLES[ihdr.kind] + 7) // 8
    step = max(1, BAND_SAMPLES // row_bytes)
    above = bytes(row_bytes)
    for top in range(0, rows, step):
        count = min(step, rows - top)
        filtered = inflated.take(count * (row_bytes + 1))
        samples = _unfiltered(above, filtered, ihdr, columns, count)
        above = samples[-1].astype(samples.dtype.newbyteorder(">")).tobytes()
        if ihdr.depth < 8:
            samples = unpacked(samples[..., 0], ihdr.depth, columns)[..., None]
        put_grey(samples, rule, out[top : top + count])


def _unfiltered(above: bytes, filtered: bytearray, ihdr: _Ihdr, columns: int, rows: int) -> NDArray[Any]:
    """Samples (row, column, sample) of a band; samples of fewer than 8 bits stay packed.

    The band is handed to the PNG library as a small PNG of its own, whose first row is the row above the band: so the
    library's fast undoing of the filters is used, and the whole picture is never held.
    """
    kind, depth, width = (ihdr.kind, ihdr.depth, columns)
    if kind == PALETTE or depth < 8:
        kind, depth, width = GREY, 8, len(above)
    head = struct.pack(">IIBBBBB", width, rows + 1, depth, kind, 0, 0, 0)
    body = zlib.compress(b"\0" + above + filtered, level=0)
    small = SIGNATURE + _packed(b"IHDR", head) + _packed(b"IDAT", body) + _packed(b"IEND", b"")
    try:
        decoded = imagecodecs.png_decode(small)
    except imagecodecs.PngError:
        raise ScanRefused("corrupt", "a PNG row has a filter that does not exist") from None
    samples: NDArray[Any] = decoded.reshape(rows + 1, width, -1)[1:]
    return samples


def _packed(name: bytes, content: bytes) -> bytes:
    return struct.pack(">I", len(content)) + name + content + struct.pack(">I", zlib.crc32(name + content))


def _rule(ihdr: _Ihdr, palette: bytes) -> GreyRule:
    if ihdr.kind == PALETTE:
        if not palette or len(palette) % 3 or len(palette) > 3 << ihdr.depth:
            raise ScanRefused("corrupt", "the PNG's palette is missing or of a wrong length")
        return GreyRule(colours=1, table=palette_table(np.frombuffer(palette, np.uint8).reshape(-1, 3)))
    if ihdr.kind in (COLOUR, COLOUR_ALPHA):
        return GreyRule(colours=3)
    return GreyRule(colours=1, table=spread_table(ihdr.depth) if ihdr.depth < 8 else None)


class _Inflated:
    """The pixels' bytes, inflated piece by piece from the chunks that hold them."""

    def __init__(self, parts: Iterator[memoryview]) -> None:
        self._inflate = zlib.decompressobj()
        self._pieces = (part[i : i + INFLATE_BYTES] for part in parts for i in range(0, len(part), INFLATE_BYTES))
        self._held = bytearray()

    def take(self, count: int) -> bytearray:
        """The next `count` bytes."""
        while len(self._held) < count:
            if not self._grow():
                raise ScanRefused("corrupt", "the PNG holds fewer pixels than its header says")
        taken = self._held[:count]
        del self._held[:count]
        return taken

    def finish(self) -> None:
        """Nothing may be left, and the check sum of all must be right."""
        while not self._held and self._grow():
            pass
        if self._held:
            raise ScanRefused("corrupt", "the PNG holds more pixels than its header says")
        if not self._inflate.eof:
            raise ScanRefused("corrupt", "the PNG's pixels end before their check sum")

    def _grow(self) -> bool:
        piece = next(self._pieces, None)
        if piece is None or self._inflate.eof:
            return False
        try:
            self._held += self._inflate.decompress(piece)
        except zlib.error:
            raise ScanRefused("corrupt", "the PNG's compressed pixels are damaged") from None
        return True


@dataclass(frozen=True, slots=True)
class _Ihdr:
    width: int
    height: int
    depth: int
    kind: int
    interlaced: bool

    @classmethod
    def read(cls, content: bytes) -> _Ihdr:
        if len(content) != 13:
            raise ScanRefused("corrupt", "the PNG's header chunk has a wrong length")
        width, height, depth, kind, compression, filtering, interlace = struct.unpack(">IIBBBBB", content)
        if depth not in DEPTHS.get(kind, ()) or compression or filtering or interlace > 1 or not width or not height:
            raise ScanRefused("corrupt", "the PNG's header chunk says what no PNG can be")
        return cls(width, height, depth, kind, interlace == 1)


def _chunks(stream: BinaryIO) -> Iterator[_Chunk]:
    """Every chunk up to the end mark, by its place; contents are not read."""
    end = stream.seek(0, io.SEEK_END)
    place = len(SIGNATURE)
    pixels_over = False
    previous = b""
    while True:
        stream.seek(place)
        head = stream.read(8)
        if len(head) < 8:
            raise ScanRefused("truncated", f"the PNG ends after {end} bytes, without its end mark")
        length, name = struct.unpack(">I4s", head)
        if not name.isalpha():
            raise ScanRefused("corrupt", f"a PNG chunk has no name, {place} bytes into the file")
        if place + 12 + length > end:
            raise ScanRefused("truncated", f"the PNG ends after {end} bytes, inside a chunk {_named(name)}")
        if not previous and name != b"IHDR":
            raise ScanRefused("corrupt", "the PNG does not begin with its header chunk")
        pixels_over = pixels_over or (previous == b"IDAT" and name != b"IDAT")
        if pixels_over and name == b"IDAT":
            raise ScanRefused("corrupt", "the PNG's pixels stand in two places")
        yield _Chunk(name=name, start=place + 8, length=length)
        if name == b"IEND":
            return
        previous = name
        place += 12 + length


def _content(stream: BinaryIO, chunk: _Chunk) -> bytes:
    stream.seek(chunk.start)
    return stream.read(chunk.length)


def _named(name: bytes) -> str:
    return name.decode("ascii", "replace")
