"""Which files are scans, what each is called in every table, and what was passed over."""

from __future__ import annotations

import errno
import os
import stat
import unicodedata
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from pipeline.errors import OpercleError
from pipeline.names import folded
from pipeline.records import Refusal, ScanRef
from pipeline.scans import run_mark

SUFFIXES = (".tif", ".tiff", ".png", ".jpg", ".jpeg")
OTHER_PICTURES = (
    ".bmp", ".cr2", ".dng", ".gif", ".heic", ".heif", ".jp2", ".nef", ".pdf", ".psd", ".raw", ".svg", ".webp", ".zip",
)  # fmt: skip
"""Kinds of files that may hold a scan somebody meant, and are not read."""
MOST_NAMED = 10
"""Of what was passed over, where nothing is left to read."""
_ODD_NAME = "the name holds characters that no table can hold"


@dataclass(frozen=True, slots=True, kw_only=True)
class PassedOver:
    """Something among the scans that was not looked into."""

    name: str
    """Path below the folder given, with `/`; what cannot be printed is spelt out."""
    why: str

    def __str__(self) -> str:
        return f"{self.name}: {self.why}"


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundScans:
    """Everything that lies in what the user gave: nothing is left out without standing here."""

    scans: tuple[ScanRef, ...]
    """To be read, sorted by name."""
    refused: tuple[tuple[ScanRef, Refusal], ...]
    """Named like scans, but cannot be opened under that name or are no files; sorted by name."""
    passed_over: tuple[PassedOver, ...]
    """Runs, and links that are not followed."""
    doubled: tuple[PassedOver, ...]
    """Second ways to a scan that is read."""


def find_scans(paths: Sequence[Path]) -> FoundScans:
    """The scans in folders (searched recursively) and files.

    A scan's name is its path below the folder that was given, with `/` and in Unicode form NFC; a file given by itself
    has its bare name. Hidden files and folders are not looked at; folders that hold a run.json, and links that lead out
    of the folder or nowhere, are passed over.

    Raises OpercleError when a path does not exist or holds no scan, and when two scans would share a name: their stems
    name specimens and pictures, so they must differ in more than folder, suffix, case or Unicode form.
    """
    found: dict[Path, ScanRef] = {}
    refused: dict[Path, tuple[ScanRef, Refusal]] = {}
    passed: list[PassedOver] = []
    doubled: list[PassedOver] = []
    for given in paths:
        before, passed_before = len(found) + len(refused) + len(doubled), len(passed)
        for entry in _scans_of(given):
            if isinstance(entry, PassedOver):
                passed.append(entry)
                continue
            path, name = entry
            ref, code, detail = _ref(path, name)
            real = path.absolute() if code else path.resolve()
            if code:
                refused.setdefault(real, (ref, Refusal(scan=ref.scan, stage="folder", code=code, detail=detail)))
            elif real not in found:
                found[real] = ref
            else:
                why = "given twice" if found[real].path == path else f"the same file as {found[real].scan}"
                doubled.append(PassedOver(name=ref.scan, why=f"{why}; read once"))
        if len(found) + len(refused) + len(doubled) == before:
            raise OpercleError(_nothing_in(given, passed[passed_before:]))
    scans = sorted(found.values(), key=lambda ref: ref.scan)
    bad = sorted(refused.values(), key=lambda pair: pair[0].scan)
    _check_names([*scans, *(ref for ref, _ in bad)])
    return FoundScans(
        scans=tuple(scans), refused=tuple(bad), passed_over=tuple(dict.fromkeys(passed)), doubled=tuple(doubled)
    )


def name_key(text: str) -> str:
    """A name without what file systems or people do not tell apart: case and Unicode form."""
    return folded(text)


def _scans_of(given: Path) -> Iterator[tuple[Path, str] | PassedOver]:
    if given.is_dir():
        yield from _below(given)
    elif not os.path.lexists(given):
        raise OpercleError(f"{given}: no such file or folder; check the path")
    elif not _is_scan_name(given.name):
        raise OpercleError(f"{given}: not named like a scan ({', '.join(SUFFIXES)}); give the folder, or only scans")
    else:
        yield given, given.name


def _below(folder: Path) -> Iterator[tuple[Path, str] | PassedOver]:
    """Scans of a folder and of those below it: (path, path below the folder). No call of its own for each depth, for
    folders may lie deeper than calls can."""
    root = folder.resolve()
    left = [folder]
    while left:
        here = left.pop()
        entries = sorted(_entries(here), key=lambda entry: (entry.is_symlink(), entry.name))
        names = {entry.name for entry in entries}
        if run_mark.NAME in names or (run_mark.LEDGER in names and run_mark.holds_ledger(here)):
            yield _passed_run(here, folder)
            continue
        for entry in entries:
            path = here / entry.name
            below = path.relative_to(folder).as_posix()
            if entry.name.startswith("."):
                continue
            if entry.is_dir(follow_symlinks=False):
                left.append(path)
            elif entry.is_symlink():
                yield from _linked(path, below, root)
            elif _is_scan_name(entry.name):
                yield path, below
            elif entry.name.lower().endswith(OTHER_PICTURES):
                yield PassedOver(
                    name=_shown(below),
                    why="left out, for it is no TIFF, PNG or JPEG; if it is a scan, save it as TIFF or PNG",
                )


def _linked(path: Path, below: str, root: Path) -> Iterator[tuple[Path, str] | PassedOver]:
    """What a link stands for: a scan of this folder under another name, or something that is not followed."""
    if path.is_dir():
        yield PassedOver(name=_shown(below), why="a link to a folder, not followed; give that folder too")
        return
    if not _is_scan_name(path.name):
        return
    try:
        real = path.resolve()
    except (OSError, RuntimeError):  # a circle: `_ref` refuses it
        yield path, below
        return
    if not real.is_relative_to(root):
        yield PassedOver(name=_shown(below), why="a link that leads out of the folder, not followed")
    elif real.exists() or _is_circle(path):
        yield path, below
    else:
        yield PassedOver(name=_shown(below), why="a link that leads nowhere; remove it, or restore the scan")


def _is_circle(path: Path) -> bool:
    try:
        path.stat()
    except OSError as error:
        return error.errno == errno.ELOOP
    return False


def _entries(folder: Path) -> list[os.DirEntry[str]]:
    try:
        with os.scandir(folder) as entries:
            return list(entries)
    except OSError as error:
        raise OpercleError(
            f"{folder}: the folder cannot be read ({error.strerror}); allow it, or move it away"
        ) from None


def _passed_run(here: Path, folder: Path) -> PassedOver:
    name = "the folder itself" if here == folder else _shown(here.relative_to(folder).as_posix())
    if run_mark.is_run(here):
        return PassedOver(name=name, why="a run of opercle, passed over")
    scans = sum(1 for _, _, files in os.walk(here) for file in files if _is_scan_name(file))
    held = f"{scans} {'scan' if scans == 1 else 'scans'}"
    return PassedOver(
        name=name,
        why=f"passed over with {held}, because it holds a {run_mark.NAME} (which is not of opercle); rename "
        "that file if the scans are meant",
    )


def _is_scan_name(name: str) -> bool:
    return name.lower().endswith(SUFFIXES)


def _ref(path: Path, name: str) -> tuple[ScanRef, str, str]:
    """The scan, and the code and detail of its refusal; both blank when it can be read as far as can be seen here."""
    scan = _shown(unicodedata.normalize("NFC", name))
    code, detail = ("", "") if name.isprintable() else ("odd-name", _ODD_NAME)
    size = mtime_ns = ctime_ns = inode = 0
    try:
        facts = path.stat()
    except OSError as error:
        code, detail = code or "unreadable-file", detail or f"the system says: {error.strerror}"
    else:
        size, mtime_ns, ctime_ns, inode = facts.st_size, facts.st_mtime_ns, facts.st_ctime_ns, facts.st_ino
        if not stat.S_ISREG(facts.st_mode):
            code, detail = code or "unreadable-file", detail or "it is no regular file"
    ref = ScanRef(scan=scan, path=path, size=size, mtime_ns=mtime_ns, ctime_ns=ctime_ns, inode=inode)
    return ref, code, detail


def _shown(name: str) -> str:
    """A name that every table and terminal can hold: control characters and bytes that are no text are spelt out."""
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode("ascii") for c in name)


def _nothing_in(given: Path, passed: Sequence[PassedOver]) -> str:
    if run_mark.is_run(given):
        return f"{given}: holds a run ({run_mark.NAME}), not scans; give the folder of scans"
    but = " but what is passed over" if passed else ""
    lines = [f"{given}: holds no scan ({', '.join(SUFFIXES)}){but}; check the path"]
    lines += [f"  {one}" for one in passed[:MOST_NAMED]]
    if len(passed) > MOST_NAMED:
        lines.append(f"  ... and {len(passed) - MOST_NAMED} more")
    return "\n".join(lines)


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
