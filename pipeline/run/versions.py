"""Which code and which libraries a result was made with."""

from __future__ import annotations

import hashlib
import platform
from functools import cache
from importlib.metadata import version
from pathlib import Path

_LIBRARIES = ("imagecodecs", "numpy", "opencv-python", "pillow", "scikit-image", "scipy", "tifffile")


@cache
def first_pass() -> str:
    """Of all code that reads a scan: another one means that scans must be read again."""
    return _digest("bone/*.py", "scans/*.py", "records.py", "run/first_pass.py")


@cache
def second_pass() -> str:
    """Of all code that turns readings into ages."""
    return _digest("counting/*.py", "together/*.py", "records.py", "codes.py", "run/placing.py")


@cache
def pictures() -> str:
    """Of all code that draws overlays and tray sheets."""
    return _digest("pictures/*.py", "records.py", "codes.py", "run/drawing.py")


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
    return of_everything() | {"code": _digest("**/*.py"), "distributed": version("distributed")}


def _digest(*patterns: str) -> str:
    package = Path(__file__).resolve().parent.parent
    digest = hashlib.sha256()
    for file in sorted(f for pattern in patterns for f in package.glob(pattern)):
        digest.update(file.read_bytes())
    return f"{version('opercle')}-{digest.hexdigest()[:16]}"
