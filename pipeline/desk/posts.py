"""What the page may post, checked field by field: anything else is refused with a line that says why."""

from __future__ import annotations

import unicodedata
from typing import Annotated, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, model_validator

from pipeline.names import folded
from pipeline.records import MACHINE

MOST_ANNULI = 99
MOST_SECONDS = 86_400.0
"""A day: nobody looks at one bone for longer."""
MOST_PIXELS = 200_000.0
"""Of a scan's side: beyond, a position is no position."""


def checked_name(name: str) -> str:
    """A reader's name as it stands in the tables. Raises ValueError with the cure."""
    name = " ".join(unicodedata.normalize("NFC", name).split())
    if not 1 <= len(name) <= 60:
        raise ValueError("give a name of 1 to 60 letters")
    if any(unicodedata.category(c).startswith("C") for c in name) or name[0] in "=+-@" or ";" in name:
        raise ValueError("give a name of letters and digits")
    if folded(name) == MACHINE:
        raise ValueError(f"{MACHINE} stands for the program; give your own name")
    return name


Name = Annotated[str, AfterValidator(checked_name)]
Key = Annotated[str, Field(pattern=r"^[0-9a-zA-Z-]{16,64}$")]
Pixel = Annotated[float, Field(ge=-0.5, le=MOST_PIXELS, allow_inf_nan=False)]
Mark = Annotated[int, Field(ge=1, le=10_000)]


class Post(BaseModel):
    """What all posts share."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)

    key: Key
    """Made by the page: the same post again is kept once."""
    reader: Name
    specimen: Annotated[str, Field(min_length=1, max_length=100)]
    sign: Annotated[str, Field(max_length=64)]
    """Of the scan that the page shows: an answer about another picture is refused."""


class MarkPost(Post):
    """A mark placed, moved or removed."""

    act: Literal["place", "move", "remove"]
    mark: Mark
    x: Pixel | None = None
    y: Pixel | None = None

    @model_validator(mode="after")
    def _has_a_place(self) -> MarkPost:
        if (self.act == "remove") != (self.x is None) or (self.x is None) != (self.y is None):
            raise ValueError("a mark placed or moved has x and y, a mark removed has none")
        return self


class AnswerPost(Post):
    """A reader's answer for one bone."""

    annuli: Annotated[int, Field(ge=0, le=MOST_ANNULI)] | None
    """None: cannot be aged."""
    edge: Literal["", "translucent", "narrow", "medium", "wide"] = ""
    readability: Literal["", "clear", "fair", "poor"] = ""
    note: Annotated[str, Field(max_length=1000)] = ""
    seconds: Annotated[float, Field(ge=0, le=MOST_SECONDS, allow_inf_nan=False)] | None = None
    together_with: Name | None = None
    """The other reader of a joint look; the answer then settles the bone."""

    @model_validator(mode="after")
    def _note_is_text(self) -> AnswerPost:
        if any(unicodedata.category(c) == "Cc" and c not in "\n\t" for c in self.note):
            raise ValueError("the note holds a control character")
        if self.together_with is not None and self.together_with.casefold() == self.reader.casefold():
            raise ValueError("two different readers look together")
        return self


class AxisPost(Post):
    """Focus and far margin, corrected."""

    focus: tuple[Pixel, Pixel]
    tip: tuple[Pixel, Pixel]


class ReadAgainPost(Post):
    """Ask the machine to read one corrected bone again."""
