"""The report of 800 bones: seconds to write it, bytes of its first page, seconds until chromium has opened it.

    python -m tests.studies.report_of_800 [BONES]

Needs chromium; half a minute. The fixtures are aged once. What is stored of them, and their pictures, are repeated
under other names until there are enough bones.
"""

from __future__ import annotations

import shutil
import sqlite3
import statistics
import subprocess
import sys
import tempfile
import time
from contextlib import closing
from pathlib import Path

from playwright.sync_api import sync_playwright

FIXTURES = Path(__file__).parent.parent.parent / "fixtures"
TIMES = 5
"""So often the page is written and opened."""
AGAIN = (
    """INSERT INTO scans SELECT :turn || scan, path, size, mtime_ns, ctime_ns, inode, sha256, settings, code, hints,
       cause, width, height, bones, stage, refusal, detail FROM scans WHERE scan IN (SELECT scan FROM first_scans)""",
    """INSERT INTO bones SELECT :turn || scan, number, digest, measures, shape FROM bones
       WHERE scan IN (SELECT scan FROM first_scans)""",
    """INSERT INTO specimens SELECT position + :first, :turn || scan, json_set(record,
       '$.specimen', :turn || json_extract(record, '$.specimen'), '$.scan', :turn || scan,
       '$.fish', :turn || json_extract(record, '$.fish')) FROM specimens WHERE position < :bones""",
    """INSERT INTO ages SELECT position + :first, :turn || specimen, json_set(record, '$.specimen', :turn || specimen,
       '$.scan', :turn || json_extract(record, '$.scan'), '$.fish', :turn || json_extract(record, '$.fish')),
       age, final, sources FROM ages WHERE position < :bones""",
)
"""Statements that repeat the first bones of a ledger once more."""


def opercle(*words: object) -> None:
    """A command of the program."""
    subprocess.run([sys.executable, "-m", "pipeline.cli", *map(str, words)], check=True, capture_output=True)


def repeat(run: Path, number: int) -> None:
    """Make a run of few bones one of so many."""
    with closing(sqlite3.connect(run / "run.sqlite")) as db, db:
        (bones,) = db.execute("SELECT count(*) FROM ages").fetchone()
        db.execute("CREATE TEMP TABLE first_scans AS SELECT scan FROM scans")
        turns = [f"{turn}-" for turn in range(1, -(-number // bones))]
        for times, turn in enumerate(turns, 1):
            for statement in AGAIN:
                db.execute(statement, {"turn": turn, "first": times * bones, "bones": bones})
        # The last turn would bring more than are wanted.
        db.execute("DELETE FROM ages WHERE position >= ?", (number,))
    for folder in ("overlays", "small/overlays", "trays", "small/trays"):
        for picture in list((run / folder).iterdir()):
            for turn in turns:
                shutil.copyfile(picture, picture.with_name(turn + picture.name))


def opened(page: Path) -> list[float]:
    """Seconds from the address until the bones are on the screen with the pictures of those in sight."""
    seconds = []
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=shutil.which("chromium"), args=["--no-sandbox", "--disable-gpu"]
        )
        for _ in range(TIMES):
            tab = browser.new_page(viewport={"width": 1600, "height": 1000})
            began = time.monotonic()
            tab.goto(page.as_uri())  # returns once all that the page asks for at once is there
            tab.locator("#bone-list li").nth(49).wait_for()
            seconds.append(time.monotonic() - began)
            tab.close()
        browser.close()
    return seconds


def main(number: int = 800) -> None:
    """Print the figures."""
    with tempfile.TemporaryDirectory() as folder:
        run = Path(folder) / "run"
        opercle("age", FIXTURES / "scans", "--specimens", FIXTURES / "specimens.csv", "--out", run)
        repeat(run, number)
        written = []
        for _ in range(TIMES):
            began = time.monotonic()
            opercle("report", run)
            written.append(time.monotonic() - began)
        page = run / "report.html"
        held = f"of {number}, the doubtful first" in _shown(page)
        print(f"{number} bones, all on the page: {held}; written in {max(written):.1f} s at most")
        print(f"first page: {page.stat().st_size / 1e6:.2f} MB, {_first_pictures(run) / 1e6:.2f} MB with its pictures")
        seconds = opened(page)
        print(f"opened in {statistics.median(seconds):.2f} s at the median, {max(seconds):.2f} s at most")


def _shown(page: Path) -> str:
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=shutil.which("chromium"), args=["--no-sandbox"])
        tab = browser.new_page()
        tab.goto(page.as_uri())
        words = tab.locator("#bones-shown").inner_text()
        browser.close()
    return words


def _first_pictures(run: Path) -> int:
    """Bytes of the fifty largest small pictures: the first page shows no more."""
    return sum(sorted((p.stat().st_size for p in (run / "small" / "overlays").iterdir()), reverse=True)[:50])


if __name__ == "__main__":
    main(*(int(given) for given in sys.argv[1:]))
