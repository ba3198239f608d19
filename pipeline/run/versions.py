"""Which code and which libraries a result was made with."""

from __future__ import annotations

import hashlib
import platform
from functools import cache
from importlib.metadata import version
from pathlib import Path

_LIBRARIES = ("imagecodecs", "numpy", "opencv-python", "pillow", "scikit-image", "scipy", "simplejpeg", "tifffile")


_SHARED = ("records.py", "names.py")
_PACKAGE = Path(__file__).resolve().parent.parent


@cache
def first_pass(package: Path = _PACKAGE) -> str:
    """Of all code that reads a scan: another one means that scans must be read again."""
    return _digest(package, "bone/*.py", "scans/*.py", *_SHARED, "run/first_pass.py", "run/record_text.py")


@cache
def second_pass(package: Path = _PACKAGE) -> str:
    """Of all code that turns readings into ages; it takes from bone/ what evidence is called and how it is weighed."""
    rooms = "counting/*.py", "together/*.py", "bone/*.py"
    return _digest(package, *rooms, *_SHARED, "codes.py", "run/placing.py", "run/record_text.py")


@cache
def pictures(package: Path = _PACKAGE) -> str:
    """Of all code that draws overlays and tray sheets."""
    return _digest(package, "pictures/*.py", *_SHARED, "codes.py", "run/drawing.py")


def program() -> str:
    """Name and version."""
    return f"opercle {version('opercle')}"


def of_everything() -> dict[str, str]:
    """Name to version of the program, its libraries, Python and the kind of system and processor."""
    import cv2  # here, because few who ask for another version need it

    named = {"opercle": version("opercle"), "first_pass": first_pass(), "second_pass": second_pass()}
    named |= {library: version(library) for library in _LIBRARIES}
    # Processors of one family with other instructions round differently.
    processor = f"{platform.machine()} {cv2.getCPUFeaturesLine()}".strip()
    return named | {"python": platform.python_version(), "system": platform.system(), "processor": processor}


def of_cluster() -> dict[str, str]:
    """The same, with all code of the program and what the machines of a cluster talk to each other by."""
    return of_everything() | {"code": _digest(_PACKAGE, "**/*.py"), "distributed": version("distributed")}


def _digest(package: Path, *patterns: str) -> str:
    digest = hashlib.sha256()
    for file in sorted(f for pattern in patterns for f in package.glob(pattern)):
        digest.update(file.read_bytes())
    return f"{version('opercle')}-{digest.hexdigest()[:16]}"
