"""Unmarked pictures of bones to print, six to a page, with lines to write the answers on."""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass

import matplotlib as mpl
import numpy as np
from matplotlib.backends.backend_pdf import PdfPages
from matplotlib.figure import Figure
from PIL import Image

from pipeline.pages.plot_style import STYLE

A4_INCHES = (8.27, 11.69)
COLUMNS, ROWS = 2, 3
_MOST_PX = 1100
"""Longer side of a picture on paper: 3.6 inches at 300 dots an inch."""
_QUESTIONS = ("annuli ______", "edge ____________", "readability __________")
_ID_CHARACTERS = 40
"""Of a line with an id; longer ones take several smaller lines."""
_EXPLAINED = "edge: translucent, narrow, medium or wide. Leave annuli blank if the bone cannot be aged, and say why."


@dataclass(frozen=True, slots=True, kw_only=True)
class Shown:
    """One bone of the sheet."""

    order: int
    specimen: str
    jpeg: bytes | None
    """The unmarked picture; None when there is none."""


def contact_sheet(bones: Sequence[Shown], title: str) -> bytes:
    """The PDF, A4."""
    content = io.BytesIO()
    each = COLUMNS * ROWS
    pages = [bones[n : n + each] for n in range(0, len(bones), each)] or [[]]
    with mpl.rc_context(STYLE | {"font.size": 9}), PdfPages(content, metadata={"CreationDate": None}) as pdf:
        for number, page in enumerate(pages, 1):
            pdf.savefig(_page(page, f"{title} · page {number} of {len(pages)}"))
    return content.getvalue()


def _page(bones: Sequence[Shown], head: str) -> Figure:
    figure = Figure(figsize=A4_INCHES)
    figure.text(0.06, 0.966, head, va="top", weight="bold", parse_math=False)
    figure.text(0.06, 0.948, "Reader ____________________    Date ____________", va="top")
    figure.text(0.06, 0.022, _EXPLAINED, va="bottom", size=8)
    width, height = 0.44, 0.295
    for place, bone in enumerate(bones):
        left = 0.06 + (place % COLUMNS) * (width + 0.01)
        bottom = 0.92 - (place // COLUMNS + 1) * height
        axes = figure.add_axes((left, bottom + 0.045, width - 0.01, height - 0.07))
        axes.set_axis_off()
        if bone.jpeg is None:
            axes.text(0.5, 0.5, "no picture: read the bone itself", ha="center", va="center")
        else:
            axes.imshow(_grey(bone.jpeg), cmap="gray", vmin=0, vmax=255, interpolation="none")
        short = len(bone.specimen) <= _ID_CHARACTERS
        name = f"{bone.order}   {bone.specimen}" if short else f"{bone.order}   {_in_lines(bone.specimen)}"
        size = 9 if short else 6
        figure.text(left, bottom + height - 0.006, name, va="top", weight="bold", size=size, parse_math=False)
        figure.text(left, bottom + 0.036, "   ".join(_QUESTIONS), va="top", size=8)
    return figure


def _in_lines(text: str) -> str:
    return "\n".join(text[n : n + _ID_CHARACTERS] for n in range(0, len(text), _ID_CHARACTERS))


def _grey(jpeg: bytes) -> np.ndarray[tuple[int, ...], np.dtype[np.uint8]]:
    with Image.open(io.BytesIO(jpeg)) as picture:
        picture.thumbnail((_MOST_PX, _MOST_PX))
        return np.asarray(picture.convert("L"))
