"""A table given as text (CSV): decoded and split into lines of cells.

UTF-8 with or without byte order mark; comma, or semicolon and then with decimal commas.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Callable

from pipeline.tables.faults import Faults

UTF8 = "save the table as CSV in UTF-8 (spreadsheets call it CSV UTF-8)"
_SEPARATORS = {",": "commas", ";": "semicolons", "\t": "tabs", "|": "bars"}

IsHeader = Callable[[list[str]], bool]


def cells_of_text(content: bytes, is_header: IsHeader, faults: Faults) -> tuple[list[list[str]], bool]:
    """Lines of cells, and whether semicolons part them. `is_header` knows the header by its cells.

    Raises TableError when no cells can be made out.
    """
    text = _decoded(content, faults)
    separator = _separator(text, is_header, faults)
    lines: list[list[str]] = []
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
    try:
        lines.extend(reader)
    except csv.Error as error:
        found = "a quote that is not closed" if "end of data" in str(error) else f"cells that run together ({error})"
        faults.add(len(lines) + 1, found, "put quotes around whole cells, and double those inside")
    faults.check()
    return lines, separator == ";"


def _decoded(content: bytes, faults: Faults) -> str:
    if content.startswith((b"\xff\xfe", b"\xfe\xff")) or b"\0" in content[:1000]:
        faults.add(None, "the text is coded as UTF-16 or holds zero bytes", UTF8)
    elif not content.strip(b" \t\r\n\xef\xbb\xbf,;"):
        faults.add(None, "the table is empty", "give a header and one row a bone")
    faults.check()
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        row = len(re.findall(rb"\r\n|\r|\n", content[: error.start])) + 1
        seen = content[error.start : error.start + 1].decode("cp1252", "replace")
        faults.add(row, f"a byte that is not UTF-8 ({seen} in the old coding of Windows)", UTF8)
        faults.check()
        raise


def _separator(text: str, is_header: IsHeader, faults: Faults) -> str:
    lines = [line for line in text.splitlines()[:50] if line.strip()]
    for line in lines:
        for mark in ",;":
            if is_header(next(csv.reader([line], delimiter=mark))):
                return mark
    bare = re.sub(r'"[^"]*"', "", lines[0] if lines else "")
    used = [mark for mark in _SEPARATORS if mark in bare]
    if len(used) > 1:
        what = " and ".join(_SEPARATORS[mark] for mark in used)
        faults.add(1, f"the header is separated by {what}", "separate by commas alone, or by semicolons alone")
    elif used and used[0] not in ",;":
        faults.add(1, f"the header is separated by {_SEPARATORS[used[0]]}", "save the table as CSV, with commas")
    faults.check()
    return used[0] if used else ","
