"""Commands on the workshop folder: the demo, the book, the records."""

from __future__ import annotations

from pathlib import Path

from wearlore.cli.app import WRONG_INPUT, app, book, records
from wearlore.cli.options import Shown, Where, bench_of, units_shown
from wearlore.cli.output import Working, say, show, show_json, today, write, write_papers
from wearlore.errors import OutputError


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
        more = (
            "lives",
            f"trace {van.vehicle} --saw rattle-cold-start --code P0016",
            f"scope {van.vehicle} {faults}",
            f"outlook {van.vehicle} {faults}",
            f"plan {van.vehicle}",
            f"appraise {van.vehicle} --price 9500",
            "due",
            "hindsight",
            "compare chain-stretch --by revision",
            "economy water-pump",
            "guide --out guide",
        )
        say("Go on with:")
        for command in more:
            say(f"  wearlore {command} --in {folder}")
        say(f"Or all of it in a browser on this machine: wearlore serve --in {folder}")


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
