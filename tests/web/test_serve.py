"""A bench with a password as a person meets it: signing in and out in a browser, no way to files, a quiet end."""

import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from http.client import HTTPConnection
from pathlib import Path
from urllib.parse import urlencode, urlsplit

import pytest
from playwright.sync_api import expect

from tests.web.conftest import PHONE, Opener, assert_accessible, assert_fits, assert_touchable, served
from tests.web.shop import lay_out
from wearlore.web.password import Password

WORD = "left hand thread"
pytestmark = [pytest.mark.slow, pytest.mark.xdist_group("browser")]


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = lay_out(tmp_path_factory.mktemp("serve") / "shop")
    Password(made).set(WORD)
    return made


@pytest.fixture(scope="module")
def closed(folder: Path) -> Iterator[str]:
    """The address of a bench with a password."""
    with served(folder) as address:
        yield address


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
def test_one_signs_in_works_and_signs_out_by_keyboard(open_page: Opener, closed: str, dark: bool) -> None:
    page = open_page("/vehicles", PHONE, dark=dark, site=closed)
    expect(page.locator("h1")).to_have_text("Sign in")
    for holds in (assert_fits, assert_touchable, assert_accessible):
        holds(page)
    page.keyboard.type(WORD)  # the field has the focus
    page.keyboard.press("Enter")
    expect(page.locator("h1")).to_have_text("Vehicles")
    page.get_by_label("Name or variant").fill("C017")
    expect(page.locator("#content")).not_to_contain_text("C008")  # its socket is let in too
    page.get_by_role("link", name="Sign out").press("Enter")
    page.get_by_role("button", name="Sign out").press("Enter")
    expect(page.locator("h1")).to_have_text("Sign in")
    page.goto(f"{closed}/")
    expect(page.locator("h1")).to_have_text("Sign in")


def test_the_list_of_the_interface_can_be_read_by_everybody(open_page: Opener, closed: str) -> None:
    page = open_page("/api/docs", PHONE, site=closed)
    page.keyboard.type(WORD)
    page.keyboard.press("Enter")
    expect(page.locator("h1")).to_have_text("Interface for programs")
    for holds in (assert_fits, assert_touchable, assert_accessible):
        holds(page)


PATHS = [
    f"{place}{up * 8}{file}"
    for place in ("/", "/_nicegui/3.18.0/static/", "/_nicegui/3.18.0/esm/leaflet/", "/guide/", "/papers/", "/api/")
    for up in ("../", "%2e%2e/", "..%2f", "%2e%2e%2f", "..\\")
    for file in ("etc/passwd",)
] + [
    f"{place}{up}{file}"
    for place in ("/guide/", "/papers/", "/papers/C001/", "/_nicegui/3.18.0/static/")
    for up in ("../", "..%2f", "%2e%2e%2f", "")
    for file in ("book.yaml", "records.duckdb", "password.argon2", "lines.csv")
]


def test_no_path_leads_to_a_file(closed: str) -> None:
    where = urlsplit(closed).netloc
    signing = HTTPConnection(where)
    form = {"content-type": "application/x-www-form-urlencoded"}
    signing.request("POST", "/sign-in", urlencode({"password": WORD, "to": "/"}), form)
    with signing.getresponse() as entered:
        cookie = (entered.headers["set-cookie"] or "").partition(";")[0]
    signing.close()
    for path in PATHS:
        asked = HTTPConnection(where)
        asked.putrequest("GET", path, skip_accept_encoding=True)
        asked.putheader("cookie", cookie)
        asked.endheaders()
        with asked.getresponse() as answered:
            body = answered.read()
        asked.close()
        assert answered.status in (400, 403, 404, 405, 422), path
        for content in (b"root:", b"argon2id", b"front-seal-leak", b"DUCK"):
            assert content not in body, path


def test_ctrl_c_ends_it_quietly(folder: Path) -> None:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    command = [sys.executable, "-m", "wearlore.cli", "serve", "--in", str(folder), "--port", str(port)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as bench:
        assert bench.stdout is not None
        assert bench.stderr is not None
        try:
            assert f"http://127.0.0.1:{port}" in bench.stdout.readline()
            assert "asks for its password" in bench.stdout.readline()
            asked = HTTPConnection("127.0.0.1", port, timeout=60)
            asked.request("GET", "/look.css")
            assert asked.getresponse().status == 200
            asked.close()
            bench.send_signal(signal.SIGINT)
            assert bench.wait(60) == 0
        finally:
            bench.kill()
        assert bench.stdout.read() == "The bench is closed.\n"
        assert "Traceback" not in bench.stderr.read()
