"""Answers on a fault that is being traced: what it may be, why, what to look at next, what comes before all that."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from wearlore.book.model import Signal
from wearlore.estimate import Estimate
from wearlore.lives import Evidence
from wearlore.trace import Acting, Told


@dataclass(frozen=True, slots=True)
class Stop:
    """A rule of the book that holds now, whatever the chances: ``text`` says what to do at once.

    ``because``: names of the observations that bring it.
    """

    rule: str
    name: str
    signal: Signal
    text: str
    because: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Suspected:
    """A failure mode that this vehicle can have. ``cause``: ``MODE`` or ``MODE@POSITION``.

    ``prior``, ``chance``: that it is present now, before and after what was told; the interval is for what is not known
    of its life. ``asked``: it can be behind something that was seen. ``open``: found on record and not cured. ``age``:
    km, None when not known; ``unseen``: km since it was last known to be absent.
    """

    cause: str
    name: str
    component: str
    position: str
    mode: str
    prior: Estimate
    chance: Estimate
    asked: bool
    open: bool
    age: float | None
    unseen: float
    evidence: Evidence


@dataclass(frozen=True, slots=True)
class Explained:
    """Exactly these causes (of those that can be behind it) are present, with the ``chance`` of just that."""

    causes: tuple[str, ...]
    chance: float


@dataclass(frozen=True, slots=True)
class Argument:
    """One thing told, in words, and by what factor it multiplied the odds of each cause, all else told being kept.

    inf: it proves the cause; 0: it rules it out.
    """

    told: str
    factors: Mapping[str, float]


@dataclass(frozen=True, slots=True)
class LookAhead:
    """An inspection still to be done. ``minutes`` of looking, ``access_minutes`` of laying open what is not open yet.

    ``cost``, ``saving``: money it takes, and is expected to save against acting now; ``per_minute``: saving less cost.
    ``shows``: what it would show, by name; ``counted`` of these in the saving (the observations or causes that tell
    most). ``opens``: operations that come first; ``cautions``: of the hazards met, signal word and text.
    """

    inspection: str
    name: str
    minutes: float
    access_minutes: float
    cost: float
    saving: float
    per_minute: float
    shows: tuple[str, ...]
    counted: tuple[str, ...]
    opens: tuple[str, ...]
    cautions: tuple[tuple[Signal, str], ...]


@dataclass(frozen=True, slots=True)
class Withheld:
    """An inspection that cannot be done now, and ``why`` in words."""

    inspection: str
    name: str
    why: str


@dataclass(frozen=True, slots=True)
class Standing:
    """Where it may come from by what is told so far, on one vehicle.

    ``km``: the odometer now, ``supposed``: nobody said it; ``since``: km since the last visit on record. ``told``: what
    the answer rests on, in words. ``suspects``: likeliest first, those that can be behind what was seen before the
    others. ``unexplained``: the chance that none of those is present: something outside the book. ``unknown``: modes
    left out, without record or judgement.
    """

    vehicle: str
    variant: str
    km: float
    supposed: bool
    since: float
    unknown: tuple[str, ...]
    stops: tuple[Stop, ...]
    told: tuple[Told, ...]
    said: tuple[str, ...]
    suspects: tuple[Suspected, ...]
    explanations: tuple[Explained, ...]
    unexplained: float
    arguments: tuple[Argument, ...]

    @property
    def asked(self) -> tuple[Suspected, ...]:
        """Those that can be behind what was seen."""
        return tuple(suspect for suspect in self.suspects if suspect.asked)


@dataclass(frozen=True, slots=True)
class TracedFault(Standing):
    """The standing of a trace, and what to look at next.

    ``looks``: by falling saving per minute; the first is ``next``, unless acting now is cheaper: ``next`` None.
    ``acting``: what acting now would be. ``repairs``: their names and costs, money.
    """

    next: LookAhead | None
    reason: str
    looks: tuple[LookAhead, ...]
    withheld: tuple[Withheld, ...]
    acting: Acting
    repairs: Mapping[str, tuple[str, float]]
