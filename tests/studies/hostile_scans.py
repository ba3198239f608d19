"""Does anything in a folder of hostile files crash the batch, or make it touch what is not its own?

    python -m tests.studies.hostile_scans [--files 1000] [--seed 1]

Files are made from a drawn bone: each format with its header, its body or its length spoiled, strange sizes, channels
and depths, strange names, links, circles of links, pipes and folders. The output lies inside the folder of scans;
meanwhile some files vanish and some change. Asked of the whole command: exit status 0, no traceback, registered reasons
only, the right reason where only one is right, no scan lost, nothing written outside the output, no input
touched. Prints how many were tried, read and refused with which reason; exit status 1 when any of it does not hold. A
minute on two cores.
"""

from __future__ import annotations

import hashlib
import io
import os
import re
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from itertools import islice
from pathlib import Path

import numpy as np
import tifffile
from PIL import Image

from pipeline.codes import REFUSALS
from pipeline.commands.simulate import simulate
from pipeline.simulate.variety import Variety
from pipeline.tables.tables import read_table
from tests.studies.account import Account
from tests.studies.asked import numbers

NAMES = (
    *("-leading dash", "--out", "equals=sign", "two  spaces ", "дъска", "魚の骨", "e\u0301 decomposed", "a" * 200),
    *("CON", "nul", "aux.old", "quote'\"s", "semi;colon", "percent%20", "dollar $HOME", "star *", "[brackets]"),
    *("@at", "comma, comma", "#hash", "back\\slash", "CASE", "dots...", ".hidden", "ends with dot."),
)
ODD = ("new\nline", "tab\there", "\u202eright to left", "no-break\u00a0space", "bell\u0007")
"""Names that refuse their scan alone."""
TOLD_AT_ONCE = (("case", "CASE"), ("e\u0301", "\u00e9"))
"""Names that stop the batch before its start, while somebody is there to rename the files."""
VANISH, CHANGE = 10, 10
"""Files deleted, and files overwritten, while the batch is at work."""


def whole_files(grey: np.ndarray) -> dict[str, bytes]:
    """Sound files by suffix, and sound ones of kinds that a scanner does not write."""
    picture, wide = Image.fromarray(grey), grey.astype(np.uint16) * 257

    def saved(image: Image.Image, kind: str, **more: str) -> bytes:
        stream = io.BytesIO()
        image.save(stream, kind, **more)
        return stream.getvalue()

    def tiff(pixels: np.ndarray, **more: object) -> bytes:
        stream = io.BytesIO()
        tifffile.imwrite(stream, pixels, **more)
        return stream.getvalue()

    return {
        "png": saved(picture, "PNG"),
        "jpg": saved(picture, "JPEG"),
        "tif": tiff(grey),
        "zlib.tif": tiff(grey, compression="zlib"),
        "lzw.tif": saved(picture, "TIFF", compression="tiff_lzw"),
        "bmp.png": saved(picture, "BMP"),
        "rgb.png": saved(picture.convert("RGB"), "PNG"),
        "rgba.png": saved(picture.convert("RGBA"), "PNG"),
        "la.png": saved(picture.convert("LA"), "PNG"),
        "palette.png": saved(picture.convert("P"), "PNG"),
        "bits.png": saved(picture.convert("1"), "PNG"),
        "cmyk.jpg": saved(picture.convert("CMYK"), "JPEG"),
        "wide.tif": tiff(wide),
        "deep.png": saved(Image.fromarray(wide), "PNG"),
        "float.tif": tiff(grey.astype(np.float32)),
        "signed.tif": tiff(grey.astype(np.int16)),
        "integers.tif": tiff(grey.astype(np.uint32)),
        "pages.tif": tiff(np.stack([grey, grey]), photometric="minisblack"),
        "five channels.tif": tiff(np.stack([grey] * 5, axis=-1), photometric="minisblack", planarconfig="contig"),
        "gif.png": saved(picture, "GIF"),
    }


def spoiled(random: np.random.Generator, content: bytes) -> bytes:
    """The file with its header, its body or its length changed."""
    data = bytearray(content)
    way = int(random.integers(6))
    if way == 0:  # header
        for at in random.integers(0, min(64, len(data)), int(random.integers(1, 6))):
            data[at] = int(random.integers(256))
    elif way == 1:  # anywhere
        for at in random.integers(0, len(data), int(random.integers(1, 40))):
            data[at] ^= 1 << int(random.integers(8))
    elif way == 2:
        del data[int(random.integers(len(data))) :]
    elif way == 3:  # a hole
        start = int(random.integers(len(data)))
        data[start : start + int(random.integers(1, 4000))] = b""
    elif way == 4:
        start = int(random.integers(len(data)))
        stop = min(start + int(random.integers(1, 4000)), len(data))
        data[start:stop] = bytes(stop - start)
    else:
        data += random.bytes(int(random.integers(1, 3000)))
    return bytes(data)


def corpus(random: np.random.Generator, grey: np.ndarray) -> Iterator[tuple[str, bytes]]:
    """Names and contents without end: every whole file, strange sizes and names, then ever more spoiled ones."""
    files = whole_files(grey)
    for number, (suffix, content) in enumerate(files.items()):
        yield f"whole {number}.{suffix}", content
    for width, height in ((1, 1), (1, 4000), (4000, 1), (16, 16), (30000, 40)):
        stream = io.BytesIO()
        Image.fromarray(random.integers(0, 256, (height, width), dtype=np.uint8)).save(stream, "PNG")
        yield f"size {width} by {height}.png", stream.getvalue()
    for name in NAMES:
        yield f"{name}.png", files["png"]
    yield from ((f"{name}.png", files["png"]) for name in ODD)
    yield from ((f"nothing {s}.{s}", b"") for s in ("png", "jpg", "tif"))
    number = 0
    while True:
        for suffix, content in files.items():
            number += 1
            yield f"spoiled {number}.{suffix}", spoiled(random, content)


def digests(folder: Path, left_out: Path) -> dict[str, str]:
    """Of all files below the folder but those of the output."""
    return {
        p.relative_to(folder).as_posix(): hashlib.sha256(p.read_bytes()).hexdigest()
        for p in folder.rglob("*")
        if p.is_file() and left_out not in p.parents
    }


def account(files: int, seed: int) -> Account:
    """Of a folder of so many files, and of those beside it that need no spoiling."""
    random = np.random.default_rng(seed)
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        simulate(folder / "drawn", 1, seed, Variety(makes=["layered"], dpis=(300,), tray_share=0.0, levels=("clean",)))
        with Image.open(next((folder / "drawn" / "scans").iterdir())) as drawn:
            grey = np.asarray(drawn.convert("L"))
        scans = folder / "scans"
        (scans / "folder.png").mkdir(parents=True)
        names = []
        for name, content in islice(corpus(random, grey), files):
            (scans / name).write_bytes(content)
            names.append(name)
        (scans / "link.png").symlink_to(folder / "drawn" / "specimens.csv")
        (scans / "around").symlink_to(scans)
        (scans / "circle 1.png").symlink_to(scans / "circle 2.png")
        (scans / "circle 2.png").symlink_to(scans / "circle 1.png")
        os.mkfifo(scans / "pipe.png")
        out = scans / "run"
        restless = [scans / n for n in names[-VANISH - CHANGE :]]
        before = digests(folder, out)
        status, said = disturbed(scans, out, restless)
        own = {p.relative_to(folder).as_posix() for p in restless}
        after = digests(folder, out)
        touched = [n for n in before.keys() | after.keys() if n not in own and before.get(n) != after.get(n)]
        account = of_run(status, said, out)
        account.wrong += [f"changed: {name}" for name in touched]
        refused = refusals(out)
        wanted = {f"{name.encode('unicode_escape').decode()}.png": "odd-name" for name in ODD}
        wanted |= dict.fromkeys(("circle 1.png", "circle 2.png", "pipe.png"), "unreadable-file")
        wanted |= {f"nothing {s}.{s}": "empty-file" for s in ("png", "jpg", "tif")}
        account.wrong += [
            f"{n!a}: {refused.get(n)} instead of {why}" for n, why in wanted.items() if refused.get(n) != why
        ]
        account.wrong += [fault for names in TOLD_AT_ONCE for fault in untold(folder / "named", names)]
    return account


def disturbed(scans: Path, out: Path, restless: list[Path]) -> tuple[int, str]:
    """Exit status and all that is printed, while some files vanish and some change."""
    batch = subprocess.Popen(
        [sys.executable, "-m", "pipeline.start", "age", str(scans), "--out", str(out)],
        stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
    )  # fmt: skip
    time.sleep(3 if restless else 0)
    for path in restless[:VANISH]:
        path.unlink()
    for path in restless[VANISH:]:
        path.write_bytes(b"other bytes")
    said, _ = batch.communicate()
    return batch.returncode, said


def untold(folder: Path, names: Sequence[str]) -> list[str]:
    """What is wrong when scans of these names do not stop the batch with a line before anything is written."""
    scans, out = folder / names[0] / "scans", folder / names[0] / "run"
    scans.mkdir(parents=True)
    for name in names:
        (scans / f"{name}.png").write_bytes(b"")
    status, said = disturbed(scans, out, [])
    right = status == 1 and len(said.strip().splitlines()) == 1 and not out.exists()
    return [] if right else [f"{names!a}: exit status {status}: {said}"]


def refusals(out: Path) -> dict[str, str]:
    """Scan to reason."""
    return {row["scan"]: row["reason"] for row in read_table(out / "refused.csv", ("scan", "reason"))}


def of_run(status: int, said: str, out: Path) -> Account:
    """What the batch made of its scans, and what does not hold of it."""
    if status or "Traceback" in said:
        return Account(tried=1, wrong=[f"exit status {status}: {said}"])
    refused = Counter(refusals(out).values())
    counted = re.search(r"scans (\d+) = read (\d+) \+ refused (\d+)", said)
    scans, read, many = map(int, counted.groups()) if counted else (0, 0, 0)
    wrong = [f"not registered: {reason}" for reason in refused.keys() - REFUSALS.keys()]
    if not scans or scans != read + many or many != refused.total():
        wrong.append(f"accounts do not balance: {said}")
    return Account(tried=scans, taken=read, refused=refused, wrong=wrong)


if __name__ == "__main__":
    sys.exit(account(**numbers(__doc__, files=1000, seed=1)).printed())
