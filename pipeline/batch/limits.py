"""What one piece of work may take, and how it ends when it gives no answer."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """What one piece of work may take."""

    cpu_seconds: int
    wall_seconds: float
    """Without the time the machine slept."""
    memory_megabytes: int
    """On top of the program itself."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """How a piece of work ended without an answer."""

    code: str
    """`deadline`, `memory`, `crashed` or `failed`, as in `codes.REFUSALS`."""
    detail: str
    """Without times, process numbers or absolute paths: the same fault always reads the same."""
    trace: str = ""
    """Where in the program it ended, for the log only."""
