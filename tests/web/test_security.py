"""What stands before every request: names, origins, limits, headers, the password and its sessions."""

import os
import socket
import stat
from collections.abc import AsyncIterator, Callable, Iterator
from pathlib import Path
from time import monotonic
from typing import Any

import pytest
from fastapi import FastAPI, Request, Response, WebSocket

from tests.web.inside import Inside, inside
from wearlore import cli
from wearlore.errors import ServeError
from wearlore.web import sessions, signin
from wearlore.web.limits import SMALL, UPLOAD, limit_of
from wearlore.web.nonces import stamp
from wearlore.web.password import Password, fits
from wearlore.web.security import Guard, Place
from wearlore.web.sessions import Attempts, Sessions

WORD = "left hand thread"
PAGE = b"""<!doctype html>
    <script type="importmap">
      {"imports": {}}
    </script>
    <script>
      addStyle = 1;
    </script>
<script>theirs()</script>
    <script>theirs()</script>
"""


class Clock:
    now = 1000.0

    def __call__(self) -> float:
        return self.now


def guarded(folder: Path, clock: Callable[[], float] = monotonic, **place: Any) -> tuple[FastAPI, Guard]:
    """A small application behind the guard: a page, a place that takes bodies, a socket."""
    guard = Guard(Place(**{"port": 80, **place}), Sessions(Password(folder), clock))
    app = FastAPI(openapi_url=None)
    app.include_router(signin.router(guard))

    @app.get("/page")
    async def page() -> Response:
        return Response(PAGE, media_type="text/html")

    @app.get("/api/answer")
    async def answer() -> dict[str, int]:
        return {"answer": 1}

    @app.post("/api/records")
    @app.post("/take")
    async def take(request: Request) -> dict[str, int]:
        return {"read": len(await request.body())}

    @app.websocket("/_nicegui_ws/socket.io/")
    async def socket(ws: WebSocket) -> None:
        await ws.accept()
        async for said in ws.iter_text():
            await ws.send_text(said)

    guard.protect(app)
    return app, guard


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Inside]:
    """Without a password, on this machine alone."""
    with inside(guarded(tmp_path)[0]) as asked:
        yield asked


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """Passwords are compared, not hashed slowly."""
    monkeypatch.setattr(sessions, "fits", lambda word, hashed: word == WORD)


@pytest.fixture
def closed(tmp_path: Path, clock: Clock, quick: None) -> Iterator[Inside]:
    """With a password."""
    Password(tmp_path).set(WORD)
    with inside(guarded(tmp_path, clock)[0]) as asked:
        yield asked


# -------------------------------------------------------------------------------------------------- names and origins
@pytest.mark.parametrize(
    ("host", "alone", "in_a_network"),
    [
        ("localhost:8040", True, True),
        ("LOCALHOST:8040", True, True),
        ("127.0.0.1:8040", True, True),
        ("[::1]:8040", True, True),
        ("192.168.1.20:8040", False, True),
        (f"{socket.gethostname()}:8040", False, True),
        ("bench.example:8040", False, False),
        ("localhost.example:8040", False, False),
        ("localhost:8041", False, False),
        ("localhost", False, False),
        ("user@localhost:8040", False, False),
        ("localhost:port", False, False),
        ("", False, False),
    ],
)
def test_only_its_own_names_are_answered(host: str, alone: bool, in_a_network: bool) -> None:
    assert Place(port=8040).is_ours(host) == alone
    assert Place("0.0.0.0", 8040).is_ours(host) == in_a_network


def test_another_name_is_told_so(bench: Inside) -> None:
    refused = bench.get("/page", headers={"host": "rebound.example"})
    assert (refused.status_code, refused.headers["content-type"]) == (421, "application/problem+json")


FOREIGN: list[tuple[str, dict[str, str]]] = [
    ("POST", {"origin": "http://evil.example"}),
    ("POST", {"origin": "null"}),
    ("POST", {"origin": "http://localhost:3000"}),
    ("POST", {"origin": "https://localhost"}),
    ("POST", {"sec-fetch-site": "cross-site", "sec-fetch-mode": "navigate"}),
    ("POST", {"sec-fetch-site": "same-site", "sec-fetch-mode": "cors"}),
    ("GET", {"origin": "http://evil.example"}),
    ("GET", {"sec-fetch-site": "cross-site", "sec-fetch-mode": "no-cors"}),
]
OWN: list[tuple[str, dict[str, str]]] = [
    ("POST", {"origin": "http://localhost", "sec-fetch-site": "same-origin"}),
    ("POST", {}),  # no browser
    ("GET", {"sec-fetch-site": "cross-site", "sec-fetch-mode": "navigate"}),  # a link from elsewhere
    ("GET", {"sec-fetch-site": "none", "sec-fetch-mode": "navigate"}),
]


@pytest.mark.parametrize(("method", "headers"), FOREIGN)
def test_pages_of_other_sites_cannot_ask(bench: Inside, method: str, headers: dict[str, str]) -> None:
    assert bench.ask(method, "/take" if method == "POST" else "/page", headers=headers).status_code == 403


@pytest.mark.parametrize(("method", "headers"), OWN)
def test_own_pages_and_programs_can(bench: Inside, method: str, headers: dict[str, str]) -> None:
    assert bench.ask(method, "/take" if method == "POST" else "/page", headers=headers).status_code == 200


def test_sockets_are_for_own_pages(bench: Inside) -> None:
    own = bench.socket({"host": "localhost", "origin": "http://localhost"})
    assert [message["type"] for message in own] == ["websocket.accept", "websocket.send"]
    for headers in (
        {"host": "localhost", "origin": "http://evil.example"},
        {"host": "evil.example", "origin": "http://evil.example"},
    ):
        assert bench.socket(headers) == [{"type": "websocket.close", "code": 1008}]


# -------------------------------------------------------------------------------------------------------------- limits
async def pieces(size: int, read: list[int]) -> AsyncIterator[bytes]:
    while size > 0:
        read.append(min(size, 2**16))
        size -= read[-1]
        yield bytes(read[-1])


@pytest.mark.parametrize(("path", "size", "status"), [
    ("/take", SMALL, 200), ("/take", SMALL + 1, 413), ("/api/records", SMALL + 1, 200),
    ("/api/records", 64 * SMALL + 1, 413),
])  # fmt: skip
def test_what_is_too_much_is_refused_by_what_comes(bench: Inside, path: str, size: int, status: int) -> None:
    answered = bench.post(path, content=pieces(size, []))  # chunked: nothing says how much it will be
    assert answered.status_code == status
    if status == 200:
        assert answered.json() == {"read": size}


def test_only_places_for_files_take_more() -> None:
    assert limit_of("/api/records") == limit_of("/records/sent") == UPLOAD
    assert (
        limit_of("/api/recordsnot") == limit_of("/api/vehicles/records") == limit_of("/_nicegui_ws/socket.io/") == SMALL
    )


def test_what_says_that_it_is_too_much_is_not_even_read(bench: Inside) -> None:
    read: list[int] = []
    answered = bench.post("/take", content=pieces(10 * SMALL, read), headers={"content-length": str(10 * SMALL)})
    assert answered.status_code == 413
    assert len(read) <= 1


# ------------------------------------------------------------------------------------------------------------- headers
@pytest.mark.parametrize("path", ["/page", "/api/answer", "/nowhere"])
def test_every_answer_says_what_a_page_may_do(bench: Inside, path: str) -> None:
    headers = bench.get(path).headers
    policy = headers["content-security-policy"]
    for rule in ("default-src 'self'", "object-src 'none'", "base-uri 'none'", "frame-ancestors 'none'"):
        assert rule in policy
    assert "'unsafe-inline'" not in policy.partition("script-src")[2].partition(";")[0]
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["cache-control"] == "no-store"


def test_only_the_page_librarys_scripts_carry_the_nonce(bench: Inside) -> None:
    answered = [bench.get("/page") for _ in range(2)]
    nonces = [one.headers["content-security-policy"].partition("'nonce-")[2].partition("'")[0] for one in answered]
    assert nonces[0] != nonces[1]
    for one, nonce in zip(answered, nonces, strict=True):
        assert one.content.count(f'<script nonce="{nonce}"'.encode()) == 2
        assert one.content.count(b"<script>theirs()") == 2


def test_a_script_that_was_smuggled_in_first_is_not_stamped_in_place_of_ours() -> None:
    smuggled = PAGE.replace(b"<!doctype html>", b"<!doctype html><script>\n      addStyle = evil()</script>")
    assert b'<script nonce="n">\n      addStyle = evil' not in stamp(smuggled, "n")


# ------------------------------------------------------------------------------------------------------------ password
def test_the_password_is_kept_as_a_hash_for_its_owner_alone(tmp_path: Path) -> None:
    password = Password(tmp_path)
    assert password.hashed() is None
    password.set(WORD)
    assert stat.S_IMODE(password.path.stat().st_mode) == 0o600
    hashed = password.hashed()
    assert hashed is not None
    assert hashed.startswith("$argon2id$")
    assert fits(WORD, hashed)
    assert not fits(WORD + " ", hashed)
    assert not fits(WORD, "no hash at all")
    assert os.listdir(tmp_path) == ["password.argon2"]
    assert password.remove()
    assert not password.remove()


@pytest.mark.parametrize("word", ["", "too short", "x" * 1001])
def test_short_passwords_are_refused(tmp_path: Path, word: str) -> None:
    with pytest.raises(ServeError, match="10 or more"):
        Password(tmp_path).set(word)
    assert not os.listdir(tmp_path)


def sign_in(bench: Inside, word: str = WORD, to: str = "/page") -> Any:
    return bench.post("/sign-in", data={"password": word, "to": to})


def test_nobody_comes_in_without_it(closed: Inside) -> None:
    page = closed.get("/page?mode=x", headers={"accept": "text/html"})
    assert (page.status_code, page.headers["location"]) == (303, "/sign-in?to=%2Fpage%3Fmode%3Dx")
    program = closed.get("/api/answer")
    assert program.status_code == 401
    assert program.headers["www-authenticate"].startswith("Basic")
    assert closed.post("/take").status_code == 401
    assert closed.socket({"host": "localhost", "origin": "http://localhost"})[0]["type"] == "websocket.close"


def test_a_session_opens_pages_and_sockets_until_one_signs_out(closed: Inside) -> None:
    entered = sign_in(closed)
    assert (entered.status_code, entered.headers["location"]) == (303, "/page")
    cookie = entered.headers["set-cookie"]
    assert "HttpOnly" in cookie
    assert "SameSite=lax" in cookie
    assert closed.get("/page").status_code == 200
    own = {"host": "localhost", "origin": "http://localhost", "cookie": cookie.partition(";")[0]}
    assert [message["type"] for message in closed.socket(own)] == ["websocket.accept", "websocket.send"]
    assert closed.post("/sign-out").status_code == 303
    assert closed.get("/api/answer", headers={"cookie": own["cookie"]}).status_code == 401
    assert closed.socket(own)[0]["type"] == "websocket.close"


def test_an_open_socket_ends_with_its_session(tmp_path: Path, clock: Clock, quick: None) -> None:
    Password(tmp_path).set(WORD)
    app, guard = guarded(tmp_path, clock)
    with inside(app) as bench:
        cookie = sign_in(bench).headers["set-cookie"].partition(";")[0]
        good, asked = guard.sessions.good, []

        def until_the_second(token: str) -> bool:
            asked.append(token)
            return good(token) and len(asked) <= 3  # on opening, on connecting, for the first thing said

        guard.sessions.good = until_the_second  # type: ignore[method-assign]
        sent = bench.socket({"host": "localhost", "origin": "http://localhost", "cookie": cookie}, said=5)
        assert [message["type"] for message in sent] == ["websocket.accept", "websocket.send"]


def test_sessions_end_after_twelve_hours_or_with_another_password(closed: Inside, clock: Clock, tmp_path: Path) -> None:
    sign_in(closed)
    clock.now += 12 * 3600 - 1
    assert closed.get("/page").status_code == 200
    clock.now += 2
    assert closed.get("/page").status_code == 401
    sign_in(closed)
    Password(tmp_path).set("another password")
    assert closed.get("/page").status_code == 401


def test_over_tls_the_cookie_never_travels_open(tmp_path: Path, quick: None) -> None:
    Password(tmp_path).set(WORD)
    app, _ = guarded(tmp_path, secure=True, port=443)
    with inside(app, "https://localhost") as bench:
        cookie = sign_in(bench).headers["set-cookie"]
    assert cookie.startswith("__Host-wearlore-443=")
    assert "Secure" in cookie


def test_in_a_network_nothing_is_answered_when_the_password_is_taken_away(tmp_path: Path, quick: None) -> None:
    Password(tmp_path).set(WORD)
    with inside(guarded(tmp_path, host="0.0.0.0")[0]) as bench:
        assert sign_in(bench).status_code == 303
        Password(tmp_path).remove()
        assert bench.get("/page").status_code == 403


def test_programs_may_send_the_password_with_each_request(closed: Inside) -> None:
    assert closed.get("/api/answer", auth=("anybody", WORD)).status_code == 200
    assert closed.get("/api/answer", auth=("anybody", "wrong")).status_code == 401
    assert closed.get("/page", auth=("anybody", WORD)).status_code == 401  # pages are for sessions
    assert closed.get("/api/answer", headers={"authorization": "Basic not-base64!"}).status_code == 401


def test_who_guesses_waits_longer_and_longer(closed: Inside, clock: Clock) -> None:
    assert [sign_in(closed, "a guess").status_code for _ in range(5)] == [403, 403, 403, 403, 429]
    waiting = sign_in(closed)  # the right one does not help now
    assert (waiting.status_code, waiting.headers["retry-after"]) == (429, "30")
    assert closed.get("/api/answer", auth=("", WORD)).status_code == 401
    clock.now += 31
    assert sign_in(closed, "a guess").headers["retry-after"] == "60"
    clock.now += 61
    assert sign_in(closed).status_code == 303
    assert sign_in(closed, "a guess").status_code == 403  # forgiven


def test_guessing_from_one_address_holds_up_no_other() -> None:
    clock = Clock()
    attempts = Attempts(clock)
    for _ in range(50):
        attempts.failed("2001:db8:1:2::1")
        attempts.failed("10.0.0.1")
    assert attempts.wait("10.0.0.1") == 900
    assert attempts.wait("2001:db8:1:2:ffff::9") == 900  # the same network, to which all its addresses belong
    assert attempts.wait("10.0.0.2") == attempts.wait("2001:db8:1:3::1") == 0


@pytest.mark.parametrize(
    "to", ["//evil.example", "/\\evil.example", "https://evil.example", "evil", "/a\r\nx: y", "/\tx", "", "/é"]
)
def test_signing_in_leads_to_no_other_site(closed: Inside, to: str) -> None:
    assert sign_in(closed, to=to).headers["location"] == "/"


def test_what_is_shown_again_is_text(closed: Inside) -> None:
    shown = closed.get("/sign-in", params={"to": '/"><script>evil()</script>'}).text
    assert "<script>" not in shown


# ------------------------------------------------------------------------------------------------------------ commands
def test_the_bench_is_for_this_machine_alone_unless_there_is_a_password(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for host in ("0.0.0.0", "::", "192.0.2.7", "bench.example"):
        assert cli.run(["serve", "--host", host, "--in", str(tmp_path)]) == 2
        assert "wearlore password --in" in capsys.readouterr().err


def test_a_port_in_use_is_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        assert cli.run(["serve", "--port", str(port), "--in", str(tmp_path)]) == 2
    assert f"port {port} is in use already. Close what uses it" in capsys.readouterr().err


def test_a_certificate_that_is_none_is_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "c.pem").write_text("nothing")
    here = ["serve", "--in", str(tmp_path), "--certificate", str(tmp_path / "c.pem")]
    assert cli.run(here) == 2
    assert "--certificate and --key go together" in capsys.readouterr().err
    assert cli.run([*here, "--key", str(tmp_path / "c.pem")]) == 2
    assert "both PEM" in capsys.readouterr().err


def test_a_password_is_set_from_a_pipe_and_taken_away(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    here = ["password", "--in", str(tmp_path)]
    for said, code in (("short\n", 2), (f"{WORD}\nand more\n", 0)):
        monkeypatch.setattr("sys.stdin", _Pipe(said))
        assert cli.run(here) == code
    hashed = Password(tmp_path).hashed()
    assert hashed is not None
    assert fits(WORD, hashed)
    assert cli.run([*here, "--remove"]) == 0
    assert Password(tmp_path).hashed() is None
    assert "taken away" in capsys.readouterr().out


class _Pipe:
    def __init__(self, said: str) -> None:
        self.said = said

    def isatty(self) -> bool:
        return False

    def readline(self) -> str:
        return self.said.splitlines(keepends=True)[0]
