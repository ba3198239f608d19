"""Fitted settings -> the text of configs/fitted.toml."""

from __future__ import annotations

from collections.abc import Sequence

from pipeline.settings import Settings
from pipeline.settings_values import Choice, Logit


def as_toml(settings: Settings, made: str) -> str:
    """The whole file. `made` says how, in one line."""
    evidence = settings.evidence
    parts = [
        f"# Fitted numbers, never written by hand: `python -m tests.accuracy.fit`. See DEVELOPERS.md.\n# {made}\n",
        _choice("focus.shortlist", settings.focus.shortlist),
        _choice("focus.choice", settings.focus.choice),
        _table(
            "evidence",
            centre=_row(evidence.centre),
            scale=_row(evidence.scale),
            reach=_number(evidence.reach),
            weights=_row(evidence.weights),
        ),
        _table("count.weights", **{name: _number(w) for name, w in settings.count.weights.items()}),
        _table("confidence.weights", **{name: _number(w) for name, w in settings.confidence.weights.items()}),
        _logit("first_year", settings.first_year),
    ]
    return "\n".join(parts)


def _logit(name: str, logit: Logit) -> str:
    values = {"centre": _row(logit.centre), "scale": _row(logit.scale), "weights": _row(logit.weights)}
    if logit.constant:
        values["constant"] = _number(logit.constant)
    return _table(name, **values, reach=_number(logit.reach))


def _choice(name: str, choice: Choice) -> str:
    return _table(
        name,
        centre=_row(choice.centre),
        scale=_row(choice.scale),
        weights=_row(choice.weights),
        reach=_number(choice.reach),
    )


def _table(name: str, **values: str) -> str:
    return "\n".join([f"[{name}]", *(f"{key} = {value}" for key, value in values.items()), ""])


def _row(values: Sequence[float]) -> str:
    return "[" + ", ".join(_number(v) for v in values) + "]"


def _number(value: float) -> str:
    """Five digits: far finer than the numbers are known."""
    return f"{value:.5g}"
