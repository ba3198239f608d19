"""Which files are scans, and what each is called in every table."""

from __future__ import annotations

import os
import unicodedata
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path, PurePosixPath

from pipeline.errors import OpercleError
from pipeline.records import ScanRef

SUFFIXES = (".tif", ".tiff", ".png", ".jpg", ".jpeg")
RUN_MARK = "run.json"
"""A folder that holds this file is the output of an earlier run: its pictures are no scans."""

Say = Callable[[str], None]


def find_scans(paths: Sequence[Path], say: Say | None = None) -> tuple[ScanRef, ...]:
    """The scans in folders (searched recursively) and files, sorted by name.

    A scan's name is its path below the folder that was given, with `/` and in Unicode form NFC; a file given by itself
    has its bare name. Hidden files and folders, and folders that hold a run, are passed over; so are links that lead
    out of the folder or nowhere, and a second way to the same file: `say`, if given, gets a line about each.

    Raises OpercleError when a path does not exist or holds no scan, and when two scans would share a name: their stems
    name specimens and pictures, so they must differ in more than folder, suffix, case or Unicode form.
    """
    found: dict[Path, ScanRef] = {}
    for given in paths:
        count = 0
        for path, name in _scans_of(given, say):
            count += 1
            real = path.resolve()
            if real not in found:
                found[real] = _ref(path, name)
            elif say and found[real].path != path:
                say(f"{name}: the same file as {found[real].scan}; read once")
        if not count:
            raise OpercleError(_nothing_in(given))
    scans = sorted(found.values(), key=lambda ref: ref.scan)
    _check_names(scans)
    return tuple(scans)


def name_key(text: str) -> str:
    """A name without what file systems or people do not tell apart: case and Unicode form."""
    return unicodedata.normalize("NFC", unicodedata.normalize("NFC", text).casefold())


def _scans_of(given: Path, say: Say | None) -> Iterator[tuple[Path, str]]:
    if given.is_dir():
        yield from _below(given, say)
    elif not given.exists():
        raise OpercleError(f"{given}: no such file or folder; check the path")
    elif not _is_scan_name(given.name):
        raise OpercleError(f"{given}: not named like a scan ({', '.join(SUFFIXES)}); give the folder, or only scans")
    else:
        yield given, given.name


def _below(folder: Path, say: Say | None) -> Iterator[tuple[Path, str]]:
    root = folder.resolve()

    def refuse(error: OSError) -> None:
        raise OpercleError(f"{error.filename}: the folder cannot be read ({error.strerror}); allow it, or move it away")

    for place, folders, files in os.walk(folder, onerror=refuse):
        here = Path(place)
        if RUN_MARK in files:
            folders.clear()
            continue
        for name in sorted(folders):
            if (here / name).is_symlink() and say and not _hidden(name):
                say(f"{(here / name).relative_to(folder).as_posix()}: a link to a folder, not followed")
        folders[:] = sorted(name for name in folders if not _hidden(name) and not (here / name).is_symlink())
        for name in sorted(files, key=lambda name: ((here / name).is_symlink(), name)):
            path = here / name
            if _hidden(name) or not _is_scan_name(name):
                continue
            below = path.relative_to(folder).as_posix()
            if path.is_symlink() and not path.resolve().is_relative_to(root):
                if say:
                    say(f"{below}: a link that leads out of the folder, not followed")
            elif path.is_file():
                yield path, below
            elif path.is_symlink() and say:
                say(f"{below}: a link that leads nowhere")


def _hidden(name: str) -> bool:
    return name.startswith(".")


def _is_scan_name(name: str) -> bool:
    return name.lower().endswith(SUFFIXES)


def _ref(path: Path, name: str) -> ScanRef:
    if not name.isprintable():  # control characters, and bytes that are no text
        raise OpercleError(f"{name!a}: the name holds characters that cannot be written in a table; rename the file")
    try:
        facts = path.stat()
    except OSError as error:
        raise OpercleError(f"{path}: cannot be read ({error.strerror}); check the file") from None
    scan = unicodedata.normalize("NFC", name)
    return ScanRef(scan=scan, path=path, size=facts.st_size, mtime_ns=facts.st_mtime_ns)


def _nothing_in(given: Path) -> str:
    if (given / RUN_MARK).is_file():
        return f"{given}: holds a run ({RUN_MARK}), not scans; give the folder of scans"
    return f"{given}: holds no scan ({', '.join(SUFFIXES)}); check the path"


def _check_names(scans: Sequence[ScanRef]) -> None:
    seen: dict[str, ScanRef] = {}
    clashes = []
    for ref in scans:
        first = seen.setdefault(name_key(PurePosixPath(ref.scan).stem), ref)
        if first is not ref:
            clashes.append(f"{first.path} and {ref.path}: {_how(first.scan, ref.scan)}; rename one of them")
    if clashes:
        raise OpercleError("\n".join(clashes))


def _how(a: str, b: str) -> str:
    a, b = PurePosixPath(a).name, PurePosixPath(b).name
    if a == b:
        return "two scans of one name, and specimens and pictures are named by it"
    if PurePosixPath(a).stem == PurePosixPath(b).stem:
        return "the names differ only in their suffix, and specimens and pictures are named without it"
    return "the names differ only in case"
