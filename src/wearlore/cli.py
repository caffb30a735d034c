"""The command line: parse, ask the workbench, show. The one place where an error ends the program."""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from importlib.metadata import version
from pathlib import Path
from shutil import get_terminal_size
from types import TracebackType
from typing import TYPE_CHECKING, Annotated, Any, Literal

from cyclopts import App, CycloptsError, Parameter
from rich.console import Console
from rich.progress import BarColumn, Progress, TaskID, TextColumn, TimeElapsedColumn

from wearlore.errors import OutputError, WearloreError

if TYPE_CHECKING:  # imported where they are used: `--help` should not wait for compilers and chart libraries
    from wearlore.answers import Job, VisitScope
    from wearlore.report.sheet import Sheet
    from wearlore.units import Units
    from wearlore.workbench import Workbench

WRONG_INPUT = 2
NARROW, WIDE = 80, 118  # characters

app = App(
    name="wearlore",
    help="What fails on an engine family and when, what to do in this visit, and the job card for it.",
    help_format="plaintext",
    version=version("wearlore"),
)
book = App(name="book", help="Write the book of a family and have it reviewed.", help_format="plaintext")
records = App(name="records", help="Load service records and see what is there.", help_format="plaintext")
app.command(book)
app.command(records)


@Parameter(name="*")
@dataclass(frozen=True)
class Shown:
    """How an answer is shown."""

    json: Annotated[bool, Parameter(negative="", help="Print the result as JSON.")] = False
    units: Annotated[
        Literal["metric", "uk", "us"] | None,
        Parameter(help="km and N·m, miles and N·m, or miles and lbf·ft; unless given, those of the book."),
    ] = None


@Parameter(name="*")
@dataclass(frozen=True)
class Where:
    """Which workshop folder is meant."""

    folder: Annotated[
        Path, Parameter(name="--in", help="Folder that holds the book (book.yaml or book/) and records.duckdb.")
    ] = Path()


Several = Parameter(negative="", consume_multiple=False)


@Parameter(name="*")
@dataclass(frozen=True)
class Asked:
    """What a visit is weighed with; what is not given is as the book's economics have it."""

    fault: Annotated[
        tuple[str, ...], Several, Parameter(help="A confirmed failure mode: MODE or MODE@POSITION. Repeat for more.")
    ] = ()
    refuse: Annotated[
        tuple[str, ...], Several, Parameter(help="A unit, component or remedy the owner says no to. Repeat for more.")
    ] = ()
    missing_tool: Annotated[
        tuple[str, ...], Several, Parameter(help="A special tool that is not to be had today. Repeat for more.")
    ] = ()
    odometer: Annotated[float | None, Parameter(help="Odometer now; unless given, that of the last visit.")] = None
    horizon: Annotated[float | None, Parameter(help="Distance to look ahead.")] = None
    per_year: Annotated[float | None, Parameter(help="Distance driven in a year.")] = None
    rate: Annotated[float | None, Parameter(help="Labour rate per hour.")] = None
    discount: Annotated[float | None, Parameter(help="Discount per year, as a share: 0.04.")] = None


# the demo ------------------------------------------------------------------------------------------------------------


@app.command
def demo(*, folder: Path = Path("wearlore-demo"), vans: int = 6000, shown: Shown = Shown()) -> None:
    """Build the demo store, read what fails when, scope one van and write its papers. All of it is invented.

    Example: wearlore demo --folder wearlore-demo

    Parameters
    ----------
    folder
        Where to put the book, the records, the store and the papers.
    vans
        Size of the invented fleet.
    """
    from wearlore.demo.folder import lay_out
    from wearlore.report.lives import family_lives
    from wearlore.report.visit import visit_scope
    from wearlore.workbench import Workbench

    with Working() as working:
        van = lay_out(folder, vans=vans, progress=working.show)
        bench = Workbench(folder, progress=working.show)
        taken = bench.take(van.files, today=today())
        lives = bench.lives()
        visit = bench.scope(van.vehicle, van.faults)
        written = write_papers(bench, bench.job(visit), folder / "papers", shown)
    result = {"taken": taken, "lives": lives, "visit": visit, "papers": written}
    units = units_shown(bench, shown)
    show(result, shown, lambda: [family_lives(lives, units, today()), visit_scope(visit, units, today())])
    if not shown.json:
        faults = " ".join(f"--fault {fault}" for fault in van.faults)
        say(f"Papers of this visit: {', '.join(str(path) for path in written)}")
        say(f"Go on with:  wearlore lives --in {folder}")
        say(f"             wearlore scope {van.vehicle} {faults} --in {folder}")


# the book ------------------------------------------------------------------------------------------------------------


@book.command
def review(path: Path, /, *, shown: Shown = Shown()) -> int:
    """Look a book over: its shape, then its sense. Findings of severity "error" stop every other command.

    Example: wearlore book review book.yaml

    Parameters
    ----------
    path
        The book: one YAML file or a folder of them.
    """
    from wearlore.book import load
    from wearlore.book.review import review as findings_of

    written, source = load.read(path)
    findings = findings_of(written, source)
    if shown.json:
        show_json({"family": written.family.name, "findings": findings})
    else:
        for finding in findings:
            say(str(finding))
        counts = [f"{sum(f.severity == s for f in findings)} {s}s" for s in ("error", "warning", "note")]
        say(f"{written.family.name}: {len(written.modes)} failure modes; {', '.join(counts)}.")
    return WRONG_INPUT if any(finding.severity == "error" for finding in findings) else 0


@book.command
def new(path: Path = Path("book.yaml"), /, *, shown: Shown = Shown()) -> None:
    """Write a small commented book to start from. An existing file is never written over.

    Example: wearlore book new book.yaml

    Parameters
    ----------
    path
        The file to write.
    """
    from wearlore.book import load

    if path.exists():
        raise OutputError(str(path), "there is a file of this name already", "Name another.")
    write(path, load.starter().encode())
    if shown.json:
        show_json({"written": [path]})
    else:
        say(f"Written: {path}. Next: wearlore book review {path}")


@book.command
def schema(*, shown: Shown = Shown()) -> None:
    """Print the book's JSON Schema, with which an editor completes and checks while one writes.

    Example: wearlore book schema
    """
    from wearlore.book import load

    show_json(load.schema())


# records -------------------------------------------------------------------------------------------------------------


@records.command(name="load")
def load_records(*files: Path, quarantine: bool = False, where: Where = Where(), shown: Shown = Shown()) -> None:
    """Load files of vehicles, lines or readings (CSV or Parquet) into the store.

    A file with a bad line is refused as a whole, and every bad line is named. With --quarantine the good lines are
    stored and the bad ones kept apart with their reasons.

    Example: wearlore records load vehicles.csv lines.csv --in wearlore-demo

    Parameters
    ----------
    files
        The files; those of vehicles are taken first.
    quarantine
        Keep bad lines apart instead of refusing the file.
    """
    if not files:
        raise OutputError("records load", "no file is named", "Name at least one: wearlore records load lines.csv")
    with Working() as working:
        taken = bench_of(where, working).take(files, today=today(), quarantine=quarantine)
    if shown.json:
        show_json(taken)
        return
    for intake in taken:
        if intake.duplicate_of:
            say(f"{intake.file}: taken before as {intake.duplicate_of}; nothing changed.")
        else:
            say(
                f"{intake.file}: {intake.read:,} {intake.kind} read = {intake.stored:,} stored "
                f"+ {intake.quarantined:,} in quarantine."
            )


@records.command(name="list")
def list_records(*, where: Where = Where(), shown: Shown = Shown()) -> None:
    """What the store holds: counts, spans, the files it came from, what is in quarantine and why.

    Example: wearlore records list --in wearlore-demo
    """
    from wearlore.report.records import store_summary

    with Working() as working:
        bench = bench_of(where, working)
        held = bench.records()
    show(held, shown, lambda: [store_summary(held, bench.book.family.name, units_shown(bench, shown), today())])


# lives ---------------------------------------------------------------------------------------------------------------


@app.command
def lives(
    mode: str | None = None,
    /,
    *,
    by: Literal["revision", "grade", "variant"] | None = None,
    evidence: Annotated[bool, Parameter(negative="", help="List the failures on record.")] = False,
    chart: Annotated[Path | None, Parameter(help="Draw the mode's curves into this file: .svg, .png or .html.")] = None,
    where: Where = Where(),
    shown: Shown = Shown(),
) -> None:
    """What fails when, soonest first; or one failure mode in detail, judgement and record side by side.

    Example: wearlore lives --in wearlore-demo

    Parameters
    ----------
    mode
        A failure mode of the book; all of them when none is named.
    by
        Split the mode's lives by this.
    """
    from wearlore.report.lives import family_lives, mode_study

    if mode is None and (by or evidence or chart):
        raise OutputError(
            "lives", "--by, --evidence and --chart are for one failure mode", "Name it: wearlore lives MODE"
        )
    with Working() as working:
        bench = bench_of(where, working)
        units = units_shown(bench, shown)
        if mode is None:
            table = bench.lives()
        else:
            study = bench.study(mode, by=by, with_records=evidence, units=units)
            if chart:
                draw(bench, mode, chart, units)
    if mode is None:
        show(table, shown, lambda: [family_lives(table, units, today())])
    else:
        show(study, shown, lambda: [mode_study(study, units, today())])
        if chart and not shown.json:
            say(f"Chart: {chart}")


# one visit -----------------------------------------------------------------------------------------------------------


@app.command
def scope(vehicle: str, /, *, asked: Asked = Asked(), where: Where = Where(), shown: Shown = Shown()) -> None:
    """What to do in this visit and what to leave, each with its reason in money and distance.

    Distances are given in the units shown.

    Example: wearlore scope VEHICLE --fault MODE --in wearlore-demo

    Parameters
    ----------
    vehicle
        A vehicle of the store.
    """
    from wearlore.report.visit import visit_scope

    with Working() as working:
        bench = bench_of(where, working)
        visit = visit_of(bench, vehicle, asked, shown)
    show(visit, shown, lambda: [visit_scope(visit, units_shown(bench, shown), today())])


@app.command
def jobcard(
    vehicle: str,
    /,
    *,
    out: Annotated[Path | None, Parameter(help="Write the papers as HTML, PDF and text into this folder.")] = None,
    asked: Asked = Asked(),
    where: Where = Where(),
    shown: Shown = Shown(),
) -> None:
    """The papers of a visit: job card, estimate, and a page for the owner. Takes all that `scope` takes.

    Example: wearlore jobcard VEHICLE --fault MODE --out papers --in wearlore-demo

    Parameters
    ----------
    vehicle
        A vehicle of the store.
    """
    with Working() as working:
        bench = bench_of(where, working)
        job = bench.job(visit_of(bench, vehicle, asked, shown))
        written = write_papers(bench, job, out, shown) if out else []
    show(job, shown, lambda: papers(bench, job, shown))
    if written and not shown.json:
        say(f"Written: {', '.join(str(path) for path in written)}")


# what the commands share ---------------------------------------------------------------------------------------------


class Working:
    """Progress on the terminal's error stream: a bar where there is a terminal, a line a stage where there is none."""

    def __init__(self) -> None:
        self.console = Console(stderr=True)
        columns = (
            TextColumn("{task.description}"),
            BarColumn(),
            TextColumn("{task.percentage:>3.0f} %"),
            TimeElapsedColumn(),
        )
        self.bar = Progress(*columns, console=self.console, transient=True, disable=not self.console.is_terminal)
        self.stages: dict[str, TaskID | None] = {}

    def __enter__(self) -> Working:
        self.bar.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.bar.stop()

    def show(self, what: str, done: int, of: int) -> None:
        """``done`` of ``of`` is done of what is being done (``of`` 0: not known)."""
        if what not in self.stages:
            self.stages[what] = self.bar.add_task(what, total=of or None) if self.console.is_terminal else None
            if not self.console.is_terminal:
                self.console.print(f"{what} …", highlight=False)
        if (task := self.stages[what]) is not None:
            self.bar.update(task, completed=done, total=of or None)


def bench_of(where: Where, working: Working) -> Workbench:
    from wearlore.workbench import Workbench

    return Workbench(where.folder, progress=working.show)


def units_shown(bench: Workbench, shown: Shown) -> Units:
    return bench.book.units.in_system(shown.units) if shown.units else bench.book.units


def visit_of(bench: Workbench, vehicle: str, asked: Asked, shown: Shown) -> VisitScope:
    """The scope asked for; distances come in the units shown."""
    units = units_shown(bench, shown)

    def in_km(distance: float | None) -> float | None:
        return None if distance is None else units.to_km(distance)

    terms = bench.terms(
        labour_rate=asked.rate,
        discount=asked.discount,
        horizon=in_km(asked.horizon),
        per_year=in_km(asked.per_year),
        refuse=frozenset(asked.refuse),
        missing_tools=frozenset(asked.missing_tool),
    )
    return bench.scope(vehicle, asked.fault, terms=terms, km=in_km(asked.odometer))


def papers(bench: Workbench, job: Job, shown: Shown) -> list[Sheet]:
    """Job card, estimate and owner's page."""
    from wearlore.report.card import job_card
    from wearlore.report.owner import estimate, owner_page

    units, made_on = units_shown(bench, shown), today()
    return [
        job_card(job.card, units, made_on),
        estimate(job.card.estimate, units, made_on),
        owner_page(job.owner, units, made_on),
    ]


def write_papers(bench: Workbench, job: Job, folder: Path, shown: Shown) -> list[Path]:
    """Each paper as text, HTML and PDF in ``folder``."""
    from wearlore.report.page import to_html
    from wearlore.report.pdf import to_pdf
    from wearlore.report.plain import to_text

    written = []
    for name, sheet in zip(("job-card", "estimate", "owner"), papers(bench, job, shown), strict=True):
        for suffix, content in (
            (".html", to_html([sheet]).encode()),
            (".pdf", to_pdf([sheet])),
            (".txt", to_text(sheet).encode()),
        ):
            written.append(folder / f"{name}{suffix}")
            write(written[-1], content)
    return written


def draw(bench: Workbench, mode: str, path: Path, units: Units) -> None:
    """The mode's curves in a file of their own: judgement, records, and the model of both."""
    from wearlore.report.charts import life_chart, save

    curves = bench.curves(mode)
    chart = life_chart(
        curves.name, units, model=curves.model, curve=curves.curve, lives=curves.lives, belief=curves.judged
    )
    save(chart, path, curves.name)


def write(path: Path, content: bytes) -> None:
    """Write a document, making its folder; raises OutputError."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content)
    except OSError as error:
        raise OutputError(str(path), f"it cannot be written: {error.strerror}", "Name another place.") from error


def show(result: Any, shown: Shown, sheets: Callable[[], Sequence[Sheet]]) -> None:
    """The result as JSON, or its sheets as text."""
    if shown.json:
        show_json(result)
        return
    from wearlore.report.plain import to_text

    width = min(max(get_terminal_size((WIDE, 1)).columns, NARROW), WIDE)
    for sheet in sheets():
        say(to_text(sheet, width))


def show_json(result: Any) -> None:
    from wearlore.report.json import to_json

    say(to_json(result))


def today() -> date:
    """The only clock that is read."""
    return datetime.now().astimezone().date()


def say(text: str) -> None:
    sys.stdout.write(text + "\n")


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
