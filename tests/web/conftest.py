"""A bench served from the demo folder and a real browser in front of it, one of each for all tests of a worker."""

import os
import shutil
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from urllib.request import urlopen

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page, expect, sync_playwright

from wearlore import cli

WIDE, PHONE = (1440, 900), (390, 844)
FLAGS = ["--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
         "--disable-component-update", "--disable-sync"]  # fmt: skip
PATIENCE = 60_000  # ms: a busy machine is no failure
VAN = "V00003"
ASKED_FIRST = (
    ["trace", VAN], ["scope", VAN, "--fault", "rear-seal-leak"], ["outlook", VAN], ["plan", VAN], ["due"],
    ["appraise", VAN, "--price", "9500"], ["hindsight"], ["economy", "water-pump"], ["drift", "chain-phase", VAN],
)  # fmt: skip
expect.set_options(timeout=PATIENCE)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """One worker has the browser, so that there is one server and one browser to wait for."""
    for item in items:
        if "open_page" in getattr(item, "fixturenames", ()) or "site" in getattr(item, "fixturenames", ()):
            item.add_marker(pytest.mark.xdist_group("browser"))


@dataclass
class Visitor:
    """What a browser did on a page: what it complained of, and what it asked of other machines."""

    page: Page
    complaints: list[str] = field(default_factory=list)
    abroad: list[str] = field(default_factory=list)

    def watch(self, site: str) -> None:
        self.page.on("console", lambda said: self.complaints.append(said.text) if said.type == "error" else None)
        self.page.on("pageerror", lambda error: self.complaints.append(str(error)))
        self.page.on("request", lambda request: self._asked(request.url, site))

    def _asked(self, url: str, site: str) -> None:
        if not url.startswith((site, site.replace("http", "ws"), "data:", "blob:")):
            self.abroad.append(url)


@contextmanager
def served(folder: Path, *options: str) -> Iterator[str]:
    """``wearlore serve`` over the folder, until left; its address."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    command = [sys.executable, "-m", "wearlore.cli", "serve", "--in", str(folder), "--port", str(port), *options]
    log = folder.parent / f"serve-{port}.log"
    with log.open("wb") as out, subprocess.Popen(command, stdout=out, stderr=out) as server:
        try:
            address = f"http://127.0.0.1:{port}"
            _await(address, server, log)
            yield address
        finally:
            server.terminate()
            server.wait(20)


def _await(address: str, server: "subprocess.Popen[bytes]", log: Path) -> None:
    for _ in range(600):
        if server.poll() is not None:
            raise AssertionError(f"the server ended: {log.read_text()}")
        try:
            with urlopen(f"{address}/look.css"):
                return
        except OSError:
            time.sleep(0.3)
    raise AssertionError(f"the server does not answer: {log.read_text()}")


@pytest.fixture(scope="session")
def compiled(demo_folder: Path) -> None:
    """On a new machine code is compiled at the first question, for longer than anybody looks at a page."""
    for command in ASKED_FIRST:
        assert cli.run([*command, "--json", "--in", str(demo_folder)]) == 0


@pytest.fixture(scope="session")
def site(demo_folder: Path, compiled: None) -> Iterator[str]:
    """The bench over the demo folder; for tests that change nothing in it."""
    with served(demo_folder) as address:
        yield address


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    program = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
    if program is None:
        if os.environ.get("WEARLORE_BROWSER") == "required":
            pytest.fail("no Chromium is installed, and these tests are required here")
        pytest.skip("no Chromium is installed: pages are not looked at (Debian: apt install chromium)")
    with sync_playwright() as play:
        running = play.chromium.launch(executable_path=program, args=FLAGS)
        yield running
        running.close()


Opener = Callable[..., Page]


@pytest.fixture
def open_page(request: pytest.FixtureRequest, browser: Browser) -> Iterator[Opener]:
    """Opens a page of ``site``; afterwards nothing may have gone wrong in any and nothing have left the machine."""
    visitors: list[Visitor] = []

    def opened(path: str, size: tuple[int, int] = WIDE, *, dark: bool = False, site: str = "") -> Page:
        address = site or request.getfixturevalue("site")
        context = browser.new_context(
            viewport={"width": size[0], "height": size[1]},
            color_scheme="dark" if dark else "light",
            has_touch=size == PHONE,
            is_mobile=size == PHONE,
            device_scale_factor=1,
        )
        page = context.new_page()
        page.set_default_timeout(PATIENCE)
        visitor = Visitor(page)
        visitor.watch(address)
        visitors.append(visitor)
        page.goto(address + path)
        page.wait_for_selector("main h1")
        return page

    yield opened
    for visitor in visitors:
        visitor.page.context.close()
    assert [complaint for visitor in visitors for complaint in visitor.complaints] == []
    assert [url for visitor in visitors for url in visitor.abroad] == []


def settled(page: Page) -> Page:
    """The page when nothing on it is waited for any more; a first long answer also waits for compilers."""
    expect(page.locator(".waiting")).to_have_count(0, timeout=4 * PATIENCE)
    return page


def assert_accessible(page: Page) -> None:
    """No serious or critical violation of the rules of axe-core (WCAG 2.2 A and AA, best practice)."""
    found = Axe().run(page).response["violations"]
    grave = [
        (each["id"], [node["html"][:160] for node in each["nodes"][:3]])
        for each in found
        if each["impact"] in ("serious", "critical")
    ]
    assert grave == []


def assert_fits(page: Page) -> None:
    """Nothing makes the page itself scroll sideways."""
    wide = page.evaluate("[document.documentElement.scrollWidth, document.documentElement.clientWidth]")
    assert wide[0] <= wide[1], f"the page is {wide[0]} px wide on a screen of {wide[1]} px"


def assert_touchable(page: Page) -> None:
    """What is touched is at least 24 px each way (WCAG 2.2, 2.5.8), buttons and boxes of forms at least 40 px high."""
    small = page.evaluate(
        """() => {
          const lines = 'input:not([type=checkbox]):not([type=radio]):not([type=hidden])';
          const touched = `button, select, summary, nav a, ${lines}`;
          const low = e => e.getBoundingClientRect().height < 40 || e.getBoundingClientRect().width < 24;
          const seen = [...document.querySelectorAll(touched)].filter(e => e.offsetParent);
          return seen.filter(low).map(e => e.outerHTML.slice(0, 120));
        }"""
    )
    assert small == []
