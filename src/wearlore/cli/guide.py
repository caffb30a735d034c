"""The command that writes the published guide."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

from cyclopts import Parameter

from wearlore.cli.app import app
from wearlore.cli.options import Shown, Where, bench_of, units_shown
from wearlore.cli.output import Working, say, show, today, write


@app.command
def guide(
    *,
    readers: Annotated[
        Literal["owners", "buyers"] | None,
        Parameter(name="--for", help="For these only; unless given, for both."),
    ] = None,
    variant: Annotated[str | None, Parameter(help="Of this variant only; unless given, of the whole family.")] = None,
    out: Annotated[
        Path | None, Parameter(help="Folder to write into; unless given, the folder 'guide' of the workshop folder.")
    ] = None,
    where: Where = Where(),
    shown: Shown = Shown(),
) -> None:
    """Write the guide of the family for owners and for buyers: a page and a printed guide for each, in plain words.

    With --json the answer is printed, and files are written only where --out says.

    Example: wearlore guide --for buyers --in wearlore-demo
    """
    with Working() as working:
        bench = bench_of(where, working)
        units = units_shown(bench, shown)
        told = bench.guide(variant=variant, units=units)
        from wearlore.report import guide as report

        chosen = (readers,) if readers else report.READERS
        written: list[Path] = []
        if out or not shown.json:
            working.show("typesetting", 0, 0)
            made = report.files(told, chosen, units, today())
            if out is None:
                bench.publish(made, today())
            else:
                for name, content in made.items():
                    write(out / name, content)
            written = [(out or bench.guide_path) / name for name in made]
    show(told, shown, lambda: [report.in_short(told, reader, units, today()) for reader in chosen])
    if written and not shown.json:
        say(f"Written: {', '.join(str(path) for path in written)}")
