"""The bench in a browser, and the password that opens it to a network."""

from __future__ import annotations

import getpass
import os
import socket
import sys
from contextlib import suppress
from ipaddress import ip_address
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

from cyclopts import Parameter

from wearlore.cli.app import app
from wearlore.cli.options import Where
from wearlore.cli.output import Working, say, today
from wearlore.errors import ServeError

if TYPE_CHECKING:
    from wearlore.web.password import Password
    from wearlore.web.security import Place
    from wearlore.web.server import Certificate


@app.command
def serve(
    *,
    host: Annotated[
        str, Parameter(help="The address that it is bound to. Any but this machine's own needs a password.")
    ] = "127.0.0.1",
    port: Annotated[int, Parameter(help="The port that it listens on.")] = 8040,
    units: Annotated[
        Literal["metric", "uk", "us"] | None, Parameter(help="metric, uk or us; unless given, those of the book.")
    ] = None,
    certificate: Annotated[Path | None, Parameter(help="Serve over TLS with this certificate (PEM).")] = None,
    key: Annotated[Path | None, Parameter(help="The key of the certificate (PEM).")] = None,
    where: Where = Where(),
) -> None:
    """Open the bench in a browser, on this machine alone unless told otherwise, until Ctrl-C.

    Files that are sent to it may have 64 MB, anything else 1 MB.

    Example: wearlore serve --in wearlore-demo
    """
    from wearlore.web.desk import Desk
    from wearlore.web.password import Password
    from wearlore.web.security import Guard, Place
    from wearlore.web.server import listening
    from wearlore.web.server import serve as go
    from wearlore.web.sessions import Sessions

    tls = _certificate(certificate, key)
    password = Password(where.folder)
    _refuse_unguarded(Place(host), password, where)
    bound = listening(host, port)
    place = Place(host, bound.getsockname()[1], tls is not None)
    with Working() as working:
        desk = Desk(where.folder, today=today, units=units, progress=working.show)
        desk.warm()
    _greet(place, password)
    with suppress(KeyboardInterrupt):  # not raised where whoever started us has it ignored
        go(desk, Guard(place, Sessions(password)), bound, tls)
    say("The bench is closed.")
    sys.stdout.flush()
    os._exit(0)  # what is still being computed is for nobody: do not wait for it


def _certificate(file: Path | None, key: Path | None) -> Certificate | None:
    from wearlore.web.server import Certificate, check

    if file is None and key is None:
        return None
    if file is None or key is None:
        raise ServeError("--certificate and --key go together", "Name both files.")
    check(made := Certificate(file, key))
    return made


def _refuse_unguarded(place: Place, password: Password, where: Where) -> None:
    if not place.alone and password.hashed() is None:
        raise ServeError(
            f"without a password the bench is for this machine alone, and {place.host} is for others too",
            f"Set one first: wearlore password --in {where.folder}",
        )


def _greet(place: Place, password: Password) -> None:
    scheme = "https" if place.secure else "http"
    first, *others = (f"{scheme}://{name}:{place.port}" for name in _names(place.host))
    say(f"The bench is open at {first} — Ctrl-C closes it.")
    for other in others:
        say(f"  also at {other}")
    if password.hashed() is not None:
        say("It asks for its password.")
    if not place.alone and not place.secure:
        say("What goes over the network can be read on its way, the password too: give --certificate and --key,")
        say("or let only people on this network whom you trust.")
    sys.stdout.flush()


def _names(host: str) -> list[str]:
    """What to write into a browser: here, and on other machines."""
    try:
        address = ip_address(host)
    except ValueError:
        return [host]
    if not address.is_unspecified:
        return [f"[{host}]" if address.version == 6 else host]
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # nothing is sent: it only asks by which address one would leave
            out = [probe.getsockname()[0]]
        except OSError:
            out = []
    return ["127.0.0.1", *out, socket.gethostname()]


@app.command
def password(
    *,
    remove: Annotated[
        bool, Parameter(negative="", show_default=False, help="Take the password away: the bench is open again.")
    ] = False,
    where: Where = Where(),
) -> None:
    """Set the password of a folder's bench; asked for twice, or read from a pipe as one line.

    Only its hash is kept, in FOLDER/password.argon2. It counts at once, in a bench that is open too: all have to
    sign in again.

    Example: wearlore password --in wearlore-demo
    """
    from wearlore.web.password import Password

    kept = Password(where.folder)
    if remove:
        say("The password is taken away." if kept.remove() else "There was no password.")
        return
    kept.set(_asked_twice() if sys.stdin.isatty() else sys.stdin.readline().rstrip("\r\n"))
    say("The password is set. To let others in: wearlore serve --host 0.0.0.0" + f" --in {where.folder}")


def _asked_twice() -> str:
    word = getpass.getpass("New password: ")
    if getpass.getpass("Once more: ") != word:
        raise ServeError("the two are not the same", "Set it again.")
    return word
