"""A folder for readers: a sheet to fill in, unmarked pictures named by specimen, and the same to print.

Nothing in it shows what the machine made of the bones, nor which of them were drawn as a check.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from pipeline import regular_files
from pipeline.errors import RunError
from pipeline.pages.contact_sheet import Shown, contact_sheet
from pipeline.run import places
from pipeline.run.picture_names import picture_names
from pipeline.tables.atomic import write_bytes
from pipeline.tables.tables import Cell, Column, write_table
from pipeline.tables.workbook import Sheet, write_workbook

SHEET = (
    Column("order", "count"), Column("specimen"), Column("picture"), Column("reader"), Column("annuli"),
    Column("edge"), Column("readability"), Column("read_on"), Column("note"),
)  # fmt: skip
NAME, PICTURES, PRINT = "reading-sheet", "pictures", "contact-sheet.pdf"


@dataclass(frozen=True, slots=True, kw_only=True)
class Pack:
    """What a pack holds."""

    folder: Path
    bones: int
    without_picture: int

    def lines(self) -> tuple[str, ...]:
        """As printed."""
        missing = f", of these without a picture {self.without_picture}" if self.without_picture else ""
        return (f"reading pack for {self.bones} bones{missing}: {self.folder}",)


def check(folder: Path) -> None:
    """Raise RunError when the folder holds anything already."""
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise RunError(f"{folder}: is not an empty folder; give --pack another name: nothing is overwritten")


def write_pack(run: Path, folder: Path, queue: Sequence[str], bones: Mapping[str, tuple[str, int]]) -> Pack:
    """Write the pack of the specimens in `queue`; `bones` are scan and number of every specimen of the run."""
    (folder / PICTURES).mkdir(parents=True, exist_ok=True)
    names = picture_names(bones)
    shown: list[Shown] = []
    rows: list[tuple[Cell, ...]] = []
    for order, specimen in enumerate(queue, 1):
        jpeg = _picture(run, *bones[specimen])
        picture = f"{PICTURES}/{names[specimen]}.jpg" if jpeg is not None else ""
        if jpeg is not None:
            write_bytes(folder / picture, jpeg, replaceable=True)
        shown.append(Shown(order=order, specimen=specimen, jpeg=jpeg))
        rows.append((order, specimen, picture, "", "", "", "", "", ""))
    write_table(folder / f"{NAME}.csv", SHEET, rows)
    write_workbook(folder / f"{NAME}.xlsx", [Sheet(name="Readings", columns=SHEET, rows=rows)])
    write_bytes(folder / PRINT, contact_sheet(shown, f"Readings of {regular_files.real_path(run).name}"))
    return Pack(folder=folder, bones=len(queue), without_picture=sum(s.jpeg is None for s in shown))


def _picture(run: Path, scan: str, bone: int) -> bytes | None:
    try:
        return regular_files.read(places.crop(run, scan, bone))
    except OSError:  # a bone that the table promises and the scan does not show has none
        return None
