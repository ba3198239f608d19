"""A real browser, Debian's chromium, without a window. Where it is missing these tests are skipped and say so, unless
OPERCLE_BROWSER is set, as the checks set it: then they fail."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from importlib.util import find_spec
from pathlib import Path

import pytest
from command_line import called
from desk.runs import Served

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


@contextmanager
def _serving(run: Path) -> Iterator[Served]:
    desk = Served(run)
    desk.start()
    try:
        yield desk
    finally:
        desk.kill()


@pytest.fixture
def serving(run: Path) -> Iterator[Served]:
    """The desk of a small run with three bones in its queue."""
    status, _, err = called("triage", run, "--most", "3")
    assert status == 0, err
    with _serving(run) as desk:
        yield desk
