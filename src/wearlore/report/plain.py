"""Sheet -> plain text for a terminal or a printer."""

from __future__ import annotations

from io import StringIO

from rich import box
from rich.console import Console, RenderableType
from rich.padding import Padding
from rich.panel import Panel
from rich.table import Table as Grid
from rich.text import Text

from wearlore.report.columns import lay_out
from wearlore.report.sheet import (
    Block,
    Bullets,
    Callout,
    Figure,
    Heading,
    Line,
    Paragraph,
    Sheet,
    SignOff,
    StepBlock,
    Table,
)


def to_text(sheet: Sheet, width: int = 92) -> str:
    """The sheet as lines of at most ``width`` characters, without colour or control characters."""
    out = StringIO()
    console = Console(file=out, width=width, color_system=None, force_terminal=False, legacy_windows=False, emoji=False)
    for part in _parts(sheet, width):
        console.print(part)
    return "\n".join(line.rstrip() for line in out.getvalue().splitlines()) + "\n"


def _parts(sheet: Sheet, width: int) -> list[RenderableType]:
    parts: list[RenderableType] = [Text("═" * width), Text(f"{sheet.kind.upper()}  {sheet.title}")]
    parts.append(_pairs((*sheet.facts, ("Date", sheet.made_on.isoformat()))))
    parts.append(Text("═" * width))
    for block in sheet.blocks:
        parts += _block(block, width)
    if sheet.small_print:
        parts += [Text("─" * width), Text(sheet.small_print)]
    return parts


def _block(block: Block, width: int) -> list[RenderableType]:
    match block:
        case Heading(text, 1):
            return [Text(f"\n{text.upper()}\n{'─' * width}")]
        case Heading(text):
            return [Text(f"\n{text}")]
        case Paragraph(text):
            return [Text(text)]
        case Bullets(items):
            return [_listed([("•", item) for item in items])]
        case Callout():
            return [_callout(block)]
        case Table():
            return lay_out(block, width)
        case Figure():
            return []  # what it shows stands in the words and tables beside it
        case StepBlock():
            return _step(block)
        case SignOff(roles, text):
            lines = [Text(f"\n{role + ' ':.<{width - 32}} date {'.' * 26}") for role in roles]
            return [*([Text(text)] if text else []), *lines]


def _pairs(pairs: tuple[tuple[str, str], ...]) -> Grid:
    return _listed([(label, value) for label, value in pairs])


def _listed(rows: list[tuple[str, str]]) -> Grid:
    grid = Grid.grid(padding=(0, 2, 0, 0))
    grid.add_column(no_wrap=True)
    grid.add_column()
    for label, text in rows:
        grid.add_row(Text(label), Text(text))
    return grid


def _callout(callout: Callout) -> Panel:
    title = f"[ {callout.signal} ] {callout.name}"
    return Panel(Text(callout.text), title=Text(title), title_align="left", box=box.HEAVY)


def _step(step: StepBlock) -> list[RenderableType]:
    tags = "".join(f"  ({tag})" for tag in step.tags)
    head = Grid.grid(padding=(0, 1, 0, 0), expand=True)
    head.add_column(no_wrap=True)
    head.add_column(ratio=1)
    head.add_column(justify="right", no_wrap=True)
    head.add_row(Text(f"[ ] {step.number:>2}"), Text(f"{step.title}{tags}"), Text(step.time))
    rows = [(f"{chr(97 + n) if n < 26 else n + 1})", text) for n, text in enumerate(step.instructions)]
    rows += [
        (f"{label}:" if n == 0 else "", _flagged(line)) for label, lines in step.details for n, line in enumerate(lines)
    ]
    return [Text(""), *(_callout(caution) for caution in step.cautions), head, Padding(_listed(rows), (0, 0, 0, 7))]


def _flagged(line: Line) -> str:
    return " — ".join(filter(None, (line.text, *line.flags)))
