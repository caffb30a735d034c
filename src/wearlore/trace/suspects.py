"""What may be wrong with one vehicle before anything is said: each failure mode's chance to be present now.

A mode was last known to be absent some distance ago: a hidden one when it was last looked at, an evident one at the
last visit (it would have been told). That it has come since then has the chance 1 - S(age now) / S(age then), averaged
over what is not known of its life, and of its age where nobody recorded that. A hidden mode that nobody ever looked at
on a piece of unknown age is taken to be as old as the vehicle: nobody had a reason to renew it. A fault that is open on
record and speeds up another has aged that one faster since it was found.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from wearlore.book.model import Book
from wearlore.estimate import Estimate
from wearlore.life import LifeModel
from wearlore.life.likelihood import LOGNORMAL
from wearlore.lives import Array
from wearlore.renewal import Draws, Models, Process, draw_nodes, survival, unknown_age
from wearlore.trace.network import Fact
from wearlore.trace.posterior import Solver
from wearlore.vehicle import FittedUnit, ModeState, Vehicle, cause_named

DRAWS = 64  # of the parameters of each mode
UNNOTICED = 1_000.0  # km that an evident failure may be driven with before somebody tells (judgement)
LEVEL = 0.95
LEAST = 1e-12  # chance of a mode under any draw of its life, and of its absence
OPEN = 0.99  # that what stands on record as found and not cured is still there (judgement)

Factors = Mapping[tuple[str, str], float]  # (mode, mode that it speeds up) -> factor on the rate of ageing


@dataclass(frozen=True, slots=True)
class Suspect:
    """One failure mode on one unit. ``name``: ``MODE`` or ``MODE@POSITION``.

    ``prior``: chance that it is present now; ``draws`` (d,): that chance under equally likely draws of its life's
    parameters. ``age``: km now, None when not known; ``unseen``: km since it was last known to be absent. ``open``:
    found and not cured, on record.
    """

    name: str
    unit: str
    mode: str
    position: str
    revision: str
    grade: str
    age: float | None
    unseen: float
    open: bool
    prior: float
    draws: Array


def suspects(
    book: Book, vehicle: Vehicle, models: Models, *, since: float, factors: Factors, rng: np.random.Generator
) -> tuple[Suspect, ...]:
    """Every mode of every unit of ``vehicle`` (as its last visit left it), ``since`` km after that visit.

    ``models(mode, revision, grade)`` gives the life model. ``factors`` stand in the place of those of the book.
    """
    draws = {mode: Draws.of(DRAWS, rng=rng) for mode in book.modes}
    ahead = _ahead(book, vehicle, since, factors)
    found = []
    for unit in vehicle.units:
        for state in unit.modes:
            hidden = book.modes[state.mode].noticed == "hidden"
            age, unseen = state.age, _unseen(state, unit, vehicle.km, since, hidden=hidden)
            if hidden and age is None and not state.seen_good:
                age, unseen = vehicle.km, vehicle.km + since
            place = _Place(
                vehicle.km + since, unit.at_least + since, age, unseen, since, *ahead.get(state.mode, (0.0, 0.0))
            )
            if state.present:
                chances = np.full(DRAWS, OPEN)
                prior = OPEN
            else:
                model = models(state.mode, unit.revision, unit.grade)
                chance, weight = place.chances(model)
                prior = float(chance @ weight)
                chances = chance[draw_nodes(weight, draws[state.mode])]
            name = cause_named(state.mode, unit.position)
            found.append(
                Suspect(
                    name, unit.name, state.mode, unit.position, unit.revision, unit.grade,
                    None if state.age is None else state.age + since, unseen, state.present, prior, chances,
                )
            )  # fmt: skip
    return tuple(found)


def _unseen(state: ModeState, unit: FittedUnit, km: float, since: float, *, hidden: bool) -> float:
    """Km since the mode was last known to be absent; ``km``: the odometer, which bounds an age that is not known."""
    age = unit.at_least if state.age is None else state.age
    gone = age - state.seen_good + since
    oldest = km if state.age is None else age
    return gone if hidden or state.present else min(max(gone, UNNOTICED), oldest + since)


def _ahead(book: Book, vehicle: Vehicle, since: float, factors: Factors) -> dict[str, tuple[float, float]]:
    """Mode -> (factor on its ageing, km that the faults open on record have sped it up for so far)."""
    ahead: dict[str, tuple[float, float]] = {}
    for unit in vehicle.units:
        for state in unit.modes:
            for mode, factor in book.modes[state.mode].accelerates.items() if state.present else ():
                age = unit.at_least if state.age is None else state.age
                ahead[mode] = (factors.get((state.mode, mode), factor), age - state.seen_good + since)
    return ahead


@dataclass(frozen=True, slots=True)
class _Place:
    """Where one mode of one unit stands, km; ``age`` at the last visit, the other distances now."""

    odometer: float
    at_least: float
    age: float | None
    unseen: float
    since: float
    factor: float
    exposed: float

    def chances(self, model: LifeModel) -> tuple[Array, Array]:
        """Chance to be present under each node of the posterior, and the nodes' weights given what is known, (k,)."""
        mu, sigma, weight = (np.asarray(a, float) for a in model.nodes)
        lognormal = model.dist.name == LOGNORMAL.name
        if self.age is None:
            one = np.ones(1)
            process = Process(mu[:, None], sigma[:, None], np.array([lognormal]), one, one, one)
            then = unknown_age(process, max(self.odometer - self.unseen, 0.0), max(self.at_least - self.unseen, 0.0))
            ages, spread, weight = then.age, then.weight, weight * then.likelihood
        else:
            ages, spread = np.array([max(self.age + self.since - self.unseen, 0.0)]), np.ones((mu.size, 1))
        kept = np.zeros(mu.size)
        for k, age in enumerate(ages.tolist()):
            good = survival(age + self._sped_up(self.exposed - self.unseen), mu, sigma, lognormal)
            now = survival(age + self.unseen + self._sped_up(self.exposed), mu, sigma, lognormal)
            kept += spread[:, k] * now / np.maximum(good, np.finfo(float).tiny)
            if self.age is not None and good @ weight > 0:
                weight = weight * good
        return 1.0 - np.minimum(kept, 1.0), weight / weight.sum()

    def _sped_up(self, exposed: float) -> float:
        return (self.factor - 1.0) * max(exposed, 0.0)


def with_intervals(
    solver: Solver, found: Sequence[Suspect], facts: Sequence[Fact]
) -> dict[str, tuple[Estimate, Estimate]]:
    """Name -> prior and chance given the facts; the intervals are for what is not known of the lives.

    Each draw of the parameters shifts the priors of the solver's network, as facts do. The chances of the book (what a
    mode brings about, leaks, accuracies) count as known. Raises as `Solver.posterior`.
    """
    if not found:
        return {}
    chance, drawn = solver.posterior(facts).chance, drawn_chances(solver, found, facts)
    before = _estimates([suspect.prior for suspect in found], [suspect.draws for suspect in found])
    now = _estimates([chance[suspect.name] for suspect in found], [drawn[suspect.name] for suspect in found])
    return {suspect.name: (then, today) for suspect, then, today in zip(found, before, now, strict=True)}


def drawn_chances(solver: Solver, found: Sequence[Suspect], facts: Sequence[Fact]) -> dict[str, Array]:
    """Name -> its chance given the facts under each draw of what is not known of the lives, shape (DRAWS,)."""
    open_ = [suspect for suspect in found if 0 < suspect.prior < 1]
    drawn = solver.shifted(facts, [suspect.name for suspect in open_], _shifts(open_))
    return {suspect.name: drawn[suspect.name] for suspect in found}


def _shifts(found: Sequence[Suspect]) -> Array:
    """Likelihoods of absent and present by which each draw moves each prior, shape (DRAWS, n, 2)."""
    if not found:
        return np.ones((DRAWS, 0, 2))
    draws = np.clip(np.stack([suspect.draws for suspect in found], axis=1), LEAST, 1 - LEAST)  # alone it proves nothing
    prior = np.array([suspect.prior for suspect in found])
    return np.stack([(1 - draws) / (1 - prior), draws / prior], axis=2)


def _estimates(values: Sequence[float], draws: Sequence[Array]) -> list[Estimate]:
    lows, highs = np.quantile(np.stack(draws), [(1 - LEVEL) / 2, (1 + LEVEL) / 2], axis=1).tolist()
    return [Estimate(v, min(v, low), max(v, high), LEVEL) for v, low, high in zip(values, lows, highs, strict=True)]
