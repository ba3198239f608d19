"""The desk at its full size: a tray of A4 at 1200 dpi on the screen, a thousand answers at once, a desk that is killed.

    python -m tests.studies.desk_at_work

Needs chromium; some five minutes.
"""

from __future__ import annotations

import random
import shutil
import signal
import statistics
import subprocess
import sys
import tempfile
import time
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path

import httpx
import tifffile
from playwright.sync_api import sync_playwright

from tests.benchmarks.large_tray import tray

ANSWERS, KILLS, MARKS, BONES = 500, 20, 200, 8
FIXTURES = Path(__file__).parent.parent.parent / "fixtures"


def opercle(*words: object) -> list[str]:
    """A command of the program."""
    return [sys.executable, "-m", "pipeline.cli", *map(str, words)]


@contextmanager
def desk(run: Path, port: int = 0):
    """The desk as a process of its own, and its address."""
    process = subprocess.Popen(
        opercle("desk", run, "--port", port), stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True
    )
    try:
        yield process, process.stdout.readline().strip()
    finally:
        if process.poll() is None:
            process.send_signal(signal.SIGINT)
            process.wait()
        process.stdout.close()


def poster(address: str) -> httpx.Client:
    """Posts as the page makes them."""
    origin = address.rstrip("/")
    headers = {"origin": origin, "sec-fetch-site": "same-origin", "content-type": "application/json"}
    return httpx.Client(base_url=origin, headers=headers, timeout=60)


def bone_of(client: httpx.Client, specimen: str) -> dict:
    """A bone as an unknown reader sees it."""
    return client.get("/api/bone", params={"specimen": specimen, "reader": "nobody yet"}).json()


# ------------------------------------------------------------------------------------------------ on the screen
DRAWN = "() => document.querySelector('#ink .axis') && document.getElementById('specimen').textContent !== {before!r}"
SHARP = "() => document.getElementById('loading').hidden"


def on_the_screen(run: Path) -> None:
    """Seconds from the name to the first bone, and from key to next bone."""
    with desk(run) as (_, address), sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=shutil.which("chromium"), args=["--no-sandbox", "--disable-gpu"]
        )
        page = browser.new_page(viewport={"width": 1600, "height": 1000})
        page.goto(address)
        page.get_by_label("name", exact=True).fill("Ann")
        began = time.monotonic()
        page.keyboard.press("Enter")
        page.wait_for_function(DRAWN.format(before=""))
        drawn = time.monotonic() - began
        page.wait_for_function(SHARP)
        print(
            f"first bone: shown {drawn:.2f} s, at the scan's resolution {time.monotonic() - began:.2f} s after the name"
        )
        seconds = []
        for _ in range(BONES):
            before = page.locator("#specimen").inner_text()
            page.wait_for_timeout(2500)  # a reader looks; the next bone is fetched meanwhile
            began = time.monotonic()
            page.keyboard.press("n")
            page.wait_for_function(DRAWN.format(before=before))
            page.wait_for_function(SHARP)
            seconds.append(time.monotonic() - began)
        print(
            f"next bone, at the scan's resolution: median {statistics.median(seconds):.2f} s, most {max(seconds):.2f} s"
        )
        marks = []
        for _ in range(30):
            began = time.monotonic()
            page.keyboard.press("Space")
            page.wait_for_function("() => document.getElementById('stored').textContent === 'stored'")
            marks.append(time.monotonic() - began)
        print(f"mark by key until the page says stored: median {1000 * statistics.median(marks):.0f} ms")
        browser.close()


# ------------------------------------------------------------------------------------------------ many at once
def many_at_once(run: Path) -> None:
    """Two readers' answers posted at once; seconds that a mark takes to be stored."""
    with desk(run) as (_, address), poster(address) as client:
        specimens = client.get("/api/find", params={"text": "F0"}).json()
        signs = {s: bone_of(client, s)["sign"] for s in specimens}
        marks = []
        for n in range(MARKS):
            s = specimens[n % len(specimens)]
            body = {"key": f"{n:032x}", "reader": "Ann", "specimen": s, "sign": signs[s], "act": "place",
                    "mark": n + 1, "x": 100.0 + n, "y": 90.0}  # fmt: skip
            began = time.monotonic()
            client.post("/api/mark", json=body).raise_for_status()
            marks.append(time.monotonic() - began)
        marks.sort()
        print(f"a mark stored: median {1000 * marks[MARKS // 2]:.0f} ms, 95 % {1000 * marks[MARKS * 95 // 100]:.0f} ms")
        bodies = [
            {"key": f"{1000 * r + n:032x}", "reader": reader, "specimen": (s := specimens[n % len(specimens)]),
             "sign": signs[s], "annuli": n % 12}
            for r, reader in enumerate(("Ann", "Ben"), 1)
            for n in range(ANSWERS)
        ]  # fmt: skip
        random.Random(1).shuffle(bodies)
        began = time.monotonic()
        with ThreadPoolExecutor(16) as threads:
            statuses = list(threads.map(lambda body: client.post("/api/answer", json=body).status_code, bodies))
        seconds = time.monotonic() - began
        print(f"{len(bodies)} answers by two readers at once: {statuses.count(200)} kept, {seconds:.0f} s")
        text = client.get("/readings.csv", params={"reader": "Ann"}).text
        rows = [line.split(",") for line in text.splitlines()[1:]]
        held = {(row[0], row[1], row[2]): 0 for row in rows}
        for row in rows:
            held[row[0], row[1], row[2]] += 1
        wanted: dict[tuple[str, str, str], int] = {}
        for body in bodies:
            name = body["specimen"], body["reader"], str(body["annuli"])
            wanted[name] = wanted.get(name, 0) + 1
        print(f"stored: {len(rows)}; none lost or doubled: {held == wanted}")


# ------------------------------------------------------------------------------------------------ killed
def killed(run: Path) -> None:
    """The desk killed between two marks, over and over: every mark that was answered is there."""
    chance, placed, wrong, port = random.Random(7), 0, 0, 0
    for kill in range(KILLS):
        with desk(run, port) as (process, address), poster(address) as client:
            port = int(address.rsplit(":", 1)[1].strip("/"))
            bone = bone_of(client, "F00007L")
            for n in range(chance.randint(1, 6)):
                placed += 1
                body = {"key": f"{10**9 + 1000 * kill + n:032x}", "reader": "Cleo", "specimen": "F00007L",
                        "sign": bone["sign"], "act": "place", "mark": placed, "x": 1.0 * placed, "y": 5.0}  # fmt: skip
                client.post("/api/mark", json=body).raise_for_status()
            process.kill()
            process.wait()
        with desk(run, port) as (process, address), poster(address) as client:
            marks = client.get("/api/bone", params={"specimen": "F00007L", "reader": "Cleo"}).json()["marks"]
            wrong += [m["mark"] for m in marks] != list(range(1, placed + 1))
            process.kill()
            process.wait()
    print(f"killed {KILLS} times between two marks: all {placed} marks there after each of them: {wrong == 0}")


def main() -> None:
    """Print the figures."""
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        (folder / "large").mkdir()
        page = tray(folder / "drawn")
        more = {"resolution": (1200, 1200), "resolutionunit": 2}
        tifffile.imwrite(folder / "large" / "tray.tif", page, compression="zlib", **more)
        subprocess.run(opercle("age", folder / "large", "--out", folder / "tray-run"), check=True, capture_output=True)
        on_the_screen(folder / "tray-run")
        shutil.copytree(FIXTURES / "scans", folder / "scans")
        table = ("--specimens", FIXTURES / "specimens.csv")
        subprocess.run(
            opercle("age", folder / "scans", *table, "--out", folder / "run"), check=True, capture_output=True
        )
        many_at_once(folder / "run")
        killed(folder / "run")


if __name__ == "__main__":
    main()
