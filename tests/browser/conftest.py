"""A real Chromium on a real server, over the demo's drive. Whatever a page complains about fails its test."""

from __future__ import annotations

import os
import shutil
import threading
from collections.abc import Iterator
from dataclasses import dataclass, field

import pytest
from playwright.sync_api import Browser, ConsoleMessage, Page, Request, expect, sync_playwright

from amptally.dashboard.app import create_app
from amptally.dashboard.server import listening_socket
from amptally.dashboard.serving.security import HOST
from amptally.dashboard.serving.web_server import WebServer
from tests.dashboard.made_runs import CART, short_drive, simulated, write_run_of

FLAGS = (
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync",
)  # fmt: skip
NAMES = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable")
HOSTILE = "<script>window.harmed = true</script><img src=x onerror='window.harmed = true'>"
LIMIT_MS = 30_000
expect.set_options(timeout=LIMIT_MS)


def chromium_path() -> str:
    """The browser to drive: AMPTALLY_CHROMIUM, else one on the path. These tests are never skipped."""
    named = os.environ.get("AMPTALLY_CHROMIUM")
    if named:
        return named
    for name in NAMES:
        found = shutil.which(name)
        if found:
            return found
    pytest.fail("No Chromium or Chrome was found. Install one (Debian: apt-get install chromium), or name it with "
                "AMPTALLY_CHROMIUM=/path/to/chromium.", pytrace=False)  # fmt: skip


@pytest.fixture(scope="session")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """Address of a dashboard over the demo's drive, an older one whose every name is hostile, and a broken file."""
    folder = tmp_path_factory.mktemp("runs")
    simulated(folder)
    name = HOSTILE.replace("'", "\\u0027")
    machine = CART.replace('"Seedling-tray cart"', f'"{name}"')
    write_run_of(
        folder, "hostile", *short_drive(30.0), machine=machine, notes=(HOSTILE,), tags=(HOSTILE,),
        start_utc="2026-05-01T09:00:00.000+00:00",
    )  # fmt: skip
    (folder / f"{HOSTILE.replace('/', '_')}.parquet").write_bytes(b"no run")
    listening = listening_socket(0)
    port = listening.getsockname()[1]
    app = create_app(folder, port=port)
    server = WebServer(app.server, listening)
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    yield f"http://{HOST}:{port}"
    server.close()
    thread.join(5)
    listening.close()


@pytest.fixture(scope="session")
def chromium() -> Iterator[Browser]:
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium_path(), args=list(FLAGS))
        yield browser
        browser.close()


def settled(page: Page) -> None:
    """Nothing is being computed or drawn."""
    page.wait_for_function("() => !document.querySelector('[data-dash-is-loading=\"true\"]')")


@dataclass
class Tab:
    """One page, and everything that went wrong on it."""

    page: Page
    base: str
    trouble: list[str] = field(default_factory=list)

    def open(self, path: str) -> Page:
        self.page.goto(self.base + path)
        return self.page

    def drive(self, query: str = "", run_id: str = "demo-cart") -> Page:
        """A drive's page with everything on it, so that nothing moves under the mouse any more."""
        page = self.open(f"/run/{run_id}{query}")
        page.wait_for_selector("#traces .scatterlayer .trace")
        page.wait_for_selector(".card, #cards .message")
        page.wait_for_selector("#figures h3")
        page.wait_for_selector("#laps-picture .trace, #laps .message")
        settled(page)
        return page

    def note_console(self, message: ConsoleMessage) -> None:
        if message.type in ("error", "warning"):
            self.trouble.append(f"console: {message.text}")

    def note_request(self, request: Request) -> None:
        if not request.url.startswith((self.base + "/", "data:")):
            self.trouble.append(f"outside request: {request.url}")

    def note_answer(self, url: str, status: int) -> None:
        if status >= 400:
            self.trouble.append(f"{status}: {url}")


def opened(chromium: Browser, base: str, width: int, height: int) -> Iterator[Tab]:
    context = chromium.new_context(viewport={"width": width, "height": height}, color_scheme="light")
    context.set_default_timeout(LIMIT_MS)
    page = context.new_page()
    tab = Tab(page, base)
    page.on("console", tab.note_console)
    page.on("pageerror", lambda error: tab.trouble.append(f"page error: {error}"))
    page.on("request", tab.note_request)
    page.on("response", lambda answer: tab.note_answer(answer.url, answer.status))
    yield tab
    context.close()
    assert tab.trouble == []


@pytest.fixture
def tab(chromium: Browser, served: str) -> Iterator[Tab]:
    """A wide screen."""
    yield from opened(chromium, served, 1280, 900)


@pytest.fixture
def phone(chromium: Browser, served: str) -> Iterator[Tab]:
    """A telephone, 390 px wide."""
    yield from opened(chromium, served, 390, 844)
