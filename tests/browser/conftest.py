"""A real browser, Debian's chromium, without a window. Where it is missing these tests are skipped and say so, unless
OPERCLE_BROWSER is set, as the checks set it: then they fail."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from importlib.util import find_spec
from pathlib import Path

import pytest
from command_line import called

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
QUIET = (
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync",
)  # fmt: skip


@pytest.fixture(scope="session")
def browser() -> Iterator[object]:
    missing = [name for name in ("playwright", "axe_playwright_python") if find_spec(name) is None]
    if CHROMIUM is None:
        missing.append("chromium")
    if missing and not os.environ.get("OPERCLE_BROWSER"):
        pytest.skip(f"no browser to test in: {', '.join(missing)} missing")
    assert not missing
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        opened = playwright.chromium.launch(executable_path=CHROMIUM, args=list(QUIET))
        yield opened
        opened.close()


@pytest.fixture
def new_page(browser) -> Iterator[Callable[..., object]]:
    """Opens pages, each with storage of its own; any error on the console fails the test at its end."""
    contexts, errors = [], []

    def opened(width: int = 1280, height: int = 900, scheme: str = "light"):
        context = browser.new_context(viewport={"width": width, "height": height}, color_scheme=scheme)
        contexts.append(context)
        page = context.new_page()
        page.set_default_timeout(15_000)
        page.on("console", lambda message: errors.append(message.text) if message.type == "error" else None)
        page.on("pageerror", lambda error: errors.append(str(error)))
        page.expected_errors = errors
        return page

    yield opened
    for context in contexts:
        context.close()
    assert errors == []


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

    def stop(self) -> None:
        """End it as Ctrl-C does; what follows from answers is done before it ends."""
        import signal

        self._process.send_signal(signal.SIGINT)
        assert self._process.wait(120) == 0
        self._process.stdout.close()


@contextmanager
def _serving(run: Path) -> Iterator[Served]:
    desk = Served(run)
    desk.start()
    try:
        yield desk
    finally:
        if desk._process.poll() is None:
            desk.kill()


@pytest.fixture
def serving(run: Path) -> Iterator[Served]:
    """The desk of a small run with three bones in its queue."""
    status, _, err = called("triage", run, "--most", "3")
    assert status == 0, err
    with _serving(run) as desk:
        yield desk
