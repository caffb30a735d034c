"""What can be done about one failure mode, and what each way takes when it is done alone."""

from __future__ import annotations

from dataclasses import dataclass

from wearlore.book.model import Grade


@dataclass(frozen=True, slots=True)
class RemedyAlone:
    """A remedy in parts of one source grade, in a visit for it alone.

    ``grade``: of its main part, None where it has none. ``hours`` of labour; ``parts``: money of its own parts;
    ``beside``: of what is spoiled on the way, consumables, hire and what always goes with it; ``money``: all of it with
    labour and the visit. ``companions``, ``tools`` (special), ``missing`` (of these, not to be had here): names.
    ``operations``: all that is done, ids.
    """

    remedy: str
    name: str
    kind: str
    restores: float | None
    lowers: float | None
    grade: Grade | None
    revision: str
    hours: float
    parts: float
    beside: float
    money: float
    companions: tuple[str, ...]
    tools: tuple[str, ...]
    missing: tuple[str, ...]
    operations: tuple[str, ...]
    procedure: str
    note: str


@dataclass(frozen=True, slots=True)
class ModeRemedies:
    """The ways to cure or hold off ``mode`` on the newest vehicle of ``variant``, cheapest first.

    ``position``: where it is told for, of a component with several. ``rate`` per hour.
    """

    mode: str
    variant: str
    position: str
    rate: float
    ways: tuple[RemedyAlone, ...]
