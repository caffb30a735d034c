"""A document as every format shows it: blocks of words and numbers already in the reader's units.

One place decides what a document says; `plain`, `page` and `pdf` only decide how it looks.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Literal

from wearlore.book.model import Signal


def counted(number: int, thing: str) -> str:
    """``1 note``, ``2 notes``."""
    return f"{number:,} {thing}" + ("" if number == 1 else "s")


def chance_told(p: float) -> str:
    """Chance of as much if there is none (a p-value): ``under 0.001``, ``0.012``, ``0.50``."""
    return "under 0.001" if p < 0.001 else f"{p:.3f}" if p < 0.1 else f"{p:.2f}"


def counted_lives(number: int) -> str:
    """``1 life``, ``2 lives``."""
    return "1 life" if number == 1 else f"{number:,} lives"


@dataclass(frozen=True, slots=True)
class Heading:
    text: str
    level: Literal[1, 2] = 1


@dataclass(frozen=True, slots=True)
class Paragraph:
    text: str
    style: Literal["normal", "lead", "small"] = "normal"


@dataclass(frozen=True, slots=True)
class Bullets:
    items: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Callout:
    """A caution: signal word, what it is about, what to do."""

    signal: Signal
    name: str
    text: str


@dataclass(frozen=True, slots=True)
class Column:
    label: str
    align: Literal["left", "right"] = "left"
    wide: bool = False  # takes the room that is left
    spare: bool = False  # left out of plain text that is too narrow for all; the last of them first


@dataclass(frozen=True, slots=True)
class Table:
    """Rows of cells; the last ``totals`` rows are sums, a row of one cell is a heading across."""

    columns: tuple[Column, ...]
    rows: tuple[tuple[str, ...], ...]
    totals: int = 0


@dataclass(frozen=True, slots=True)
class Figure:
    """A chart as SVG that adapts to light and dark, and in words what it shows."""

    svg: str
    text: str


@dataclass(frozen=True, slots=True)
class Line:
    """A line of a step; its flags must not be missed."""

    text: str
    flags: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class StepBlock:
    """One step of the work: its cautions come first, then its title with time and a box to tick."""

    number: int
    title: str
    time: str
    tags: tuple[str, ...]
    cautions: tuple[Callout, ...]
    instructions: tuple[str, ...]
    details: tuple[tuple[str, tuple[Line, ...]], ...]


@dataclass(frozen=True, slots=True)
class SignOff:
    """Lines to sign on, after what is signed."""

    roles: tuple[str, ...]
    text: str = ""


Figures = Mapping[str, Figure]  # by the names of their drawings
NO_FIGURES: Figures = {}  # on paper that cannot show them
Block = Heading | Paragraph | Bullets | Callout | Table | Figure | StepBlock | SignOff


@dataclass(frozen=True, slots=True)
class Sheet:
    """One document: ``kind`` (what it is), ``title`` (what it is about), facts at its head, blocks, small print."""

    kind: str
    title: str
    made_on: date
    facts: tuple[tuple[str, str], ...]
    blocks: tuple[Block, ...]
    small_print: str = ""


def drawn(figures: Figures, *names: str) -> tuple[Figure, ...]:
    """Those of the named figures that there are."""
    return tuple(figures[name] for name in names if name in figures)
