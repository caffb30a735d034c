"""How much a request may bring: counted as it comes, whatever it says of its length."""

from __future__ import annotations

from starlette.types import ASGIApp, Message, Receive, Scope, Send

UPLOAD, SMALL = 64 * 2**20, 2**20  # bytes of a file that is sent, and of anything else
UPLOADS = ("/api/records", "/records")  # where files are sent to


class TooMuch(Exception):
    """More has come than may."""


def limit_of(path: str) -> int:
    return UPLOAD if any(path == place or path.startswith(f"{place}/") for place in UPLOADS) else SMALL


def told_length(scope: Scope) -> int:
    """What the request says of its length, 0 unless it does."""
    told = next((value for name, value in scope["headers"] if name == b"content-length"), b"")
    return int(told) if told.isdigit() else 0


async def within(limit: int, app: ASGIApp, scope: Scope, receive: Receive, send: Send) -> bool:
    """Pass the request on; whether it kept to the limit. What the application says after that is not sent."""
    read, over, begun = 0, False, False

    async def counted() -> Message:
        nonlocal read, over
        message = await receive()
        read += len(message.get("body", b""))
        if read > limit:
            over = True
            raise TooMuch
        return message

    async def passed(message: Message) -> None:
        nonlocal begun
        if not over or begun:
            begun = True
            await send(message)

    try:
        await app(scope, counted, passed)
    except Exception:
        if not over:
            raise
    return not over or begun
