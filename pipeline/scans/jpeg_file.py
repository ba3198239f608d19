"""JPEG files, decoded strictly: JPEG has no check sums, but pixels that the decoder would have to invent are refused.

Sources of the layout: ITU-T T.81 (JPEG), T.871 (JFIF).
"""

from __future__ import annotations

import io
import struct
from dataclasses import dataclass
from typing import BinaryIO

import numpy as np
import simplejpeg

from pipeline.errors import ScanRefused
from pipeline.scans.grey import Grey, GreyRule, put_grey
from pipeline.scans.resolution import CENTIMETRES_AN_INCH, from_exif
from pipeline.scans.scan_header import StatedResolution, Stored

SIGNATURE = b"\xff\xd8\xff"
END = b"\xff\xd9"
APP0, APP1, START_OF_SCAN = 0xE0, 0xE1, 0xDA
ALONE = {0x01, *range(0xD0, 0xD9)}
"""Markers without content: TEM, restarts and a start of image."""
FRAMES = {0xC0, 0xC1, 0xC2, 0xC3, 0xC5, 0xC6, 0xC7, 0xC9, 0xCA, 0xCB, 0xCD, 0xCE, 0xCF}
SUPPORTED = {0xC0, 0xC1, 0xC2, 0xC9, 0xCA}
"""Frames that are neither lossless nor hierarchical."""
JFIF_UNITS = {1: 1.0, 2: CENTIMETRES_AN_INCH}
"""Unit 0 states the shape of a pixel only (T.871, 10.1)."""


@dataclass(frozen=True, slots=True)
class _Segment:
    marker: int
    start: int
    """Of the content, in the file."""
    content: bytes


def read_jpeg_header(stream: BinaryIO) -> Stored:
    """What a JPEG's segments before its pixels say.

    Raises ScanRefused: truncated, corrupt, colour-mode, pixel-format.
    """
    frame: tuple[int, int, int, int, int] | None = None
    stated: tuple[StatedResolution, ...] = ()
    exif: tuple[StatedResolution, ...] = ()
    orientation = 1
    place = 2
    while (segment := _segment(stream, place)).marker != START_OF_SCAN:
        content = segment.content
        place = segment.start + len(content)
        if segment.marker == APP0 and content[:5] == b"JFIF\0" and len(content) >= 12:
            unit, across, down = struct.unpack(">BHH", content[7:12])
            scale = JFIF_UNITS.get(unit)
            if scale and across and down:
                stated = (StatedResolution(place="JFIF", across=across * scale, down=down * scale),)
        elif segment.marker == APP1 and content[:6] == b"Exif\0\0":
            orientation, exif = from_exif(content[6:])
        elif segment.marker in FRAMES:
            if frame is not None or len(content) < 6:
                raise ScanRefused("corrupt", "the JPEG's frame header is damaged")
            frame = (segment.marker, *struct.unpack(">BHHB", content[:6]))
    if frame is None:
        raise ScanRefused("corrupt", "the JPEG has no frame header before its pixels")
    marker, bits, height, width, components = frame
    if marker not in SUPPORTED:
        raise ScanRefused("pixel-format", "a lossless or hierarchical JPEG")
    if not width or not height:
        raise ScanRefused("corrupt", "the JPEG's header gives no size")
    if components not in (1, 3):
        raise ScanRefused(
            "colour-mode",
            f"a JPEG of {components} colour components (CMYK or YCCK)"
            if components == 4
            else f"a JPEG of {components} colour components",
        )
    if bits != 8:
        raise ScanRefused("pixel-format", f"a JPEG of {bits} bits a sample")
    return Stored(
        format="JPEG",
        width=width,
        height=height,
        bits=bits,
        colours=components,
        significant_bits=bits,
        orientation=orientation,
        stated=(*stated, *exif),
    )


def decode_jpeg(data: bytes) -> Grey:
    """Grey of a JPEG, as stored. Raises ScanRefused: truncated, corrupt."""
    # Where a decoder runs out of coded pixels, it paints the rest grey and only warns. Here a warning is an error.
    try:
        _, _, colours, _ = simplejpeg.decode_jpeg_header(data)
        samples = simplejpeg.decode_jpeg(data, colorspace="GRAY" if colours == "Gray" else "RGB", strict=True)
    except ValueError as e:
        if "premature end" in str(e).lower():
            raise ScanRefused("truncated", "the JPEG's pixels end before the picture does") from None
        raise ScanRefused("corrupt", f"the JPEG's pixels cannot be decoded: {e}") from None
    grey = np.empty(samples.shape[:2], np.uint8)
    put_grey(samples, GreyRule(colours=samples.shape[2]), grey)
    return grey


def _segment(stream: BinaryIO, place: int) -> _Segment:
    """The segment whose marker stands at `place`."""
    stream.seek(place)
    head = stream.read(2)
    while head == b"\xff\xff":  # any number of fill bytes may stand before a marker
        head = head[1:] + stream.read(1)
    if len(head) < 2:
        raise ScanRefused("truncated", f"the JPEG ends after {stream.seek(0, io.SEEK_END)} bytes, before its pixels")
    if head[0] != 0xFF or head[1] in (0x00, END[1]):
        raise ScanRefused("corrupt", f"no JPEG segment begins {place} bytes into the file")
    if head[1] in ALONE:
        return _Segment(head[1], stream.tell(), b"")
    size = stream.read(2)
    length = int.from_bytes(size, "big")
    start = stream.tell()
    content = stream.read(max(0, length - 2))
    if len(size) < 2 or len(content) < length - 2:
        raise ScanRefused("truncated", f"the JPEG ends after {stream.seek(0, io.SEEK_END)} bytes, before its pixels")
    if length < 2:
        raise ScanRefused("corrupt", f"a JPEG segment has no length, {place} bytes into the file")
    return _Segment(head[1], start, content)
