"""Files that a page sends: each into a private folder of that page, under names of our own, until the page has gone.

What a file was called is a label and nothing else. Only the page that made a tray knows its ticket.
"""

from __future__ import annotations

import re
import secrets
import shutil
import tempfile
from pathlib import Path

from fastapi import Request, Response
from nicegui import app

from wearlore.web.limits import UPLOAD

AT_MOST = 20  # files in a tray
NUMBER = re.compile(r"[a-z0-9]{4,16}")
SUFFIXES = (".csv", ".parquet")
TO = "/records/files"
SEND = """(e) => {
  const numbered = (file) => [(Math.random().toString(36).slice(2) + "00000").slice(0, 10), file];
  const files = [...e.target.files].slice(0, %(most)d).map(numbered);
  emit({state: "batch", files: files.map(([number, file]) => [number, file.name])});
  for (const [number, file] of files) {
    const say = (state, done) => emit({state, number, done});
    if (file.size > %(limit)d) { say("too much", 0); continue; }
    const sent = new XMLHttpRequest();
    const kind = encodeURIComponent(file.name.split(".").pop().toLowerCase());
    sent.open("PUT", `%(to)s/%(ticket)s/${number}?kind=${kind}`);
    sent.upload.onprogress = (told) => say("sending", told.loaded / told.total);
    sent.onload = () => say(sent.status === 204 ? "here" : sent.status === 413 ? "too much" : "lost", 1);
    sent.onerror = () => say("lost", 0);
    sent.send(file);
  }
  e.target.value = "";
}"""


class Trays:
    """The trays of all pages that are open."""

    def __init__(self) -> None:
        self._trays: dict[str, Tray] = {}

    def new(self) -> Tray:
        tray = Tray(secrets.token_urlsafe(24))
        self._trays[tray.ticket] = tray
        return tray

    def drop(self, tray: Tray) -> None:
        """With all that is in it."""
        self._trays.pop(tray.ticket, None)
        tray.empty()

    def receive(self) -> None:
        """Make the address known that files are sent to."""

        @app.put(f"{TO}/{{ticket}}/{{number}}", include_in_schema=False)
        async def put(request: Request, ticket: str, number: str, kind: str = "") -> Response:
            tray = self._trays.get(ticket)
            if tray is None or not NUMBER.fullmatch(number) or len(tray.files) >= AT_MOST:
                return Response(status_code=404)
            return Response(status_code=204 if await tray.take(request, number, kind) else 413)


class Tray:
    """The files that one page has sent, by number."""

    def __init__(self, ticket: str) -> None:
        self.ticket = ticket
        self.files: dict[str, Path] = {}
        self._folder: Path | None = None

    @property
    def script(self) -> str:
        """What a browser does with files that are chosen, telling how it goes with each."""
        return SEND % {"most": AT_MOST, "limit": UPLOAD, "to": TO, "ticket": self.ticket}

    async def take(self, request: Request, number: str, kind: str) -> bool:
        """Whether it was not too much."""
        if self._folder is None:
            self._folder = Path(tempfile.mkdtemp(prefix="wearlore-"))
        suffix = f".{kind}" if f".{kind}" in SUFFIXES else ".other"
        path, size = self._folder / f"{number}{suffix}", 0
        with path.open("wb") as file:
            async for part in request.stream():
                size += len(part)
                if size > UPLOAD:
                    break
                file.write(part)
        if size > UPLOAD:
            path.unlink()
            return False
        self.files[number] = path
        return True

    def drop(self, number: str) -> None:
        """A file that is needed no more."""
        if path := self.files.pop(number, None):
            path.unlink(missing_ok=True)

    def empty(self) -> None:
        self.files.clear()
        if self._folder is not None:
            shutil.rmtree(self._folder, ignore_errors=True)
            self._folder = None


def label_of(name: str) -> str:
    """What a file was called, as a label: one line, no folders."""
    last = re.split(r"[\\/]", name)[-1]
    return "".join(letter for letter in last if letter.isprintable())[:120] or "file"
