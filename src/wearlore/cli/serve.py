"""The bench in a browser."""

from __future__ import annotations

from typing import Annotated

from cyclopts import Parameter

from wearlore.cli.app import app
from wearlore.cli.options import Where
from wearlore.cli.output import Working, say, today


@app.command
def serve(
    *,
    port: Annotated[int, Parameter(help="Where it listens on this machine.")] = 8040,
    units: Annotated[str | None, Parameter(help="metric, uk or us; unless given, those of the book.")] = None,
    where: Where = Where(),
) -> None:
    """Open the bench in a browser on this machine, until Ctrl-C.

    Example: wearlore serve --in wearlore-demo
    """
    from wearlore.web import Desk
    from wearlore.web import serve as go
    from wearlore.web.security import Guard

    with Working() as working:
        desk = Desk(where.folder, today=today, units=units, progress=working.show)
        desk.warm()
    say(f"The bench is open at http://127.0.0.1:{port} — Ctrl-C closes it.")
    go(desk, host="127.0.0.1", port=port, guard=Guard())
