"""The numbers that a study is asked for on the command line."""

from __future__ import annotations

import argparse
from typing import Any


def numbers(doc: str, **usual: float) -> dict[str, Any]:
    """As given, each of the kind of its usual value, by name; `doc` is the help."""
    options = argparse.ArgumentParser(description=doc, formatter_class=argparse.RawDescriptionHelpFormatter)
    for name, value in usual.items():
        options.add_argument(f"--{name.replace('_', '-')}", type=type(value), default=value, help=f"(usual: {value})")
    return vars(options.parse_args())
