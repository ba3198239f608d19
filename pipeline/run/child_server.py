"""The process that children are forked from, with all imported that reading and drawing need."""

from __future__ import annotations

from pipeline.batch.isolate import start_server

PRELOADED = ("pipeline.run.preloaded",)


def begin() -> None:
    """Start it unless it is there. It imports beside this process, so the earlier the better."""
    start_server(PRELOADED)
