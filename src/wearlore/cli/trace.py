"""The command that traces a fault on one vehicle."""

from __future__ import annotations

import shutil
import sys
import textwrap
from dataclasses import dataclass
from functools import partial
from math import isfinite
from typing import TYPE_CHECKING, Annotated, TextIO

from cyclopts import Parameter

from wearlore.cli.app import app
from wearlore.cli.options import Drawn, Several, Shown, Where, bench_of, units_shown
from wearlore.cli.output import NARROW, WIDE, Working, answer, say, today
from wearlore.cli.session import Session, converse
from wearlore.errors import TraceError

if TYPE_CHECKING:
    from wearlore.answers import TracedFault
    from wearlore.book.model import Book
    from wearlore.trace import Told
    from wearlore.units import Units
    from wearlore.workbench import Workbench


@Parameter(name="*")
@dataclass(frozen=True)
class Said:
    """What is said of the vehicle and of this workshop; each may be repeated for more."""

    saw: Annotated[
        tuple[str, ...],
        Several,
        Parameter(help="Seen, heard, smelt: an observation, or NAME:INSPECTION that showed it."),
    ] = ()
    absent: Annotated[tuple[str, ...], Several, Parameter(help="Looked for and not there; as --saw.")] = ()
    dry: Annotated[tuple[str, ...], Several, Parameter(help="A zone that is dry, or a wet observation.")] = ()
    code: Annotated[tuple[str, ...], Several, Parameter(help="A trouble code that is stored: P0016.")] = ()
    codes_read: Annotated[
        bool, Parameter(negative="", show_default=False, help="All codes were read: those not named are not there.")
    ] = False
    read: Annotated[tuple[str, ...], Several, Parameter(help="A reading: NAME=VALUE.")] = ()
    found: Annotated[
        tuple[str, ...], Several, Parameter(help="A failure mode opened and confirmed: MODE or MODE@POSITION.")
    ] = ()
    good: Annotated[tuple[str, ...], Several, Parameter(help="A failure mode opened and not there.")] = ()
    off: Annotated[tuple[str, ...], Several, Parameter(help="An operation that is done already, so open.")] = ()
    missing_tool: Annotated[
        tuple[str, ...], Several, Parameter(help="A special tool that is not to be had today.")
    ] = ()
    odometer: Annotated[
        float | None, Parameter(help="Odometer now; unless given, the last one and the usual way since.")
    ] = None
    rate: Annotated[float | None, Parameter(help="Labour rate per hour.")] = None


@app.command
def trace(
    vehicle: str,
    /,
    *,
    said: Said = Said(),
    ask: Annotated[
        bool, Parameter(negative="", show_default=False, help="Ask here in the terminal, one thing at a time.")
    ] = False,
    keep: Annotated[
        bool, Parameter(negative="", show_default=False, help="Keep the chances, for `wearlore calibration`.")
    ] = False,
    evidence: Annotated[
        bool, Parameter(negative="", show_default=False, help="What each chance rests on: records and judgement.")
    ] = False,
    drawn: Drawn = Drawn(),
    where: Where = Where(),
    shown: Shown = Shown(),
) -> None:
    """Where a fault comes from: likely causes, what to look at next, and when to stop looking.

    Distances are given in the units shown. With nothing told it says what can be told.

    Example: wearlore trace VEHICLE --saw OBSERVATION --dry ZONE --code P0016 --in wearlore-demo

    Parameters
    ----------
    vehicle
        A vehicle of the store.
    """
    with Working() as working:
        bench = bench_of(where, working)
        units = units_shown(bench, shown)
        told = told_of(bench.book, said)
        if keep and not (told or ask):
            raise TraceError("nothing is told, so there is nothing to keep", "Say what was seen: --saw, --code, --dry.")
        tracing = bench.tracing(
            vehicle,
            km=None if said.odometer is None else units.to_km(_finite(said.odometer)),
            missing_tools=said.missing_tool,
            labour_rate=said.rate,
        )
        if not ask:
            traced = tracing.answer(told, said.off)
    if ask:
        session = Session(
            tracing, units, told, said.off, begin=["wearlore", "trace", vehicle], end=_rest(said, where, shown)
        )
        _talk(session, sys.stderr if shown.json else sys.stdout)
        if not session.told:
            return
        traced = session.answer()
    if not ask or shown.json or drawn.chart or drawn.out:
        _show(traced, bench.book, units, drawn, where, shown, evidence=evidence)
    if keep:
        _keep(bench, traced, shown)


def told_of(book: Book, said: Said) -> tuple[Told, ...]:
    from wearlore.trace import told

    return told(
        book, saw=said.saw, absent=said.absent, dry=said.dry, codes=said.code, codes_read=said.codes_read,
        readings=said.read, found=said.found, good=said.good,
    )  # fmt: skip


def _finite(odometer: float) -> float:
    if not isfinite(odometer):
        raise TraceError(f"an odometer does not read {odometer:g}", "Give a number.")
    return odometer


def _show(
    traced: TracedFault, book: Book, units: Units, drawn: Drawn, where: Where, shown: Shown, *, evidence: bool
) -> None:
    from wearlore.report.charts import trace_drawings
    from wearlore.report.trace import traced_fault

    page = partial(traced_fault, traced, book, units, today(), evidence=evidence, folder=str(where.folder))
    answer(
        traced, shown, drawn, f"trace-{traced.vehicle}", lambda figures: page(figures), partial(trace_drawings, traced)
    )


def _keep(bench: Workbench, traced: TracedFault, shown: Shown) -> None:
    from wearlore.report.sheet import counted

    kept = bench.keep(traced, today())
    if shown.json:
        return
    if kept:
        say(f"Kept: {counted(kept, 'chance')}, to be compared with what is found (wearlore calibration).")
    else:
        say("Kept before: nothing is new.")


# ------------------------------------------------------------------------------------------------------- the terminal
def _rest(said: Said, where: Where, shown: Shown) -> list[str]:
    """The words of the command beside what is told."""
    words = [word for tool in said.missing_tool for word in ("--missing-tool", tool)]
    for option, value in (("--odometer", said.odometer), ("--rate", said.rate)):
        if value is not None:
            words += [option, f"{value:.10g}"]
    words += ["--units", shown.units] if shown.units else []
    return [*words, *(["--in", str(where.folder)] if str(where.folder) != "." else [])]


def _talk(session: Session, stream: TextIO) -> None:
    width = min(max(shutil.get_terminal_size((WIDE, 1)).columns, NARROW), WIDE)

    def say(text: str) -> None:
        lines = text.split("\n")
        stream.write("\n".join(line if "wearlore " in line else _folded(line, width) for line in lines) + "\n")

    def ask(question: str) -> str:
        say(question)
        stream.write("> ")
        stream.flush()
        try:
            line = input()
        except UnicodeDecodeError:
            line = "?"
        except EOFError:
            stream.write("\n")
            raise
        if not sys.stdin.isatty():  # nobody saw it typed
            stream.write(f"{line}\n")
        return line

    converse(session, ask, say)


def _folded(line: str, width: int) -> str:
    """No line of it wider than ``width``, a number and its sign together."""
    indent = " " * (len(line) - len(line.lstrip()) + 2)
    kept = line.replace(" %", "\N{NO-BREAK SPACE}%")
    return textwrap.fill(kept, width, subsequent_indent=indent).replace("\N{NO-BREAK SPACE}", " ")
