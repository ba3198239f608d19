"""A small run for the desk: the fixtures' tray and two scans, aged once, copied for each test."""

from __future__ import annotations

import shutil
import signal
import socket
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import httpx
import uvicorn
from command_line import called

from pipeline.commands.desk import follow, read_known
from pipeline.desk.app import desk_app
from pipeline.desk.cuts import Cuts
from pipeline.desk.desk import Desk
from pipeline.desk.follower import Follower
from pipeline.run import run_folder
from pipeline.run.ledger import Ledger

FIXTURES = Path(__file__).parent.parent.parent / "fixtures"


def aged_run(folder: Path) -> Path:
    """The run over a tray of five perch and two single walleyes; the scans are copied beside it."""
    scans = folder / "scans"
    scans.mkdir()
    for name in ("tray_perch.jpg", "walleye_2.jpg", "walleye_3.jpg"):
        shutil.copy2(FIXTURES / "scans" / name, scans / name)
    lines = (FIXTURES / "specimens.csv").read_text(encoding="utf-8").splitlines()
    table = folder / "specimens.csv"
    wanted = [
        line for line in lines if line.startswith("specimen") or line.split(",")[1] in {p.name for p in scans.iterdir()}
    ]
    table.write_text("\n".join(wanted) + "\n", encoding="utf-8")
    run = folder / "run"
    status, _, err = called("age", scans, "--specimens", table, "--out", run, "--workers", "2")
    assert status == 0, err
    status, _, err = called("triage", run, "--most", "7")
    assert status == 0, err
    return run


def copied(run: Path, to: Path) -> Path:
    """A run of its own for a test, with its scans beside it."""
    return Path(shutil.copytree(run.parent, to / "copied")) / run.name


@contextmanager
def desk_of(run: Path, *, following: bool = False):
    """The desk of a run, with what follows from answers left out, or done."""
    with Ledger(run) as ledger:
        settings = run_folder.settings_of(run, ledger)
    cuts = Cuts(lambda known: read_known(run, known, {}, settings))
    follower = Follower(lambda names: follow(run, settings, names, {}, lambda line: None) if following else None)
    try:
        with Ledger(run):  # as the command does: see there
            yield Desk(run=run, cuts=cuts, follower=follower)
    finally:
        cuts.close()
        follower.close()


@contextmanager
def served(desk: Desk, token: str = "") -> Iterator[httpx.Client]:
    """Requests to the desk over a socket of this machine; `client.page` are the headers of its page's posts."""
    with socket.socket() as listener:
        listener.bind(("127.0.0.1", 0))
        host = f"127.0.0.1:{listener.getsockname()[1]}"
        app = desk_app(desk, frozenset({host}), token)
        server = uvicorn.Server(uvicorn.Config(app, log_level="warning", lifespan="off", ws="none"))
        thread = threading.Thread(target=server.run, kwargs={"sockets": [listener]})
        thread.start()
        try:
            while not server.started:
                time.sleep(0.005)
            with httpx.Client(base_url=f"http://{host}", timeout=20) as client:
                yield client
        finally:
            server.should_exit = True
            thread.join()


def page(client: httpx.Client) -> dict[str, str]:
    """Headers of a post from the desk's own page."""
    origin = str(client.base_url).rstrip("/")
    return {"origin": origin, "sec-fetch-site": "same-origin", "content-type": "application/json"}


def rows_of(run: Path, table: str) -> list[tuple]:
    """All rows of a table of the ledger, past the program."""
    db = sqlite3.connect(run / "run.sqlite")
    try:
        return db.execute(f"SELECT * FROM {table} ORDER BY id").fetchall()
    finally:
        db.close()


def post_of(client: httpx.Client, specimen: str, reader: str, key: int, **more) -> dict:
    """The body of a post about a bone."""
    sign = client.get("/api/bone", params={"specimen": specimen, "reader": reader}).json()["sign"]
    return {"key": f"{key:032x}", "reader": reader, "specimen": specimen, "sign": sign} | more


class Served:
    """`opercle desk` as a process of its own, on the same port each time it is started."""

    def __init__(self, run: Path) -> None:
        self.run = run
        self.address = ""
        self._process: subprocess.Popen[str] | None = None

    def start(self) -> str:
        """Start; returns the address."""
        port = self.address.rsplit(":", 1)[-1].strip("/") if self.address else "0"
        words = [sys.executable, "-m", "pipeline.cli", "desk", str(self.run), "--port", port]
        self._process = subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True)
        self.address = self._process.stdout.readline().strip()
        assert self.address.startswith("http://127.0.0.1:")
        return self.address

    def kill(self) -> None:
        """End it as a power cut would."""
        self._process.kill()
        self._process.wait()
        self._process.stdout.close()

    def stop(self, how: signal.Signals = signal.SIGINT) -> None:
        """End it as Ctrl-C does, or another signal; what follows from answers is done before it ends."""
        self._process.send_signal(how)
        assert self._process.wait(120) == 0
        self._process.stdout.close()
