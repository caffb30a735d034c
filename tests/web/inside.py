"""An application asked inside this process: no server, no port, one event loop for all that is asked.

The loop has a thread of its own: while a browser is driven, this thread's loop is taken.
"""

import asyncio
from collections.abc import Coroutine, Iterator, MutableMapping
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from typing import Any

import httpx
import requests
import schemathesis

HERE = ("127.0.0.1", 50_000)


class Loop:
    """An event loop in a thread of its own."""

    def __init__(self) -> None:
        self._thread = ThreadPoolExecutor(1)
        self._runner = asyncio.Runner()

    def run(self, coroutine: Coroutine[Any, Any, Any]) -> Any:
        return self._thread.submit(self._runner.run, coroutine).result()

    def close(self) -> None:
        self._thread.submit(self._runner.close).result()
        self._thread.shutdown()


class Inside:
    """Asks ``app``, as if from ``client`` at ``url``."""

    def __init__(self, app: Any, runner: Loop, url: str, client: tuple[str, int]) -> None:
        self.app, self._runner = app, runner
        transport = httpx.ASGITransport(app=app, raise_app_exceptions=False, client=client)
        self._http = httpx.AsyncClient(transport=transport, base_url=url)

    def ask(self, method: str, path: str, **how: Any) -> httpx.Response:
        return self._runner.run(self._http.request(method, path, **how))

    def get(self, path: str, **how: Any) -> httpx.Response:
        return self.ask("GET", path, **how)

    def post(self, path: str, **how: Any) -> httpx.Response:
        return self.ask("POST", path, **how)

    def send(self, case: schemathesis.Case) -> httpx.Response:
        """What was drawn from a description, as it stands."""
        how = case.as_transport_kwargs(base_url=str(self._http.base_url).rstrip("/"))
        request = requests.Request(
            how["method"], how["url"], how.get("headers"), how.get("files"), how.get("data") or {}, how.get("params"),
            cookies=how.get("cookies"), json=how.get("json"),
        ).prepare()  # fmt: skip
        headers = [(name.encode("latin-1"), str(value).encode("latin-1")) for name, value in request.headers.items()]
        content = request.body.encode() if isinstance(request.body, str) else request.body
        return self.ask(request.method or "GET", request.url or "/", headers=headers, content=content)

    def socket(self, headers: dict[str, str], said: int = 1) -> list[MutableMapping[str, Any]]:
        """What is sent to a socket that says ``said`` things and goes."""
        scope = {
            "type": "websocket", "path": "/_nicegui_ws/socket.io/", "query_string": b"", "scheme": "ws",
            "client": HERE, "headers": [(name.lower().encode(), value.encode()) for name, value in headers.items()],
        }  # fmt: skip
        incoming = [{"type": "websocket.connect"}, *[{"type": "websocket.receive", "text": "hello"}] * said]
        sent: list[MutableMapping[str, Any]] = []

        async def receive() -> MutableMapping[str, Any]:
            return incoming.pop(0) if incoming else {"type": "websocket.disconnect", "code": 1000}

        async def send(message: MutableMapping[str, Any]) -> None:
            sent.append(message)

        self._runner.run(self.app(scope, receive, send))
        return sent


@contextmanager
def inside(app: Any, url: str = "http://localhost", client: tuple[str, int] = HERE) -> Iterator[Inside]:
    loop = Loop()
    try:
        yield Inside(app, loop, url, client)
    finally:
        loop.close()
