"""The one strict reader of scans: the file's header, and the whole scan as grey."""

from __future__ import annotations

import hashlib
import io
import logging
import warnings
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from io import BufferedReader
from pathlib import Path
from typing import BinaryIO

import cv2
import numpy as np
from PIL import Image

from pipeline import regular_files
from pipeline.errors import ScanRefused
from pipeline.records import Scan, ScanRef, frozen
from pipeline.scans import jpeg_file, png_file, tiff_file
from pipeline.scans.grey import Grey
from pipeline.scans.resolution import believed
from pipeline.scans.scan_header import ScanHeader, Stored
from pipeline.settings.first_pass import ScanSettings

SIGNATURE_BYTES = 8
CHANGED = "the file is not the one that was found when the batch began"

_Format = tuple[Callable[[BinaryIO], Stored], Callable[[bytes], Grey]]
_FORMATS: dict[bytes, _Format] = {
    png_file.SIGNATURE: (png_file.read_png_header, png_file.decode_png),
    jpeg_file.SIGNATURE: (jpeg_file.read_jpeg_header, jpeg_file.decode_jpeg),
    **dict.fromkeys(tiff_file.SIGNATURES, (tiff_file.read_tiff_header, tiff_file.decode_tiff)),
}

_TURNS: dict[int, Callable[[Grey], Grey]] = {
    2: lambda grey: cv2.flip(grey, 1),
    3: lambda grey: cv2.rotate(grey, cv2.ROTATE_180),
    4: lambda grey: cv2.flip(grey, 0),
    5: lambda grey: cv2.transpose(grey),
    6: lambda grey: cv2.rotate(grey, cv2.ROTATE_90_CLOCKWISE),
    7: lambda grey: cv2.transpose(cv2.rotate(grey, cv2.ROTATE_180)),
    8: lambda grey: cv2.rotate(grey, cv2.ROTATE_90_COUNTERCLOCKWISE),
}
"""What brings a picture stored with each EXIF orientation upright (Exif 2.3, tag 274)."""


def read_header(ref: ScanRef, settings: ScanSettings) -> ScanHeader:
    """What is known of a scan without decoding it, and whether that alone refuses it."""
    try:
        with _undisturbed(), _opened(ref.path) as stream:
            stored = _stored(stream)
            return _header(ref, stored, settings)
    except ScanRefused as refused:
        return ScanHeader(
            scan=ref.scan,
            format="",
            width=0,
            height=0,
            bits=0,
            colours=0,
            orientation=1,
            dpi=None,
            notices=(),
            refusal=(refused.code, refused.detail),
        )


def read_scan(ref: ScanRef, settings: ScanSettings) -> Scan:
    """One scan, decoded in full and grey.

    The bytes are read once, and hashed and decoded as read. Raises ScanRefused with a code of `codes.REFUSALS`:
    empty-file, not-an-image, truncated, corrupt, too-large, too-small, several-pages, colour-mode, pixel-format, blank,
    unreadable-file, changed.
    """
    try:
        return _scan(ref, settings)
    except ScanRefused as refused:
        # A file that is still being written looks truncated or corrupt; the true cause is the better cure.
        if refused.code == "unreadable-file" or _unchanged(ref):
            raise
        raise ScanRefused("changed", CHANGED) from None


def digest_of_file(ref: ScanRef) -> str:
    """SHA-256 of a scan's bytes, which no decoding costs. Raises ScanRefused: unreadable-file."""
    with _opened(ref.path) as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def _scan(ref: ScanRef, settings: ScanSettings) -> Scan:
    with _undisturbed():
        with _opened(ref.path) as stream:
            header = _header(ref, _stored(stream), settings)
            if header.refusal:  # before the file is read whole: a mistaken scan may not fit into memory
                raise ScanRefused(*header.refusal)
            stream.seek(0)
            data = stream.read()
        with io.BytesIO(data) as copy:  # closed, so that nothing holds the bytes once they are decoded
            stored = _stored(copy)
        if _header(ref, stored, settings) != header or not _unchanged(ref):
            raise ScanRefused("changed", CHANGED)
        digest = hashlib.sha256(data).hexdigest()
        grey = _decoder(data)(data)
    del data
    if grey.dtype.itemsize != (2 if stored.bits > 8 else 1):
        raise ScanRefused("corrupt", f"pixels of {stored.bits} bits were decoded to {grey.dtype.itemsize * 8}")
    darkest, brightest = int(grey.min()), int(grey.max())
    if darkest == brightest:
        raise ScanRefused("blank", f"every pixel has the brightness {darkest}")
    if stored.orientation in _TURNS:
        grey = _TURNS[stored.orientation](grey)
    frozen(grey)
    return Scan(
        scan=ref.scan,
        pixels=grey,
        white=_white(stored, brightest, grey),
        dpi=header.dpi,
        sha256=digest,
        notices=header.notices,
    )


def _header(ref: ScanRef, stored: Stored, settings: ScanSettings) -> ScanHeader:
    dpi, notices = believed(stored.stated, settings)
    width, height = stored.width, stored.height
    if stored.orientation >= 5:
        width, height = height, width
    if stored.orientation != 1:
        notices = ("turned", *notices)
    refusal = None
    millions = width * height / 1e6
    if millions > settings.most_megapixels:
        most = settings.most_megapixels
        refusal = ("too-large", f"{width} x {height} pixels are {millions:.0f} million; at most {most:g} million")
    elif min(width, height) < settings.least_pixels:
        refusal = ("too-small", f"{width} x {height} pixels; at least {settings.least_pixels} each way")
    return ScanHeader(
        scan=ref.scan,
        format=stored.format,
        width=width,
        height=height,
        bits=stored.bits,
        colours=stored.colours,
        orientation=stored.orientation,
        dpi=dpi,
        notices=notices,
        refusal=refusal,
    )


def _stored(stream: BinaryIO) -> Stored:
    stream.seek(0)
    head = stream.read(SIGNATURE_BYTES)
    if not head:
        raise ScanRefused("empty-file", "the file has no bytes")
    for signature, (read, _) in _FORMATS.items():
        if head.startswith(signature):
            stream.seek(0)
            return read(stream)
        if signature.startswith(head):
            raise ScanRefused("truncated", f"the file ends after {len(head)} bytes")
    raise ScanRefused("not-an-image", "the file begins like no TIFF, PNG or JPEG")


def _decoder(data: bytes) -> Callable[[bytes], Grey]:
    return next(decode for signature, (_, decode) in _FORMATS.items() if data.startswith(signature))


def _white(stored: Stored, brightest: int, grey: Grey) -> int:
    """Full brightness. Fewer bits than the file stores count only if the header says so and the pixels agree.

    (PNG asks writers to spread 12 bits over 16 even where it notes the 12.)
    """
    full = int(np.iinfo(grey.dtype).max)
    stated = (1 << stored.significant_bits) - 1
    return stated if 8 < stored.significant_bits < 16 and brightest <= stated else full


def _unchanged(ref: ScanRef) -> bool:
    try:
        now = ref.path.stat()
    except OSError:
        return False
    return (now.st_size, now.st_mtime_ns) == (ref.size, ref.mtime_ns)


@contextmanager
def _opened(path: Path) -> Iterator[BufferedReader]:
    try:
        with regular_files.opened(path) as stream:
            yield stream
    except OSError as error:
        raise ScanRefused("unreadable-file", f"the system says: {error.strerror}") from None


@contextmanager
def _undisturbed() -> Iterator[None]:
    """Reading by our own limits: no pixel limit, printed warning or log line of a library comes in between.

    Whatever they would warn of either is refused here or does not touch the pixels.
    """
    log, limit = logging.getLogger("tifffile"), Image.MAX_IMAGE_PIXELS
    disabled = log.disabled
    log.disabled, Image.MAX_IMAGE_PIXELS = True, None
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            yield
    finally:
        log.disabled, Image.MAX_IMAGE_PIXELS = disabled, limit
