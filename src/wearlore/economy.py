"""False economy: what each remedy of a component, in parts of each source grade, costs for every 100,000 km.

Two answers, since a rate for ever misleads for lives longer than anybody keeps the vehicle:

- *in the long run*: always the same remedy and grade, run to failure; cost of a cycle over its mean length;
- *ahead*: fitted now, and over the horizon from there the same again at each failure (renewal equation, discounted).

A failure costs the part again, the labour again, the visit (its fixed cost, tools to hire, consumables, what the work
spoils, companions) and its consequence. What is supposed: every failure is cured in a visit of its own; a hidden
failure is found where it happens; what a remedy does not cure is cured by the cheapest way that does, and adds its own
cost, as from a new piece; nothing comes back from a warranty.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import date
from math import log, log1p
from typing import Literal

import numpy as np

from wearlore.access import Access
from wearlore.book.model import Book
from wearlore.errors import FitError, NameNotKnown, ScopeError
from wearlore.estimate import NORMAL_90, Estimate
from wearlore.life.fractions.fit import FractionFit
from wearlore.life.model import LifeModel
from wearlore.lives import Array
from wearlore.renewal import Draws, Effect, Models, Span, draw_nodes
from wearlore.renewal.cycle import Cycle, FreshLife, cost_ahead, cycle
from wearlore.vehicle import FittedUnit
from wearlore.ways import Way, Ways

PER = 100_000.0  # km for which costs are told
STEPS = 200  # of the horizon in the renewal equation
SURE = 0.95  # chance from which an order is said to be so
JUDGED_WITHIN = 1.25  # a judged ratio of lives is right to this factor either way, 90 % (common practice, no source)

Early = Callable[
    [str, str, str], FractionFit | None
]  # mode, revision, grade -> its life with early failures, if needed


@dataclass(frozen=True, slots=True)
class Breakdown:
    """Money per 100,000 km in the long run, by what it is paid for; the five add up to the estimate's value.

    ``part``: the remedy's own parts; ``visit``: fixed cost, hire, consumables, spoiled parts, companions;
    ``others``: modes of the component that this remedy does not cure.
    """

    part: float
    labour: float
    visit: float
    consequence: float
    others: float


@dataclass(frozen=True, slots=True)
class Behind:
    """What the life of one mode rests on; ``early``: share faulty as fitted, None where the records ask for none."""

    mode: str
    failures: float
    lives: float
    record_share: float
    early: Estimate | None


@dataclass(frozen=True, slots=True)
class Choice:
    """One remedy in parts of one source grade.

    ``grade`` is None for a remedy without a main part. ``price``: of its parts, once; ``visit_cost``: a visit for it
    alone, all included. ``length``: mean distance between failures (km) in the long run. ``per_distance``: money per
    100,000 km in the long run; ``ahead``: money over the horizon, discounted, with its fitting now. ``cheapest`` and
    ``cheapest_ahead``: chance that no other choice costs less. ``missing_tools``: needed and not to be had here.
    """

    remedy: str
    grade: str | None
    revision: str
    price: float
    visit_cost: float
    length: Estimate
    per_distance: Estimate
    breakdown: Breakdown
    ahead: Estimate
    behind: tuple[Behind, ...]
    missing_tools: tuple[str, ...]
    cheapest: float
    cheapest_ahead: float


@dataclass(frozen=True, slots=True)
class Verdict:
    """Two grades of one remedy: the one with the cheaper part against the other.

    ``more``: what the cheaper part costs more per 100,000 km in the long run (less: below 0); ``chance``: that it costs
    less. ``more_ahead`` and ``chance_ahead``: the same of the money over the horizon.
    """

    remedy: str
    cheaper: str
    dearer: str
    more: Estimate
    chance: float
    more_ahead: Estimate
    chance_ahead: float

    @property
    def kind(self) -> Literal["false economy", "pays", "open"]:
        """*false economy*: the cheaper part costs more per distance with a chance of `SURE`; *pays*: less."""
        return "pays" if self.chance >= SURE else "false economy" if 1 - self.chance >= SURE else "open"


@dataclass(frozen=True, slots=True)
class Economy:
    """The ``choices`` for a component, cheapest per distance first.

    ``cheaper`` (n, n): chance that choice i costs less per distance in the long run than choice j; ``cheaper_ahead``:
    over the horizon. ``unknown``: modes left out, of which there is neither record nor judgement.
    """

    component: str
    position: str
    variant: str
    built: date
    horizon: float
    choices: tuple[Choice, ...]
    verdicts: tuple[Verdict, ...]
    unknown: tuple[str, ...]
    cheaper: Array = field(compare=False)
    cheaper_ahead: Array = field(compare=False)

    @property
    def order(self) -> tuple[float, ...]:
        """Chance that each choice costs less per distance than the next."""
        return tuple(float(self.cheaper[i, i + 1]) for i in range(len(self.choices) - 1))


def economy(
    book: Book,
    component: str,
    variant: str,
    built: date,
    models: Models,
    early: Early,
    *,
    labour_rate: float,
    visit_fixed: float,
    discount: float,
    per_year: float,
    horizon: float,
    rng: np.random.Generator,
    draws: int = 400,
    position: str = "",
) -> Economy:
    """What each remedy and grade of ``component`` costs on a vehicle of ``variant`` built on ``built``.

    ``models(mode, revision, grade)`` as for a scope; a model that is another's by a judged ratio of lives takes that
    ratio as known to `JUDGED_WITHIN`. ``early`` gives, for strata whose records ask for one, the life with an
    early-failure fraction: it takes the model's place there. ``labour_rate`` per hour, ``discount`` per year,
    ``per_year`` and ``horizon`` km. ``position``: by default the first. Raises NameNotKnown for a name that does not
    exist (here), ScopeError when no remedy in the book cures the component.
    """
    access = Access.of(book, variant, built)
    ways = Ways(access, _units(book, variant, built))
    unit = _unit(ways, component, position)
    lives = _Lives(book, unit, variant, models, early, draws, rng)
    span = Span(horizon, log1p(discount) / per_year, STEPS)
    accounts = []
    for way in ways.of_unit[unit.name]:
        visit = ways.visit(unit, way)
        money = _Money(
            visit.parts, labour_rate * visit.hours, visit_fixed + visit.beside + visit.consumables + visit.hire
        )
        if way.effect.lowers is None and (modes := lives.cured(way.effect)):
            accounts.append(_Account(way, money, modes, lives, span))
    if not accounts:
        raise ScopeError(
            f"no remedy in the book cures {component} of variant {variant}",
            "Add the remedy, an offer of its parts that fits, or a belief of the life",
        )
    return _compared(accounts, unit, access, lives, horizon)


def _units(book: Book, variant: str, built: date) -> tuple[FittedUnit, ...]:
    """All units of a vehicle as built; what is done to it is a question of the work, not of their ages."""
    return tuple(
        FittedUnit(id_, place, component.revision_at(built), "original", 0.0, ())
        for id_, component in book.components.items()
        if not component.variants or variant in component.variants
        for place in component.places
    )


def _unit(ways: Ways, component: str, position: str) -> FittedUnit:
    here = [unit for unit in ways.units if unit.component == component]
    if not here:
        raise NameNotKnown(
            f"component of variant {ways.access.variant}", component, {unit.component for unit in ways.units}
        )
    for unit in here:
        if position in ("", unit.position):
            return unit
    raise NameNotKnown(f"position of {component}", position, [unit.position for unit in here])


class _Lives:
    """The lives of the unit's modes in pieces of every design, d draws of each; every one is drawn once."""

    def __init__(
        self,
        book: Book,
        unit: FittedUnit,
        variant: str,
        models: Models,
        early: Early,
        draws: int,
        rng: np.random.Generator,
    ) -> None:
        self.book, self.unit, self.variant = book, unit, variant
        self.models, self.early, self.count, self.rng = models, early, draws, rng
        self.unknown: set[str] = set()
        self._drawn: dict[tuple[str, str, str], tuple[FreshLife, Behind] | None] = {}
        self._shared: dict[tuple[str, bytes, bytes], Draws] = {}

    def modes(self, revision: str) -> list[str]:
        """What pieces of this design level can fail by, as far as anything is known of it."""
        return [
            id_
            for id_, mode in self.book.modes_of(self.unit.component)
            if mode.applies(self.variant, revision) and self._of(id_, revision, self.unit.grade) is not None
        ]

    def cured(self, effect: Effect) -> tuple[str, ...]:
        return tuple(mode for mode in self.modes(effect.revision) if mode in effect.cures)

    def of(self, mode: str, effect: Effect) -> tuple[FreshLife, Behind]:
        """After a cure: in a new piece, or at the age that a clean leaves of the median life."""
        found = self._of(mode, effect.revision, effect.grade)
        assert found is not None
        life, behind = found
        if effect.restores is None:
            return life, behind
        start = (1 - effect.restores) * np.exp(life.mu + life.sigma * float(life.dist.z(0.5)))
        none = np.zeros(self.count)
        return FreshLife(life.dist, life.mu, life.sigma, none, life.can_fail, start, life.early), behind

    def _of(self, mode: str, revision: str, grade: str) -> tuple[FreshLife, Behind] | None:
        key = (mode, revision, grade)
        if key not in self._drawn:
            self._drawn[key] = self._fresh(*key)
        return self._drawn[key]

    def _fresh(self, mode: str, revision: str, grade: str) -> tuple[FreshLife, Behind] | None:
        zero, one = np.zeros(self.count), np.ones(self.count)
        if (fitted := self.early(mode, revision, grade)) is not None:
            drawn = fitted.draws(self.count, rng=self.rng)
            life = FreshLife(fitted.dist, drawn.mu, drawn.sigma, drawn.p0, drawn.can_fail, zero, fitted.early)
            return life, Behind(mode, fitted.failures, fitted.total, 1.0, _estimate(drawn.p0))
        try:
            model = self.models(mode, revision, grade)
        except FitError:
            self.unknown.add(mode)
            return None
        mu, sigma = self._nodes(mode, model)
        if model.judged or model.grade != grade:
            mu = mu + log(JUDGED_WITHIN) / NORMAL_90 * self.rng.standard_normal(self.count)
        evidence = model.evidence
        behind = Behind(mode, evidence.failures, evidence.lives, model.record_share, None)
        return FreshLife(model.dist, mu, sigma, zero, one, zero, PER), behind

    def _nodes(self, mode: str, model: LifeModel) -> tuple[Array, Array]:
        """Draws of (mu, sigma); models that are one another's by a ratio of lives draw the same nodes."""
        mu, sigma, weight = model.nodes
        key = (mode, sigma.tobytes(), weight.tobytes())
        if key not in self._shared:
            self._shared[key] = Draws.of(self.count, rng=self.rng)
        chosen = draw_nodes(weight, self._shared[key])
        return mu[chosen], sigma[chosen]


@dataclass(frozen=True, slots=True)
class _Money:
    """Of one visit for the way alone."""

    part: float
    labour: float
    visit: float

    @property
    def total(self) -> float:
        return self.part + self.labour + self.visit


class _Account:
    """One way for ever: its cycle, and its costs draw by draw (d,)."""

    def __init__(self, way: Way, money: _Money, modes: Sequence[str], lives: _Lives, span: Span) -> None:
        self.way, self.money, self.modes, self.lives, self.span = way, money, tuple(modes), lives, span
        self.consequences = [lives.book.modes[mode].consequence.cost for mode in self.modes]
        self.cycle = self._cycle(self.modes)
        self.consequence = np.asarray(self.consequences) @ self.cycle.ends / self.cycle.length * PER
        self.own = self.money.total / self.cycle.length * PER + self.consequence

    def _cycle(self, modes: Sequence[str]) -> Cycle:
        return cycle([self.lives.of(mode, self.way.effect)[0] for mode in modes])

    def rate(self, modes: Sequence[str]) -> Array:
        """Cost per distance of these modes alone, cured this way."""
        alone = self._cycle(modes)
        consequences = np.array([self.lives.book.modes[mode].consequence.cost for mode in modes])
        return np.asarray((self.money.total + consequences @ alone.ends) / alone.length * PER)

    def later(self, modes: Sequence[str]) -> Array:
        """Cost over the horizon of these modes, cured this way when they fail."""
        fresh = [self.lives.of(mode, self.way.effect)[0] for mode in modes]
        costs = [self.money.total + self.lives.book.modes[mode].consequence.cost for mode in modes]
        return cost_ahead(fresh, costs, self.span)

    def elsewhere(self, accounts: Sequence[_Account]) -> list[tuple[_Account, tuple[str, ...]]]:
        """The modes that this way does not cure, with the way that does it for least; those of one way together."""
        groups: dict[int, list[str]] = {}
        for mode in self.lives.modes(self.way.effect.revision):
            able = [i for i, other in enumerate(accounts) if mode in other.modes]
            if mode not in self.modes and able:
                groups.setdefault(min(able, key=lambda i: float(accounts[i].rate([mode]).mean())), []).append(mode)
        return [(accounts[i], tuple(modes)) for i, modes in groups.items()]


def _compared(accounts: Sequence[_Account], unit: FittedUnit, access: Access, lives: _Lives, horizon: float) -> Economy:
    others = [account.elsewhere(accounts) for account in accounts]
    nothing = np.zeros(lives.count)
    beside = [sum((other.rate(modes) for other, modes in group), nothing) for group in others]
    rates = np.array([account.own + extra for account, extra in zip(accounts, beside, strict=True)])
    ahead = np.array(
        [
            account.money.total
            + account.later(account.modes)
            + sum((other.later(modes) for other, modes in group), nothing)
            for account, group in zip(accounts, others, strict=True)
        ]
    )
    order = np.argsort(np.median(rates, axis=1), kind="stable")
    rates, ahead = rates[order], ahead[order]
    best, best_ahead = _cheapest(rates), _cheapest(ahead)
    choices = tuple(
        _choice(accounts[i], rates[k], beside[i], ahead[k], float(best[k]), float(best_ahead[k]))
        for k, i in enumerate(order.tolist())
    )
    return Economy(
        component=unit.component,
        position=unit.position,
        variant=access.variant,
        built=access.built,
        horizon=horizon,
        choices=choices,
        verdicts=tuple(_verdicts(choices, rates, ahead)),
        unknown=tuple(sorted(lives.unknown)),
        cheaper=_cheaper(rates),
        cheaper_ahead=_cheaper(ahead),
    )


def _choice(account: _Account, rate: Array, beside: Array, ahead: Array, cheapest: float, then: float) -> Choice:
    effect, money = account.way.effect, account.money
    total = _estimate(rate)
    scale = total.value / float(rate.mean()) if rate.mean() > 0 else 0.0
    per = float((PER / account.cycle.length).mean()) * scale
    return Choice(
        remedy=account.way.remedy,
        grade=account.way.grade,
        revision=effect.revision,
        price=money.part,
        visit_cost=money.total,
        length=_estimate(account.cycle.length),
        per_distance=total,
        breakdown=Breakdown(
            per * money.part,
            per * money.labour,
            per * money.visit,
            scale * float(account.consequence.mean()),
            scale * float(beside.mean()),
        ),
        ahead=_estimate(ahead),
        behind=tuple(account.lives.of(mode, effect)[1] for mode in account.modes),
        missing_tools=tuple(sorted(account.way.tools)),
        cheapest=cheapest,
        cheapest_ahead=then,
    )


def _estimate(draws: Array) -> Estimate:
    """Median and central 95 %; an order statistic, so that a draw without end stays one."""
    low, middle, high = np.quantile(draws, [0.025, 0.5, 0.975], method="nearest")
    return Estimate(float(middle), float(low), float(high))


def _cheaper(costs: Array) -> Array:
    """Chance that row i costs less than row j, from ``costs`` (n, d); a tie counts half."""
    a, b = costs[:, None, :], costs[None, :, :]
    return np.asarray((a < b).mean(axis=2) + 0.5 * (a == b).mean(axis=2))


def _cheapest(costs: Array) -> Array:
    """Chance that each row is the least; a tie is shared."""
    least = costs == costs.min(axis=0)
    return np.asarray((least / least.sum(axis=0)).mean(axis=1))


def _verdicts(choices: Sequence[Choice], rates: Array, ahead: Array) -> list[Verdict]:
    """Each other grade of a remedy against the original, or the dearest where there is no original."""

    def less(costs: Array, a: int, b: int) -> tuple[Estimate, float]:
        return _estimate(costs[a] - costs[b]), float(_cheaper(costs[[a, b]])[0, 1])

    found = []
    for remedy in dict.fromkeys(choice.remedy for choice in choices):
        rows = [i for i, choice in enumerate(choices) if choice.remedy == remedy and choice.grade]
        rows.sort(key=lambda i: (choices[i].grade == "original", choices[i].price))
        for row in rows[:-1]:
            a, b = (row, rows[-1]) if choices[row].price <= choices[rows[-1]].price else (rows[-1], row)
            names = choices[a].grade or "", choices[b].grade or ""
            found.append(Verdict(remedy, *names, *less(rates, a, b), *less(ahead, a, b)))
    return found
