"""A folder of results that stands by itself: what this program wrote there it knows by a list beside the files.

Only files on that list are written over or removed; a folder that holds other files and no such list is left alone.
"""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from pathlib import Path, PurePosixPath

from pipeline import regular_files
from pipeline.errors import OpercleError
from pipeline.tables.atomic import is_part, write_bytes

LIST = "written.json"
_MADE_BY = "opercle"


def check(folder: Path, what: str) -> frozenset[str]:
    """The files that earlier calls wrote there. `what` names what the folder holds: `audit`, `growth`.

    Raises OpercleError when it is no folder, a link, or holds files but none of these results.
    """
    if not os.path.lexists(folder):
        return frozenset()
    if folder.is_symlink():
        raise OpercleError(f"{folder}: is a link; give --out the folder itself")
    if not folder.is_dir():
        raise OpercleError(f"{folder}: is not a folder; give --out the name of a new or empty folder")
    ours = _listed(folder, what)
    try:
        others = any(not is_part(path.name) for path in folder.iterdir())
    except OSError as e:
        raise OpercleError(f"{folder}: cannot be opened ({e.strerror}); check its rights") from None
    if ours is None and others:
        raise OpercleError(f"{folder}: holds files but no {what}; give --out the name of a new or empty folder")
    return ours or frozenset()


def write(folder: Path, what: str, contents: Mapping[str, str | bytes]) -> None:
    """Write files (by name below the folder, with `/`) over those of earlier calls, and remove what is no longer among
    them.

    Raises OpercleError when a file lies there that no earlier call wrote, or nothing can be written.
    """
    ours = check(folder, what)
    strange = [name for name in contents if name not in ours and os.path.lexists(folder / name)]
    if strange:
        raise OpercleError(
            f"{folder / strange[0]}: lies where a result belongs, and opercle did not write it; move it away, or give "
            "--out another folder"
        )
    try:
        folder.mkdir(parents=True, exist_ok=True)
        _list(folder, what, {*ours, *contents})  # first: what a killed call leaves is known, too
        for name in ours - contents.keys():
            (folder / name).unlink(missing_ok=True)
        for name, content in contents.items():
            (folder / name).parent.mkdir(parents=True, exist_ok=True)
            write_bytes(folder / name, content.encode("utf-8") if isinstance(content, str) else content)
        _list(folder, what, set(contents))
    except OSError as e:
        raise OpercleError(
            f"{e.filename or folder}: cannot be written: {e.strerror}; check the folder's rights"
        ) from None


def _list(folder: Path, what: str, names: set[str]) -> None:
    content = {"made_by": _MADE_BY, "what": what, "files": sorted(names)}
    write_bytes(folder / LIST, (json.dumps(content, indent=1, ensure_ascii=False) + "\n").encode())


def _listed(folder: Path, what: str) -> frozenset[str] | None:
    """The files on the folder's list; None when it has no list of ours."""
    try:
        content = json.loads(regular_files.read(folder / LIST))
        if content["made_by"] != _MADE_BY or content["what"] != what:
            return None
        names = [PurePosixPath(name) for name in content["files"]]
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        return None
    # A list that was edited must not lead out of the folder.
    return frozenset(str(name) for name in names if not name.is_absolute() and ".." not in name.parts)
