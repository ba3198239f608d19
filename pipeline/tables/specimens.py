"""The specimens table: which bone lies where on which scan, and what is known of its fish. Checked row by row."""

from __future__ import annotations

import statistics
import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path, PurePosixPath

from pipeline.records import Captured, Point, ScanRef, Specimen
from pipeline.scans.scan_folder import name_key
from pipeline.settings.whole import Settings
from pipeline.tables.cells import RowCells
from pipeline.tables.dates import dates
from pipeline.tables.faults import Faults
from pipeline.tables.given_table import read_given_table, table_path
from pipeline.tables.specimen_remarks import remark_on_fish, remark_on_species, remark_on_spellings
from pipeline.tables.spellings import first_spellings, names_of_species, with_one_spelling


def _meanings(words: dict[str, str]) -> dict[str, str]:
    return {word: meaning for meaning, written in words.items() for word in written.split()}


REQUIRED = ("specimen", "scan")
OPTIONAL = (
    "bone", "fish", "species", "water", "captured", "length_mm", "weight_g", "sex", "maturity", "side", "lighting",
    "dpi", "focus_x", "focus_y", "axis_x", "axis_y",
)  # fmt: skip
SEX_WORDS = _meanings({"F": "f female fem", "M": "m male", "U": "u unknown undetermined unk ?"})
MATURITY_WORDS = _meanings(
    {"immature": "immature imm juvenile", "mature": "mature mat adult", "unknown": "unknown unk u undetermined ?"}
)
SIDE_WORDS = _meanings({"L": "l left", "R": "r right"})
LIGHTING_WORDS = _meanings({"reflected": "reflected", "transmitted": "transmitted"})
"""What people write, in any case, and what it means: the usual words and short forms (common practice, no source)."""

LENGTH_MM = (20.0, 1500.0)
"""No percid's opercle can be scanned below; none grows longer."""
LEAST_MEDIAN_MM = 60.0
"""A table whose middle fish is shorter holds inches or centimetres: bones of such small fish are not scanned."""
WEIGHT_G = (0.05, 25_000.0)
CONDITION = (0.1, 10.0)
"""Condition factor 100 000 g / mm^3. Fish have about 0.7 to 2; ten times less or more is another unit (from memory)."""
DPI = (100.0, 9600.0)
"""Pixels an inch: what flatbed scanners have."""
MOST_BONES = 999
_UNKNOWN = 0
MOST_PIXELS = 1e6
"""Largest coordinate on a scan."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AbsentRow:
    """A row whose scan is not among those given: it gets no row in ages.csv."""

    file: str
    row: int
    specimen: str
    scan: str
    near: str
    """A scan that may be meant; blank when none is near."""

    def __str__(self) -> str:
        cure = f"did you mean {self.near}?" if self.near else "it gets no row in ages.csv"
        found = f"the scan {self.scan} of specimen {self.specimen} is not among the scans"
        return f"{self.file}, row {self.row}: {found}; {cure}"


@dataclass(frozen=True, slots=True, kw_only=True)
class SpecimensTable:
    """The specimens table, checked."""

    rows: tuple[Specimen, ...]
    """Those whose scan was found, in the table's order."""
    extra_columns: tuple[str, ...]
    """Names of the columns beyond the fixed ones, as written, in the table's order."""
    absent: tuple[AbsentRow, ...]
    row_numbers: Mapping[str, int]
    """Row of every specimen, as a spreadsheet shows it."""
    remarks: tuple[str, ...] = ()
    """Lines about what was understood and might not be meant."""


def read_specimens(
    path: Path, scans: Sequence[ScanRef], settings: Settings | None = None, today: date | None = None
) -> SpecimensTable:
    """Read and check a specimens table for the scans found.

    `settings` know the species and their other names; `today` is needed to refuse dates to come.
    Raises TableError with every fault, each as `file, row N: what was found; cure`.
    """
    faults = Faults(table_path(path)[0].name)
    table = read_given_table(path, REQUIRED, OPTIONAL, faults)
    if not table.rows and not faults.found:
        faults.add(None, "no row below the header", "give one row a bone")
    extra = tuple(name for name in table.columns if name not in (*REQUIRED, *OPTIONAL))
    captured = dates("captured", table.rows, faults, today)
    names = _Names(scans)
    specimens, absent, cells = [], [], []
    for given in table.rows:
        row = RowCells(given, faults, semicolons=table.semicolons)
        written = row.text("scan")
        scan = names.found(row)
        specimen = _specimen(row, scan or written, captured.get(given.number), extra)
        cells.append((row, specimen))
        if scan:
            specimens.append(specimen)
        else:
            near = names.near(written)
            absent.append(
                AbsentRow(file=faults.file, row=row.row_number, specimen=specimen.specimen, scan=written, near=near)
            )
    _check_doubled(cells)
    _check_sizes(cells, faults)
    _check_decimal_marks(cells, faults)
    faults.check()
    _check_scans(absent, specimens, scans, faults)
    faults.check()
    if settings:
        remark_on_species([(row.row_number, s) for row, s in cells], settings, faults)
    waters = first_spellings(s.water for _, s in cells)
    remark_on_spellings("water", [(row.row_number, s.water) for row, s in cells], waters, faults)
    specimens = with_one_spelling(specimens, names_of_species(settings) if settings else str, waters)
    remark_on_fish([(row.row_number, s) for row, s in cells], faults)
    remarks = tuple(faults.remarks)
    numbers = {s.specimen: row.row_number for row, s in cells}
    return SpecimensTable(
        rows=tuple(specimens), extra_columns=extra, absent=tuple(absent), row_numbers=numbers, remarks=remarks
    )


def _specimen(row: RowCells, scan: str, captured: Captured | None, extra: Sequence[str]) -> Specimen:
    specimen = row.identity("specimen")
    focus, tip = correction_points(row)
    return Specimen(
        specimen=specimen,
        scan=scan,
        bone=_bone(row),
        fish=row.name("fish") or specimen,
        species=row.name("species"),
        water=row.name("water"),
        captured=captured,
        length_mm=row.any_number("length_mm"),
        weight_g=row.number("weight_g", *WEIGHT_G, "g"),
        sex=row.word("sex", SEX_WORDS),
        maturity=row.word("maturity", MATURITY_WORDS),
        side=row.word("side", SIDE_WORDS),
        lighting=row.word("lighting", LIGHTING_WORDS),
        dpi=row.number("dpi", *DPI, "pixels an inch"),
        focus=focus,
        tip=tip,
        # Results have a decimal point, whatever this table has.
        written=(("length_mm", row.text("length_mm").replace(",", ".")), *((name, row.note(name)) for name in extra)),
    )


def _bone(row: RowCells) -> int:
    """The bone's place on its scan; `_UNKNOWN` when the cell is at fault."""
    if not row.text("bone"):
        return 1
    return row.whole("bone", 1, MOST_BONES, ": the bone's place on the tray") or _UNKNOWN


def correction_points(row: RowCells) -> tuple[Point | None, Point | None]:
    """Focus and far margin on the growth axis as a person places them: both, or neither."""
    columns = ("focus_x", "focus_y", "axis_x", "axis_y")
    given = [name for name in columns if row.text(name)]
    if not given:
        return None, None
    if len(given) < len(columns):
        lacking = ", ".join(name for name in columns if name not in given)
        row.fault(f"{', '.join(given)} without {lacking}", "give all four, or none")
        return None, None
    x, y, tip_x, tip_y = (row.number(name, 0, MOST_PIXELS, "pixels") for name in columns)
    if x is None or y is None or tip_x is None or tip_y is None:
        return None, None
    if (x, y) == (tip_x, tip_y):
        row.fault("focus and axis at one place", "axis_x and axis_y are the far margin on the growth axis")
    return (x, y), (tip_x, tip_y)


class _Names:
    """The scans by the names that a table may call them."""

    def __init__(self, scans: Sequence[ScanRef]) -> None:
        self._paths = {_form(ref.scan): ref.scan for ref in scans}
        self._bare: dict[str, list[str]] = {}
        self._keys: dict[str, str] = {}
        for ref in scans:
            name = PurePosixPath(ref.scan)
            self._bare.setdefault(_form(name.name), []).append(ref.scan)
            self._keys.setdefault(name_key(name.stem), ref.scan)
            self._keys.setdefault(name_key(name.name), ref.scan)

    def found(self, row: RowCells) -> str:
        """The scan that a row means; blank when it is not among the scans."""
        written = row.needed("scan")
        if "\\" in written:
            row.fault(f"the scan {written}", "write / between folders, not \\")
            return ""
        if _form(written) in self._paths:
            return self._paths[_form(written)]
        bare = self._bare.get(_form(written), [])
        if len(bare) > 1:
            row.fault(f"the scan {written}, of which there are {len(bare)}", f"give its folder: {' or '.join(bare)}")
        return bare[0] if bare else ""

    def near(self, written: str) -> str:
        """A scan of nearly that name: other case, suffix or folder."""
        name = PurePosixPath(written.replace("\\", "/"))
        return self._keys.get(name_key(name.name)) or self._keys.get(name_key(name.stem)) or ""


def _form(name: str) -> str:
    return unicodedata.normalize("NFC", name)


_Cells = Sequence[tuple[RowCells, Specimen]]


def _check_doubled(cells: _Cells) -> None:
    by_id: dict[str, int] = {}
    by_place: dict[tuple[str, int], int] = {}
    for row, specimen in cells:
        if specimen.specimen:
            first = by_id.setdefault(_form(specimen.specimen), row.row_number)
            if first != row.row_number:
                row.fault(
                    f"the specimen {specimen.specimen} is also in row {first}",
                    f"give each bone an id of its own; if {specimen.specimen} is a fish with two bones, write it into "
                    f"the column fish, and {specimen.specimen}-L and {specimen.specimen}-R as specimens",
                )
        if specimen.scan and specimen.bone != _UNKNOWN:
            first = by_place.setdefault((_form(specimen.scan), specimen.bone), row.row_number)
            if first != row.row_number:
                row.fault(
                    f"bone {specimen.bone} of {specimen.scan} is also in row {first}",
                    "give each bone of a tray its own number in the column bone",
                )


def _check_sizes(cells: _Cells, faults: Faults) -> None:
    lengths = [specimen.length_mm for _, specimen in cells if specimen.length_mm is not None]
    if lengths and 0 < statistics.median(lengths) < LEAST_MEDIAN_MM:
        faults.add(
            None,
            f"half of the fish in length_mm are no longer than {statistics.median(lengths):g} mm",
            "this looks like inches or centimetres; give millimetres",
        )
        return
    for row, specimen in cells:
        length_mm = None if specimen.length_mm is None else row.number("length_mm", *LENGTH_MM, "mm")
        if length_mm is None or specimen.weight_g is None:
            continue
        if not CONDITION[0] <= 1e5 * specimen.weight_g / length_mm**3 <= CONDITION[1]:
            row.fault(
                f"the weight_g {row.text('weight_g')} of a fish of {length_mm:g} mm",
                "give grams and millimetres; this looks like another unit, or another fish",
            )


def _check_scans(
    absent: Sequence[AbsentRow], found: Sequence[Specimen], scans: Sequence[ScanRef], faults: Faults
) -> None:
    """A table that names other scans than those given is of another folder, or names them in another way.

    Rows of scans that are made later are no fault: then the scans that are there have rows.
    """
    named = {s.scan for s in found}
    without_row = [ref.scan for ref in scans if ref.scan not in named]
    if len(absent) > len(found) and len(without_row) > len(named):
        faults.add(
            None,
            f"{len(absent)} of {len(absent) + len(found)} rows name scans that are not here (row {absent[0].row}: "
            f"{absent[0].scan}), and {len(without_row)} of {len(scans)} scans have no row ({without_row[0]})",
            "give the folder that this table is of, or write the scans' names as they are",
        )


def _check_decimal_marks(cells: _Cells, faults: Faults) -> None:
    for column in ("length_mm", "weight_g", "dpi"):
        with_comma = [row for row, _ in cells if "," in row.text(column)]
        if with_comma and all(column in row.maybe_thousands for row in with_comma):
            text = with_comma[0].text(column)
            faults.add(
                with_comma[0].row_number,
                f"the {column} {text}: nothing in the column tells whether the comma parts thousands",
                f"write {text.replace(',', '')} or {text.replace(',', '.')}, whichever it is, and so in all rows",
            )
    names = {",": "decimal comma", ".": "decimal point"}
    first = {mark: row.row_number for row, _ in reversed(cells) for mark in row.decimal_marks}
    if len(first) == len(names):
        early, late = sorted(first, key=lambda mark: first[mark])
        faults.add(
            first[late],
            f"a {names[late]}, where row {first[early]} has a {names[early]}",
            "write all numbers with one decimal mark",
        )
