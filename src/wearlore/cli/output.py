"""How commands answer: text or JSON on the output, progress on the error stream, papers and charts in files."""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from datetime import date, datetime
from pathlib import Path
from shutil import get_terminal_size
from types import TracebackType
from typing import TYPE_CHECKING, Any

from rich.console import Console
from rich.progress import BarColumn, Progress, TaskID, TextColumn, TimeElapsedColumn

from wearlore.cli.options import Shown, units_shown
from wearlore.errors import OutputError

if TYPE_CHECKING:  # imported where they are used: `--help` should not wait for compilers and chart libraries
    from wearlore.answers import Job
    from wearlore.report.sheet import Sheet
    from wearlore.units import Units
    from wearlore.workbench import Workbench

NARROW, WIDE = 80, 118  # characters


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
