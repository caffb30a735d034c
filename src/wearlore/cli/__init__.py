"""The command line: parse, ask the workbench, show. The one place where an error ends the program."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from importlib.metadata import version
from pathlib import Path
from typing import Annotated, Literal

from cyclopts import App, CycloptsError, Parameter

from wearlore.cli.options import Asked, Shown, Where, bench_of, units_shown, visit_of
from wearlore.cli.output import Working, draw, papers, say, show, show_json, today, write, write_papers
from wearlore.errors import OutputError, WearloreError

WRONG_INPUT = 2

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
    from wearlore.report.sheet import counted

    written, source = load.read(path)
    findings = findings_of(written, source)
    if shown.json:
        show_json({"family": written.family.name, "findings": findings})
    else:
        for finding in findings:
            say(str(finding))
        counts = [counted(sum(f.severity == s for f in findings), s) for s in ("error", "warning", "note")]
        say(f"{written.family.name}: {counted(len(written.modes), 'failure mode')}; {', '.join(counts)}.")
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

    A file with a bad line is refused as a whole, and every bad line is named; files taken before it stay in the
    store. With --quarantine the good lines are stored and the bad ones kept apart with their reasons.

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
