"""Does any table of bones or of readings crash a command, keep it waiting, or pass in silence?

    python -m tests.studies.hostile_tables [--tables 400] [--seed 1]

First the sixty tables of tests/tables/test_bad_tables.py, each with its right reason. Then sound tables, as CSV and as
.xlsx, with cells, lines, bytes or lengths spoiled: each goes to `age --check` as the table of the bones, or to `audit`
as a table of readings. Asked of each: exit status 0 or 1 within a minute, no traceback; when it is refused, at most
twenty lines, each of which names the file; nothing written, the table untouched. Prints how many were tried, read and
refused; exit status 1 when any of it does not hold. Three minutes on two cores.
"""

from __future__ import annotations

import io
import sys
import tempfile
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from itertools import islice
from pathlib import Path

import numpy as np
import openpyxl

from tests.studies.account import Account, Answer, ask
from tests.studies.asked import numbers
from tests.studies.hostile_scans import spoiled

TESTS = Path(__file__).parents[1]
SCAN = TESTS.parent / "fixtures" / "scans" / "sauger_1.jpg"
HEADS = {
    "specimens": ("specimen", "scan", "bone", "fish", "species", "water", "captured", "length_mm", "sex", "side"),
    "readings": ("specimen", "reader", "annuli", "edge", "readability", "note"),
}
CELLS = (
    *("", " ", "0", "-1", "1e400", "nan", "inf", "1,235", "\u0663", "\u00bd", "9" * 400, "x" * 20_000),
    *("=1+1", "\uff1d1+1", "@SUM(A1)", "2025-02-30", "31/12/2025", "12/31/2025", "2999-01-01", "0000-00-00", "today"),
    *("<script>alert(1)</script>", "a\x07b", "\u202eabc", "a\u00a0b", "a\u200bb", "../../etc/passwd", "sauger_1.jpg"),
    *("SAUGER_1.JPG", "sauger_1.jpg\n", '"', "'", "NULL", "true", "L", "left", "M", "walleye", "wallaye", "\ufeff"),
    *("e\u0301", "%s%n", "{0}", "\\", "\t", ";", "|"),
)


def sound(kind: str) -> list[list[str]]:
    """A table that is taken, header first."""
    if kind == "specimens":
        row = ["B1", "sauger_1.jpg", "1", "F1", "sauger", "Lake One", "2025-05-01", "310", "F", "L"]
        return [list(HEADS[kind]), row]
    rows = [[f"B{n}", reader, str(n % 7), "", "", ""] for n in range(12) for reader in ("ann", "ben")]
    return [list(HEADS[kind]), *rows]


def as_csv(table: Sequence[Sequence[str]]) -> bytes:
    """Cells with quotes where they need them."""
    quoted = [[f'"{c.replace(chr(34), chr(34) * 2)}"' if set(c) & set('",\n') else c for c in row] for row in table]
    return ("\n".join(",".join(row) for row in quoted) + "\n").encode("utf-8", "surrogatepass")


def as_workbook(table: Sequence[Sequence[str]]) -> bytes:
    """The same as a spreadsheet; characters that one cannot hold are left out."""
    book, content = openpyxl.Workbook(), io.BytesIO()
    for row in table:
        book.active.append([openpyxl.cell.cell.ILLEGAL_CHARACTERS_RE.sub("", c)[:32_000] for c in row])
    book.save(content)
    return content.getvalue()


def mutated(random: np.random.Generator, table: list[list[str]]) -> list[list[str]]:
    """Some cells hold something else, or rows and columns are doubled, dropped, cut short or in another order."""
    for _ in range(int(random.integers(1, 4))):
        row, column = int(random.integers(len(table))), int(random.integers(len(table[0])))
        way = int(random.integers(8))
        if way <= 3:
            cells = table[row]
            cells[min(column, len(cells) - 1)] = CELLS[int(random.integers(len(CELLS)))]
        elif way == 4:
            table.insert(row, list(table[row]))
        elif way == 5 and len(table) > 1:
            del table[row]
        elif way == 6:
            table[row] = table[row][: max(column, 1)]
        else:
            order = random.permutation(len(table[0]))
            table = [[cells[k] for k in order if k < len(cells)] or [""] for cells in table]
    return table


def corpus(random: np.random.Generator) -> Iterator[tuple[str, str, bytes]]:
    """Kind, file's name and content, without end."""
    number = 0
    while True:
        for kind in HEADS:
            for suffix, written in (("csv", as_csv), ("xlsx", as_workbook)):
                number += 1
                yield kind, f"{kind} {number}.{suffix}", written(mutated(random, sound(kind)))
                number += 1
                yield kind, f"{kind} {number}.{suffix}", spoiled(random, written(sound(kind)))


def known() -> Iterator[tuple[str, bytes, str]]:
    """The sixty: name, content, and words of the right reason."""
    sys.path[:0] = [str(TESTS), str(TESTS / "tables")]
    from test_bad_tables import TABLES

    for name, (content, says) in TABLES.items():
        yield name, content.encode() if isinstance(content, str) else content, says


def tried(folder: Path, kind: str, name: str, content: bytes, says: str = "") -> Answer:
    """What a command answers to one table, with what was wrong about it; the `folder` is made for it."""
    folder.mkdir()
    path, out = folder / name, folder / "out"
    path.write_bytes(content)
    command = ["age", str(SCAN), "--specimens", str(path), "--check"] if kind == "specimens" else ["audit", str(path)]
    answer = ask([*command, "--out", str(out)])
    wrong = list(answer.wrong)
    lines = answer.said.strip().splitlines()
    if answer.status == 1:
        wrong += [f"does not name the file: {line}" for line in lines if not line.startswith((name, "... and "))]
        wrong += [f"{len(lines)} lines"] if len(lines) > 20 else []
        wrong += ["wrote though refused"] if out.exists() else []
    wrong += [f"instead of {says!r}: {answer.said}"] if says and says not in answer.said else []
    wrong += ["changed the table"] if path.read_bytes() != content else []
    return Answer(name=f"{kind}: {name}", status=answer.status, said=answer.said, wrong=tuple(wrong))


def account(tables: int, seed: int) -> Account:
    """Of the sixty and of so many more."""
    random = np.random.default_rng(seed)
    with tempfile.TemporaryDirectory() as place, ThreadPoolExecutor(2) as pool:
        cases = [("specimens", "specimens.csv", content, says) for _, content, says in known()]
        cases += [(kind, name, content, "") for kind, name, content in islice(corpus(random), tables)]
        answers = pool.map(lambda case: tried(Path(place) / str(case[0]), *case[1]), enumerate(cases))
        return Account.of(answers)


if __name__ == "__main__":
    sys.exit(account(**numbers(__doc__, tables=400, seed=1)).printed())
