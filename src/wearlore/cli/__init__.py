"""The command line: parse, ask the workbench, show. The one place where an error ends the program."""

from __future__ import annotations

import sys
from collections.abc import Sequence

from cyclopts import CycloptsError

from wearlore.cli import (
    appraisal,
    due,
    family,
    folder,
    guide,
    hindsight,
    loop,
    outlook,
    plan,
    serve,
    trace,
    vehicle,
    visit,
)
from wearlore.cli.app import WRONG_INPUT, app
from wearlore.errors import WearloreError

__all__ = [
    "app",
    "appraisal",
    "due",
    "family",
    "folder",
    "guide",
    "hindsight",
    "loop",
    "main",
    "outlook",
    "plan",
    "run",
    "serve",
    "trace",
    "vehicle",
    "visit",
]


def run(arguments: Sequence[str] | None = None) -> int:
    """Run one command; the exit code: 0, or 2 for anything the person can mend."""
    try:
        code = app(
            list(arguments) if arguments is not None else None,
            result_action="return_value",
            exit_on_error=False,
            print_error=False,
        )
    except (WearloreError, CycloptsError) as error:
        sys.stderr.write(f"{error}\n")
        return WRONG_INPUT
    except BrokenPipeError:  # the reader of our output has gone: nothing is wrong
        sys.stderr.close()
        return 0
    return int(code or 0)


def main() -> None:
    """The entry point of the installed command."""
    sys.exit(run())
