"""Fitted settings -> the text of configs/fitted.toml."""

from __future__ import annotations

from collections.abc import Sequence

from pipeline.settings.values import Choice, Logit
from pipeline.settings.whole import Settings


def as_toml(settings: Settings, made: Sequence[str]) -> str:
    """The whole file. `made` says how, line by line."""
    evidence, familiar = settings.evidence, settings.familiar
    trees = evidence.trees
    parts = [
        "# Fitted numbers, never written by hand: `python -m pipeline.learn` writes this file. See DEVELOPERS.md.\n"
        + "".join(f"# {line}\n" for line in made),
        _choice("focus.shortlist", settings.focus.shortlist),
        _choice("focus.choice", settings.focus.choice),
        _table(
            "evidence",
            centre=_row(evidence.centre),
            scale=_row(evidence.scale),
            reach=_number(evidence.reach),
            weights=_row(evidence.weights),
        ),
        _table(
            "evidence.trees",
            constant=_number(trees.constant),
            feature=_row(trees.feature),
            number=_row(trees.number),
            left=_row(trees.left),
            roots=_row(trees.roots),
        ),
        _table("count.weights", **{name: _number(w) for name, w in settings.count.weights.items()}),
        _logit("confidence", settings.confidence),
        _logit("first_year", settings.first_year),
        _logit("last_year", settings.last_year),
        _table(
            "familiar",
            centre=_row(familiar.centre),
            scale=_row(familiar.scale),
            reach=_number(familiar.reach),
            whitening=_row(familiar.whitening),
            unfamiliar_above=_number(familiar.unfamiliar_above),
        ),
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
    """Five digits, far finer than the numbers are known; whole numbers in full."""
    return str(value) if isinstance(value, int) else f"{value:.5g}"
