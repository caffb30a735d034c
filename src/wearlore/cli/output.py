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

from wearlore.cli.options import Drawn, Shown, units_shown
from wearlore.errors import OutputError

if TYPE_CHECKING:  # imported where they are used: `--help` should not wait for compilers and chart libraries
    from wearlore.answers import Job
    from wearlore.report.charts import Drawing
    from wearlore.report.sheet import Figures, Sheet
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
    """Each paper as HTML, PDF and text in ``folder``."""
    sheets = zip(("job-card", "estimate", "owner"), papers(bench, job, shown), strict=True)
    return [path for name, sheet in sheets for path in write_sheet(sheet, folder / name)]


def answer(
    result: Any,
    shown: Shown,
    drawn: Drawn,
    name: str,
    page: Callable[[Figures], Sheet],
    drawings: Callable[[], Sequence[Drawing]],
) -> None:
    """The result as text or JSON; its page and charts as files (``name``) where they are asked for."""
    written: list[Path] = []
    if drawn.chart or drawn.out:
        made = drawings()
        if drawn.chart:
            written += _draw(made, drawn.chart, drawn.dark)
        if drawn.out:
            written += _write_page(made, page, drawn.out / name)
    show(result, shown, lambda: [page({})])
    if written and not shown.json:
        say(f"Written: {', '.join(str(path) for path in written)}")


def _draw(made: Sequence[Drawing], path: Path, dark: bool) -> list[Path]:
    from wearlore.report.charts import save

    if not made:
        raise OutputError(str(path), "there is nothing to draw", "Ask again when there are failures on record.")
    save(made[0].chart, path, made[0].text, "dark" if dark else "light")
    return [path]


def _write_page(made: Sequence[Drawing], page: Callable[[Figures], Sheet], stem: Path) -> list[Path]:
    from wearlore.report.charts import to_svg
    from wearlore.report.sheet import Figure

    figures = {drawing.name: Figure(to_svg(drawing.chart), drawing.text) for drawing in made}
    written = write_sheet(page(figures), stem)
    for name, figure in figures.items():
        written.append(stem.with_name(f"{stem.name}-{name}.svg"))
        write(written[-1], figure.svg.encode())
    return written


def write_sheet(sheet: Sheet, stem: Path) -> list[Path]:
    """As HTML, PDF and text."""
    from wearlore.report.page import to_html
    from wearlore.report.pdf import to_pdf
    from wearlore.report.plain import to_text

    made = {".html": to_html([sheet]).encode(), ".pdf": to_pdf([sheet]), ".txt": to_text(sheet).encode()}
    written = [stem.with_name(f"{stem.name}{suffix}") for suffix in made]
    for path, content in zip(written, made.values(), strict=True):
        write(path, content)
    return written


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
