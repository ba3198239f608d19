"""Does a spoiled run crash a command, keep it waiting, or give ages that nobody counted?

    python -m tests.studies.hostile_runs [--runs 120] [--seed 1]

A small run is made of fixture scans. Then copies of it are spoiled, each in another way: ledger, run.json, tables, log,
lock and pictures with their header, body or length changed, emptied, gone, or with a folder, a link or a pipe in their
place; a stranger's database as ledger; rows of the ledger that hold what they should not; ages.csv edited.
Each copy is asked `show`, `audit` with readings, and `age` again. Asked of each answer: exit status 0 or 1 within a
minute, no traceback, and a line when it is refused; after an `age` that ends with 0, ages.csv as it was, to the last
byte; and no file of a stranger changed. Prints how many were tried, answered and refused; exit status 1 when any of it
does not hold. Four minutes on two cores.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import sqlite3
import sys
import tempfile
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from itertools import chain
from pathlib import Path

import numpy as np

from tests.studies.account import Account, Answer, ask
from tests.studies.asked import numbers
from tests.studies.hostile_scans import spoiled

FIXTURES = Path(__file__).parents[2] / "fixtures"
SCANS = ("sauger_1.jpg", "walleye_2.jpg")
LEDGER = "run.sqlite"
Spoil = Callable[[Path], None]
"""Changes a run."""

EDITS = (
    ("a confidence of 1.7", "confidence", "1.7"),
    ("a count of -4", "annuli", "-4"),
    ("a count of words", "annuli", "many"),
    ("a count of 10^30", "annuli", "1" + "0" * 30),
    ("no specimen", "specimen", ""),
    ("a formula", "water", "=1+1"),
)


def edited(column: str, cell: str) -> Spoil:
    """ages.csv with one cell changed by hand."""

    def spoil(run: Path) -> None:
        head, first, *rest = (run / "ages.csv").read_text().splitlines()
        cells = first.split(",")
        cells[head.split(",").index(column)] = cell
        (run / "ages.csv").write_text("\n".join([head, ",".join(cells), *rest]) + "\n")

    return spoil


def doubled(run: Path) -> None:
    """A row of ages.csv stands twice."""
    head, first, *rest = (run / "ages.csv").read_text().splitlines()
    (run / "ages.csv").write_text("\n".join([head, first, first, *rest]) + "\n")


def rows_of_ledger(value: object) -> Iterator[tuple[str, Spoil]]:
    """Each column of each of its tables holds something else in every row."""

    def columns(run: Path) -> list[tuple[str, str]]:
        with sqlite3.connect(run / LEDGER) as db:
            tables = [name for (name,) in db.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
            return [(t, row[1]) for t in tables for row in db.execute(f"PRAGMA table_info({t})")]

    def spoil_nth(number: int) -> Spoil:
        def spoil(run: Path) -> None:
            table, column = columns(run)[number % len(columns(run))]
            with (
                contextlib.suppress(sqlite3.IntegrityError),
                sqlite3.connect(run / LEDGER) as db,
            ):  # a column of numbers
                db.execute(f"UPDATE OR IGNORE {table} SET {column} = ?", (value,))

        return spoil

    yield from ((f"ledger's column {n} holds {value!a:.30}", spoil_nth(n)) for n in range(40))


def in_its_place(name: str, put: Callable[[Path], None]) -> Spoil:
    """Something else where a file of the run was."""

    def spoil(run: Path) -> None:
        (run / name).unlink()
        put(run / name)

    return spoil


def stranger(path: Path) -> None:
    """Somebody else's database."""
    with sqlite3.connect(path) as db:
        db.execute("CREATE TABLE mine (x)")


def bytes_spoiled(name: str, seed: int) -> Spoil:
    """A file with its header, its body or its length changed."""

    def spoil(run: Path) -> None:
        content = (run / name).read_bytes() or b"\0"
        (run / name).write_bytes(spoiled(np.random.default_rng(seed), content))

    return spoil


def ways(names: list[str], seed: int) -> Iterator[tuple[str, Spoil]]:
    """Without end: what is done to a run, in words."""
    yield from ((f"ages.csv: {words}", edited(column, cell)) for words, column, cell in EDITS)
    yield "ages.csv: a row twice", doubled
    yield "a stranger's database as ledger", in_its_place(LEDGER, stranger)
    for name in names:
        yield f"{name}: gone", lambda run, name=name: (run / name).unlink()
        yield f"{name}: empty", lambda run, name=name: (run / name).write_bytes(b"")
        yield f"{name}: a folder", in_its_place(name, lambda path: path.mkdir())
        yield f"{name}: a pipe", in_its_place(name, lambda path: os.mkfifo(path))
        yield f"{name}: a link to nothing", in_its_place(name, lambda path: path.symlink_to("nothing"))
    yield "run.json: nested 20,000 deep", lambda run: (run / "run.json").write_text("[" * 20_000) and None
    yield from chain(*map(rows_of_ledger, (None, "{", "x", -1, 1e300, b"\xff\xfe")))
    number = 0
    while True:
        for name in names:
            number += 1
            yield f"{name}: spoiled {number}", bytes_spoiled(name, seed * 100_000 + number)


def tried(folder: Path, whole: Path, words: str, spoil: Spoil) -> list[Answer]:
    """What three commands answer to one spoiled run."""
    run = folder / "run"
    shutil.copytree(whole / "run", run)
    spoil(run)
    left = (run / LEDGER).read_bytes() if "stranger" in words else None
    commands = {
        "show": ["show", str(run)],
        "audit": ["audit", str(whole / "readings.csv"), "--run", str(run), "--out", str(folder / "audit")],
        "age": ["age", str(whole / "scans"), "--specimens", str(whole / "specimens.csv"), "--out", str(run)],
    }
    answers = []
    for name, command in commands.items():
        answer = ask(command)
        wrong = list(answer.wrong)
        refused = answer.status == 1 or name == "audit"  # which reads ages.csv alone
        if left is not None and not (refused and (run / LEDGER).read_bytes() == left):
            wrong.append("took or changed a stranger's database")
        if name == "age" and answer.status == 0 and not same(run / "ages.csv", whole / "run" / "ages.csv"):
            wrong.append("other ages than before")
        answers.append(Answer(name=f"{words}: {name}", status=answer.status, said=answer.said, wrong=tuple(wrong)))
    return answers


def same(one: Path, other: Path) -> bool:
    """Whether two files hold the same."""
    return one.is_file() and one.read_bytes() == other.read_bytes()


def account(runs: int, seed: int) -> Account:
    """Of so many spoiled runs."""
    with tempfile.TemporaryDirectory() as place, ThreadPoolExecutor(2) as pool:
        whole = Path(place) / "whole"
        (whole / "scans").mkdir(parents=True)
        for scan in SCANS:
            shutil.copy(FIXTURES / "scans" / scan, whole / "scans")
        (whole / "specimens.csv").write_text("specimen,scan\n" + "".join(f"{s[:-4]},{s}\n" for s in SCANS))
        (whole / "readings.csv").write_text(
            "specimen,reader,annuli\n" + "".join(f"{s[:-4]},{r},3\n" for s in SCANS for r in ("ann", "ben"))
        )
        made = ask(
            ["age", str(whole / "scans"), "--specimens", str(whole / "specimens.csv"), "--out", str(whole / "run")]
        )
        if made.status:
            raise RuntimeError(made.said)
        names = sorted(p.relative_to(whole / "run").as_posix() for p in (whole / "run").rglob("*") if p.is_file())
        names = [n for n in names if "/" not in n] + [n for n in names if "/" in n][:3]
        several = [way for way, _ in zip(ways(names, seed), range(runs), strict=False)]
        answers = pool.map(lambda case: tried(Path(place) / str(case[0]), whole, *case[1]), enumerate(several))
        return Account.of(answer for each in answers for answer in each)


if __name__ == "__main__":
    sys.exit(account(**numbers(__doc__, runs=120, seed=1)).printed())
