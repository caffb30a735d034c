"""The page library's own inline scripts carry the nonce of their response; no other script does.

They are known by how they begin: were the policy's nonce put on whatever looks like a script, it would guard nothing.
"""

from __future__ import annotations

from starlette.datastructures import MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

NONCE = "wearlore.nonce"  # in the scope of a request
OPENING = b"    <script"
SCRIPTS = (
    b'    <script type="importmap">\n      {"imports":',
    b"    <script>\n      addStyle = ",
    b'    <script type="module">\n      import * as Vue from "vue";',
    b'    <script type="module">\n      // Load DOMPurify',
)


class Nonces:
    """Writes the nonce in the scope into HTML that the page library has made."""

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http" or NONCE not in scope:
            await self.app(scope, receive, send)
            return
        start: Message | None = None
        body = bytearray()

        async def stamped(message: Message) -> None:
            nonlocal start
            if message["type"] == "http.response.start" and _is_html(message):
                start = message
            elif start is None or message["type"] != "http.response.body":
                await send(message)
            else:
                body.extend(message.get("body", b""))
                if not message.get("more_body"):
                    page = stamp(bytes(body), scope[NONCE])
                    MutableHeaders(scope=start)["content-length"] = str(len(page))
                    await send(start)
                    await send({"type": "http.response.body", "body": page})

        await self.app(scope, receive, stamped)


def stamp(page: bytes, nonce: str) -> bytes:
    for script in SCRIPTS:
        page = page.replace(script, script.replace(OPENING, OPENING + f' nonce="{nonce}"'.encode()), 1)
    return page


def _is_html(start: Message) -> bool:
    headers = MutableHeaders(scope=start)
    return headers.get("content-type", "").startswith("text/html") and "content-encoding" not in headers
