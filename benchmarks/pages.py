"""How soon pages of the bench paint and how soon they follow a touch, in a real browser over a demo store.

    python benchmarks/pages.py [FOLDER]

Without FOLDER the demo of 6,000 vans is invented first. Each page is opened several times in a browser that knows
nothing of it; the peer is a page of the same page library with one heading on it, opened in turn with ours. Of a page
are told: the first paint of its frame with what it is about, and when the last answer stood on it.
"""

from __future__ import annotations

import shutil
import socket
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from urllib.request import urlopen

from playwright.sync_api import Browser, Page, sync_playwright

TIMES = 5
VAN = "V04109"
FLAGS = ["--no-sandbox", "--disable-gpu", "--disable-background-networking", "--disable-component-update"]
PEER = """
from nicegui import html, ui
@ui.page("/")
def page():
    html.h1("A page")
ui.run(port=%d, host="127.0.0.1", show=False, reload=False, show_welcome_message=False)
"""
PAINTED = """() => new Promise(done => {
  const see = () => {
    const [first] = performance.getEntriesByName('first-contentful-paint');
    return first && document.querySelector('h1') ? done(first.startTime) : requestAnimationFrame(see);
  };
  see();
})"""
ANSWERED = """() => new Promise(done => {
  const see = () => document.querySelector('main h1') && !document.querySelector('.waiting')
    ? done(performance.now()) : requestAnimationFrame(see);
  see();
})"""
WATCH = """place => {
  window.changed = new Promise(done => {
    const seen = new MutationObserver(() => {
      seen.disconnect();
      requestAnimationFrame(() => done(performance.now()));
    });
    const all = {childList: true, subtree: true, characterData: true, attributes: true};
    seen.observe(document.querySelector(place), all);
  });
  addEventListener('click', () => { window.began = performance.now(); }, {capture: true, once: true});
  addEventListener('input', () => { window.began = performance.now(); }, {capture: true, once: true});
}"""


def free_port() -> int:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        return int(free.getsockname()[1])


def awaited(address: str) -> str:
    for _ in range(600):
        try:
            with urlopen(address):
                return address
        except OSError:
            time.sleep(0.2)
    raise SystemExit(f"{address} does not answer")


@contextmanager
def both(folder: Path) -> Iterator[tuple[str, str]]:
    """Addresses of the bench over the folder, and of the peer."""
    ours, peer = free_port(), free_port()
    command = [sys.executable, "-m", "wearlore.cli", "serve", "--in", str(folder), "--port", str(ours)]
    with subprocess.Popen(command) as bench, subprocess.Popen([sys.executable, "-c", PEER % peer]) as beside:
        try:
            yield (
                awaited(f"http://127.0.0.1:{ours}/look.css").removesuffix("/look.css"),
                awaited(f"http://127.0.0.1:{peer}"),
            )
        finally:
            bench.terminate()
            beside.terminate()


def opened(browser: Browser, address: str, settle: bool = True) -> tuple[float, float]:
    """ms to the first paint, and to the last answer, in a browser with nothing in store."""
    context = browser.new_context(viewport={"width": 1440, "height": 900})
    page = context.new_page()
    page.goto(address, wait_until="commit")
    painted = float(page.evaluate(PAINTED))
    done = float(page.evaluate(ANSWERED)) if settle else painted
    context.close()
    return painted, done


def paints(browser: Browser, ours: str, peer: str, pages: list[str]) -> None:
    print(f"{f'ms, medians of {TIMES}':44} paint  answer  empty page  ratio of paints")
    for path in pages:
        mine, theirs = [], []
        opened(browser, ours + path)  # answers are computed once, and kept
        for _ in range(TIMES):
            mine.append(opened(browser, ours + path))
            theirs.append(opened(browser, peer, settle=False)[0])
        paint, answer = (statistics.median(column) for column in zip(*mine, strict=True))
        beside = statistics.median(theirs)
        print(f"{path:44} {paint:5.0f} {answer:7.0f} {beside:11.0f} {paint / beside:16.2f}")


def touches(page: Page, what: str, acts: Iterator[str], place: str) -> None:
    """Each act is a script that touches something; the time until ``place`` has changed."""
    took = []
    for act in acts:
        page.evaluate(WATCH, place)
        page.evaluate(act)
        if (after := page.evaluate(CHANGED)) is not None:
            took.append(float(after))
        page.wait_for_timeout(400)
    took.sort()
    worst = took[min(int(0.95 * len(took)), len(took) - 1)]
    print(f"{what:44} {statistics.median(took):5.0f} {worst:7.0f}   ms, half and 95 % of {len(took)}   (aim: 150)")


def live(browser: Browser, ours: str) -> None:
    print("from a touch to the changed page")
    van = f"{ours}/vehicles/{VAN}"
    page = browser.new_context(viewport={"width": 1440, "height": 900}).new_page()

    def at(address: str) -> None:
        page.goto(address)
        page.wait_for_selector("main h1")
        page.wait_for_function("() => !document.querySelector('.waiting')")
        page.wait_for_timeout(1500)

    at(f"{van}/trace")
    zones = page.locator(ZONE).count()
    touches(page, "trace: a zone touched, sources ranked", (TOUCH % (ZONE, k % zones) for k in range(20)), ".sources")
    at(f"{van}/visit?fault=chain-stretch")
    for number, name in enumerate(("horizon", "km a year", "labour rate")):
        slides = (SLIDE % (number, 0.2 + 0.6 * (k % 12) / 11) for k in range(12))
        touches(page, f"visit: {name} moved, figures follow", slides, ".visit-answer")
    at(f"{ours}/")
    letters = (TYPE % word for word in ("c", "ch", "cha", "w", "wa", "wat", "", "b", "be", "bel"))
    touches(page, "family: typed, bands follow", letters, "main .slot")


CHANGED = """() => Promise.race([
  window.changed.then(at => at - window.began), new Promise(done => setTimeout(() => done(null), 3000)),
])"""  # null: it had nothing to change
ZONE = ".engine button.zone"
TOUCH = "() => document.querySelectorAll('%s')[%d].click()"
SLIDE = """() => { const e = document.querySelectorAll('main input[type=range]')[%d];
  e.value = Number(e.min) + (Number(e.max) - Number(e.min)) * %f;
  e.dispatchEvent(new Event('input', {bubbles: true})); }"""
TYPE = """() => { const e = document.querySelector('main input[type=search]'); e.value = %r;
  e.dispatchEvent(new Event('input', {bubbles: true})); }"""


def main() -> None:
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(scratch) / "demo"
        if len(sys.argv) == 1:
            subprocess.run([sys.executable, "-m", "wearlore.cli", "demo", "--folder", str(folder)], check=True)
        with both(folder) as (ours, peer), sync_playwright() as play:
            browser = play.chromium.launch(executable_path=shutil.which("chromium"), args=FLAGS)
            of_a_van = ("", "/trace", "/visit?fault=chain-stretch", "/outlook", "/appraisal?price=9500")
            rest = ("/", "/weak-points/chain-stretch", "/vehicles", "/due", "/records", "/hindsight", "/guide")
            paints(browser, ours, peer, [*(f"/vehicles/{VAN}{page}" for page in of_a_van), *rest])
            live(browser, ours)


if __name__ == "__main__":
    main()
