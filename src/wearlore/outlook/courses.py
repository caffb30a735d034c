"""Courses of events of one vehicle under one rule, visit after visit, in compiled code.

At the start there is a visit if a fault is there or probable; then one whenever something makes itself known, and those
that are planned. Each mode of a piece becomes visible somewhere and makes itself known somewhere (see
`Renewable.lead`): a planned look in between finds it before it brings its consequence.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, inf, log1p
from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from wearlore.lives import Array
from wearlore.outlook.luck import distance_at, hazard_met, key_of, normal_at, uniform
from wearlore.renewal import cumulative_hazard
from wearlore.renewal.decision import KINDS, WORTH, choose, wiring
from wearlore.renewal.upkeep import Mask, Rule, Savings, Schedule, Upkeep
from wearlore.threads import shared_out

LOOK, LEAD = np.uint64(1 << 40), np.uint64(1 << 41)  # luck of looks and leads, apart from that of lives
CHUNK = 5_000  # runs between two reports of progress
ZERO, NO = np.int64(0), np.bool_(False)  # of bare ones the compiler would make another version of all they go to
WITHIN = 1e-9  # km: what is due so soon is due


@dataclass(frozen=True, slots=True)
class Courses:
    """R courses of events over their distances, n renewables, M modes (flat, renewable by renewable), Y years.

    ``cost`` (R,): discounted to now. ``paid`` (R, Y): money of the day, year by year; ``visits`` (R, Y) in which
    something is done. ``stranded`` (R,): chance of being stranded at least once; ``damage`` (R,): a failure came that
    can damage the engine. ``spent`` (R, n): money of the day for each renewable, shared steps split evenly.
    ``failures`` (R, M): that made themselves known. ``setup``, ``setup_alone`` (R,): set-up of later visits, and what
    it were if each renewable had its own visit.
    """

    cost: Array
    paid: Array
    visits: NDArray[np.int32]
    stranded: Array
    damage: Mask
    spent: Array
    failures: NDArray[np.int32]
    setup: Array
    setup_alone: Array

    @property
    def runs(self) -> int:
        return int(self.cost.size)


class _Lives(NamedTuple):
    """Modes of all renewables, one after another; those of renewable i between ``ends[i]`` and ``ends[i + 1]``."""

    ends: NDArray[np.int64]
    key: NDArray[np.uint64]
    mu_fitted: Array
    sigma_fitted: Array
    mu_fresh: Array
    sigma_fresh: Array
    lognormal_fitted: Mask
    lognormal_fresh: Mask
    rate_fitted: Array
    rate_fresh: Array
    speed_fitted: Array
    speed_fresh: Array
    age: Array
    seen: Array
    start: Array
    present: Array
    consequence: Array
    dear: Array
    stranded: Array
    damaging: Mask
    hidden: Mask
    lead: Array
    lead_sigma: Array


class _Plan(NamedTuple):
    """A rule with its tables and its schedule, as numbers."""

    kind: int
    since: Array
    ahead: Array
    fitted: Array
    fresh: Array
    unseen: Array
    every: float
    first: float
    renew_at: Array
    open: Mask
    look_item: NDArray[np.int64]
    look_mode: NDArray[np.int64]
    look_each: NDArray[np.int64]
    look_skip: NDArray[np.int64]
    look_cost: Array
    look_sensitivity: Array


def courses(
    upkeep: Upkeep,
    rule: Rule,
    *,
    runs: int,
    seed: int,
    per_year: Array | None = None,
    end: Array | None = None,
    years: int = 1,
    first: Mask | None = None,
    start: int = 0,
) -> Courses:
    """Courses number ``start`` to ``start + runs`` - 1 of all that ``seed`` has.

    ``per_year`` (runs,): km a year, by which visits fall into ``years`` (unless given, all in one); ``end`` (runs,): km
    from now at which each ends (unless given, that of the upkeep's span). ``first``: what is done at the visit now
    beside what has failed, instead of what the rule says.
    """
    lives, plan = _lives_of(upkeep), _plan_of(upkeep, rule)
    nobody = np.zeros(len(upkeep.renewables), np.bool_)
    found = np.array([item.failed for item in upkeep.renewables], dtype=np.bool_)
    wired, number = wiring(upkeep), np.uint64(seed % 2**64)
    forced, chosen = first is not None, nobody if first is None else first
    far = np.full(runs, upkeep.span.km) if end is None else np.ascontiguousarray(end, np.float64)
    yearly = np.full(runs, inf) if per_year is None else np.ascontiguousarray(per_year, np.float64)
    told = _Told(
        np.zeros(runs), np.zeros((runs, years)), np.zeros((runs, years), np.int32), np.ones(runs),
        np.zeros(runs, np.bool_), np.zeros((runs, found.size)), np.zeros((runs, lives.key.size), np.int32),
        np.zeros(runs), np.zeros(runs),
    )  # fmt: skip

    def some(begin: int, stop: int) -> None:
        _courses(
            wired, lives, plan, found, chosen, forced, number, start, far, yearly, upkeep.span.discount, told,
            begin, stop,
        )  # fmt: skip

    shared_out(some, runs)
    return Courses(*told._replace(safe=1.0 - told.safe))


def _lives_of(upkeep: Upkeep) -> _Lives:
    items = upkeep.renewables

    def flat(name: str) -> Array:
        return np.concatenate([np.asarray(getattr(item, name), np.float64) for item in items], axis=-1)

    def of(process: str, name: str) -> Array:
        each = [np.asarray(getattr(getattr(item, process), name)) for item in items]
        return np.ascontiguousarray(np.concatenate(each, axis=-1))

    leads = np.concatenate([item.lead for item in items])
    return _Lives(
        ends=np.cumsum([0, *(len(item.modes) for item in items)]).astype(np.int64),
        key=np.array([key_of(item.unit, mode) for item in items for mode in item.modes], np.uint64),
        mu_fitted=of("fitted", "mu"),
        sigma_fitted=of("fitted", "sigma"),
        mu_fresh=of("fresh", "mu"),
        sigma_fresh=of("fresh", "sigma"),
        lognormal_fitted=of("fitted", "lognormal").astype(np.bool_),
        lognormal_fresh=of("fresh", "lognormal").astype(np.bool_),
        rate_fitted=of("fitted", "rate").astype(np.float64),
        rate_fresh=of("fresh", "rate").astype(np.float64),
        speed_fitted=of("fitted", "speed").astype(np.float64),
        speed_fresh=of("fresh", "speed").astype(np.float64),
        age=np.ascontiguousarray(flat("age")),
        seen=np.ascontiguousarray(flat("seen")),
        start=flat("start"),
        present=flat("present"),
        consequence=flat("consequence"),
        dear=np.concatenate([item.fitted.cost for item in items]),
        stranded=flat("stranded"),
        damaging=flat("damaging") > 0,
        hidden=flat("hidden") > 0,
        lead=np.ascontiguousarray(leads[:, 0]),
        lead_sigma=np.ascontiguousarray(leads[:, 1]),
    )


def _plan_of(upkeep: Upkeep, rule: Rule) -> _Plan:
    n = len(upkeep.renewables)
    nothing, flat = np.zeros(2), np.zeros((n, 2, 2))
    known = rule.savings or Savings(nothing, nothing, flat, flat, np.zeros(n))
    planned = rule.schedule or Schedule(inf, inf, np.full(n, inf))
    modes = np.cumsum([0, *(len(item.modes) for item in upkeep.renewables)])
    looks = planned.looks
    return _Plan(
        kind=KINDS[rule.kind],
        since=np.ascontiguousarray(known.since),
        ahead=np.ascontiguousarray(known.ahead),
        fitted=np.ascontiguousarray(known.fitted),
        fresh=np.ascontiguousarray(known.fresh),
        unseen=np.ascontiguousarray(known.unseen),
        every=planned.every,
        first=planned.first,
        renew_at=np.asarray(planned.renew_at, np.float64),
        open=np.array([name in planned.opens for name in upkeep.price], np.bool_),
        look_item=np.array([look.item for look in looks], np.int64),
        look_mode=np.array([modes[look.item] + look.mode for look in looks], np.int64),
        look_each=np.array([look.each for look in looks], np.int64),
        look_skip=np.array([look.skip for look in looks], np.int64),
        look_cost=np.array([look.cost for look in looks], np.float64),
        look_sensitivity=np.array([look.sensitivity for look in looks], np.float64),
    )


class _State(NamedTuple):
    """The vehicle on its way: pieces in place with where they become visible and make themselves known, km from now."""

    shows: Array  # by mode
    visible: Array
    soonest: Array  # by renewable: where it makes itself known, ``by`` which mode
    by: NDArray[np.int64]
    piece: NDArray[np.int64]
    renewed: Array
    failed: Mask
    known: Mask  # of those: before they brought their consequence
    worth: Array
    due: Array
    shared: NDArray[np.int64]


class _Told(NamedTuple):
    """Where courses are written down, as `Courses` has them: all, or the row of one."""

    cost: Array
    paid: Array
    visits: NDArray[np.int32]
    safe: Array
    damage: Mask
    spent: Array
    failures: NDArray[np.int32]
    setup: Array
    alone: Array


@njit(cache=True, nogil=True)
def _courses(wired, lives, plan, found, first, forced, seed, start, end, per_year, discount, told, begin, stop):  # type: ignore[no-untyped-def]
    for r in range(begin, stop):
        row = _Told(
            told.cost[r : r + 1], told.paid[r], told.visits[r], told.safe[r : r + 1], told.damage[r : r + 1],
            told.spent[r], told.failures[r], told.setup[r : r + 1], told.alone[r : r + 1],
        )  # fmt: skip
        _course(wired, lives, plan, found, first, forced, seed, start + r, end[r], per_year[r], discount, row)


@njit(cache=True)
def _course(wired, lives, plan, found, first, forced, seed, run, end, per_year, discount, told):  # type: ignore[no-untyped-def]
    n, modes, steps = found.size, lives.key.size, wired.price.size
    state = _State(
        np.empty(modes), np.empty(modes), np.empty(n), np.empty(n, np.int64), np.zeros(n, np.int64), np.zeros(n),
        found.copy(), found.copy(), np.zeros(n), np.empty(steps + n), np.zeros(steps, np.int64),
    )  # fmt: skip
    for i in range(n):
        _fit(lives, state, seed, run, i, 0.0)
        if found[i]:
            state.soonest[i] = 0.0
    km, number, planned_at, count = 0.0, ZERO, plan.first, ZERO
    asked, planned = bool((lives.present > 0).any()), NO
    while True:
        done = state.failed
        if asked:
            forced_now = forced and km == 0 and count == 0 and number == 0
            done = _decided(wired, plan, state, first, forced_now, number == 0 and km == 0, planned, km, end)
        if done.any():
            money = _visit(wired, lives, plan, state, told, done, planned, number > 0)
            _write(told, money, km, per_year, discount)
            told.visits[min(int(km / per_year), told.paid.size - 1)] += 1
            number += 1
            for i in range(n):
                if done[i]:
                    state.piece[i] += 1
                    state.renewed[i] = km
                    _fit(lives, state, seed, run, i, km)
        km = min(state.soonest.min(), planned_at)
        if km >= end:
            return
        asked, planned = True, planned_at <= km + WITHIN
        for i in range(n):
            state.failed[i] = state.soonest[i] <= km + WITHIN
            state.known[i] = False
        if planned:
            _write(told, _look(lives, plan, state, seed, run, count, km), km, per_year, discount)
            _renew_planned(lives, plan, state, run, km)
            count += 1
            planned_at = plan.first + count * plan.every


@njit(cache=True)
def _write(told, money, km, per_year, discount):  # type: ignore[no-untyped-def]
    told.cost[0] += exp(-discount * km) * money
    told.paid[min(int(km / per_year), told.paid.size - 1)] += money


@njit(cache=True)
def _decided(wired, plan, state, first, forced, now, planned, km, end):  # type: ignore[no-untyped-def]
    """What is done at this visit."""
    steps = wired.price.size
    for s in range(steps):
        state.due[s] = 0.0 if planned and plan.open[s] else wired.price[s]
    if forced:
        return choose(wired, ZERO, state.failed | first, state.worth, state.due)
    if plan.kind == WORTH:
        _worths(plan, wired, state, now, km, end)
    return choose(wired, plan.kind, state.failed, state.worth, state.due)


@njit(cache=True)
def _visit(wired, lives, plan, state, told, done, planned, later):  # type: ignore[no-untyped-def]
    """The money of a visit, with what the failures that brought it cost beyond; ``later``: not the first one."""
    money = _pay(wired, plan, state, done, planned, told.spent)
    for i in range(done.size):
        if done[i] and state.failed[i] and not state.known[i]:
            mode = state.by[i]
            money += lives.consequence[mode]
            told.spent[i] += lives.consequence[mode]
            told.failures[mode] += 1
            told.safe[0] *= 1.0 - lives.stranded[mode]
            told.damage[0] |= lives.damaging[mode]
    if later:
        for s in range(state.shared.size):
            told.alone[0] += wired.setup[s] * state.shared[s]
            if state.shared[s]:
                told.setup[0] += wired.setup[s]
    return money


@njit(cache=True)
def _fit(lives, state, seed, run, i, km):  # type: ignore[no-untyped-def]
    """The piece of renewable ``i`` put in place at ``km``: where it first makes itself known, and the mode by which."""
    state.soonest[i], state.by[i], dearest = inf, lives.ends[i], -inf
    for m in range(lives.ends[i], lives.ends[i + 1]):
        there, life, lead = _drawn(lives, seed, run, m, state.piece[i])
        state.shows[m] = km + life + (lead if lives.hidden[m] else 0.0)
        state.visible[m] = state.shows[m] - lead
        if there and lives.dear[m] > dearest:
            state.soonest[i], state.by[i], dearest = km, m, lives.dear[m]
        elif dearest == -inf and state.shows[m] < state.soonest[i]:
            state.soonest[i], state.by[i] = state.shows[m], m


@njit(cache=True)
def _drawn(lives, seed, run, m, piece):  # type: ignore[no-untyped-def]
    """Of one mode: whether it is there already, the distance until it is, and its lead, km."""
    d, number = run % lives.mu_fitted.shape[0], np.uint64(piece)
    met = hazard_met(seed, np.uint64(run), lives.key[m], number)
    if piece == 0:
        spent = -log1p(-lives.present[m]) if lives.present[m] < 1 else 0.0
        if met < spent:  # with the chance that it is there now
            return True, 0.0, 0.0
        life = _left(
            lives.mu_fitted[d, m], lives.sigma_fitted[d, m], lives.lognormal_fitted[m], lives.rate_fitted[m],
            lives.speed_fitted[m], lives.age[d, m], lives.seen[d, m], met - spent,
        )  # fmt: skip
    else:
        life = _left(
            lives.mu_fresh[d, m], lives.sigma_fresh[d, m], lives.lognormal_fresh[m], lives.rate_fresh[m],
            lives.speed_fresh[m], lives.start[m], lives.start[m], met,
        )  # fmt: skip
    lead = 0.0
    if lives.lead[m] > 0:
        z = normal_at(hazard_met(seed, np.uint64(run), lives.key[m], number + LEAD))
        lead = lives.lead[m] * exp(lives.lead_sigma[m] * z)
    return False, life, lead


@njit(cache=True)
def _left(mu, sigma, lognormal, rate, speed, age, seen, hazard):  # type: ignore[no-untyped-def]
    """Distance to failure from ``age``, given absent at ``seen``, km."""
    if rate == 0:
        return inf
    at = cumulative_hazard(seen, mu, sigma, lognormal) + hazard / rate
    return max(distance_at(at, mu, sigma, lognormal) - age, 0.0) / speed


@njit(cache=True)
def _worths(plan, wired, state, now, km, end):  # type: ignore[no-untyped-def]
    """What renewing each now saves later, less its own money; between the points of the tables linear in both ways."""
    if now:
        state.worth[:] = plan.unseen - wired.money
        return
    r, rw = _place(plan.ahead, end - km)
    for i in range(state.worth.size):
        k, kw = _place(plan.since, km - state.renewed[i])
        table = plan.fitted[i] if state.piece[i] == 0 else plan.fresh[i]
        near = table[k, r] * (1 - kw) + table[k + 1, r] * kw
        far = table[k, r + 1] * (1 - kw) + table[k + 1, r + 1] * kw
        state.worth[i] = near * (1 - rw) + far * rw - wired.money[i]


@njit(cache=True)
def _place(grid, x):  # type: ignore[no-untyped-def]
    k = min(max(np.searchsorted(grid, x, side="right") - 1, 0), grid.size - 2)
    return k, min(max((x - grid[k]) / (grid[k + 1] - grid[k]), 0.0), 1.0)


@njit(cache=True)
def _pay(wired, plan, state, done, planned, spent):  # type: ignore[no-untyped-def]
    """Money for what is done, each step once; ``spent`` grows by the part of each renewable."""
    state.shared[:] = 0
    for i in range(done.size):
        if done[i]:
            for k in range(wired.own_ends[i], wired.own_ends[i + 1]):
                state.shared[wired.own[k]] += 1
    total = 0.0
    for i in range(done.size):
        if done[i]:
            mine = wired.money[i]
            for k in range(wired.own_ends[i], wired.own_ends[i + 1]):
                s = wired.own[k]
                if not (planned and plan.open[s]):
                    mine += wired.price[s] / state.shared[s]
            spent[i] += mine
            total += mine
    return total


@njit(cache=True)
def _look(lives, plan, state, seed, run, count, km):  # type: ignore[no-untyped-def]
    """What the looks of this planned visit find is to be cured, at no consequence; the money of the looks."""
    cost = 0.0
    for k in range(plan.look_item.size):
        if count < plan.look_skip[k] or (count - plan.look_skip[k]) % plan.look_each[k]:
            continue
        cost += plan.look_cost[k]
        i, m = plan.look_item[k], plan.look_mode[k]
        if not state.failed[i] and state.visible[m] <= km:
            number = LOOK + np.uint64(count) * np.uint64(1 << 20) + np.uint64(state.piece[i])
            if uniform(seed, np.uint64(run), lives.key[m], number) < plan.look_sensitivity[k]:
                state.failed[i] = state.known[i] = True
    return cost


@njit(cache=True)
def _renew_planned(lives, plan, state, run, km):  # type: ignore[no-untyped-def]
    """What is at its age, or comes nearer to it now than at the next planned visit."""
    d = run % lives.age.shape[0]
    for i in range(state.failed.size):
        if state.failed[i] or plan.renew_at[i] == inf:
            continue
        age = km - state.renewed[i]
        if state.piece[i] == 0:
            age += lives.age[d, lives.ends[i] : lives.ends[i + 1]].max()
        if age + 0.5 * plan.every > plan.renew_at[i]:
            state.failed[i] = state.known[i] = True
