"""Kinds of values that settings have, and what all groups of settings have in common."""

from __future__ import annotations

import re
from datetime import date
from typing import Annotated

from pydantic import AfterValidator, BaseModel, ConfigDict, Field

Fraction = Annotated[float, Field(ge=0, le=1)]
Positive = Annotated[float, Field(gt=0)]
NotNegative = Annotated[float, Field(ge=0)]
Count = Annotated[int, Field(ge=0)]


def _day_of_year(text: str) -> str:
    try:
        date(2001, int(text[:2]), int(text[3:]))
        if re.fullmatch(r"\d\d-\d\d", text):
            return text
    except ValueError:
        pass
    raise ValueError(f'"{text}" is no day of the year; write MM-DD, as "04-15"')


MonthDay = Annotated[str, AfterValidator(_day_of_year)]


class Section(BaseModel):
    """A group of keys. Unknown keys are refused; nothing can be changed after reading."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class Logit(Section):
    """Weights of a logit over standardised features, their squares and products; fitted by `learn/`."""

    centre: tuple[float, ...]
    scale: tuple[float, ...]
    weights: tuple[float, ...]
    constant: float = 0.0
    """Added to the score; a choice among candidates needs none."""
    reach: Positive
    """Standardised features are cut at this, so that an odd bone cannot run away along a square."""


class Choice(Section):
    """Weights of a choice among candidates: a conditional logit, linear in standardised features; fitted."""

    centre: tuple[float, ...]
    scale: tuple[float, ...]
    weights: tuple[float, ...]
    reach: Positive
    """Standardised features are cut at this, so that no odd one decides alone."""
