"""What a group of modes costs from here on, left or treated, for many states at once, in compiled code.

The same reckoning as `wearlore.renewal.UnitWorth`, for states that come by the thousand: the modes that one future cure
renews together (a *line*), in a piece of one design. `DRAWS` of the parameters are taken, each weighed by what the
piece has shown.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import exp
from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from wearlore.lives import Array
from wearlore.renewal import Effect, Group, ModeRisk, Span, UnitWorth, draw_nodes
from wearlore.renewal.equation import _ages, _new, cumulative_hazard, first_failure
from wearlore.renewal.unit import MEDIAN_Z
from wearlore.threads import shared_out

DRAWS = 32
STEPS = 25  # of the horizon: costs move by under 1e-4 when doubled
MARKS = np.array([0, 1, 2, 3, 4, 5, 7, 10, 15, 25])  # steps at which the chances are kept
FAINT = 1e-5  # of the greatest weight: nodes that count for nothing
AGES = 25  # cases of an age that nobody knows
STAYS, RESTARTS, CLEANED = range(3)


class Line(NamedTuple):
    """m modes, K nodes of their posteriors in the piece's own design; row 0 of e + 1 is the future cure, the others
    are what may be done now, each a design of its own or the piece's (``own``)."""

    node_mu: Array  # (m, K)
    node_sigma: Array
    node_weight: Array
    own_lognormal: NDArray[np.bool_]  # (m,)
    own_rate: Array  # (m,): 0 where the piece's revision does not have the mode
    place: Array  # (m, d): where the resampling takes its draws, in (0, 1)
    cost: Array  # (m,)
    stranded: Array  # (m,)
    mu: Array  # (e + 1, m, d)
    sigma: Array
    lognormal: NDArray[np.bool_]  # (e + 1, m)
    rate: Array  # (e + 1, m)
    own: NDArray[np.bool_]  # (e + 1, m)
    act: NDArray[np.int64]  # (e + 1, m): what it does to a mode
    keeps: Array  # (e + 1,): share of the age that a clean leaves; 0 where it renews
    guard: Array  # (e + 1, m): factor on the rate
    cured: bool  # there is a future cure


@dataclass(frozen=True, slots=True)
class States:
    """k states of a line with m modes: ``age``, ``seen`` (k, m) km. Where the age is not known (``unknown``):
    ``odometer`` and ``at_least`` (k,) km, and ``age`` - ``seen`` is how long ago each mode was last looked at."""

    age: Array
    seen: Array
    odometer: Array
    at_least: Array
    unknown: bool


@dataclass(frozen=True, slots=True)
class Worths:
    """``cost`` (k, 2 + e, d): left; of a fresh one; after each effect. ``chance``, ``stranded`` (k, marks): of needing
    a cure, and of stopping on the road, within each of the marks."""

    cost: Array
    chance: Array
    stranded: Array


def line_of(worth: UnitWorth, group: Group, effects: Sequence[Effect], stranded: dict[str, float]) -> Line:
    """The line of ``group``, a group of ``worth``, with the ``effects`` that touch it."""
    risks = [worth.risks[i] for i in group.modes]
    own = (worth.revision, worth.grade)
    nodes = [_nodes(worth, risk, *own) for risk in risks]
    widest = max(node[0].size for node in nodes)
    future = group.cure.effect if group.cure else Effect(frozenset(), *own)
    rows = [_row(worth, risks, future, future=True)] + [_row(worth, risks, effect, future=False) for effect in effects]
    mu, sigma, lognormal, rate, now, act, keeps, guard = (np.array(column) for column in zip(*rows, strict=True))
    places = [(worth.draws[risk.mode].order[:DRAWS] + worth.draws[risk.mode].start) / worth.count for risk in risks]
    return Line(
        np.stack([_padded(node[0], widest) for node in nodes]),
        np.stack([_padded(node[1], widest) for node in nodes]),
        np.stack([_padded(node[2], widest) for node in nodes]),
        np.array([node[3] for node in nodes]),
        np.array([float(risk.applies(worth.revision)) for risk in risks]),
        np.stack(places),
        np.ascontiguousarray(group.cost, np.float64),
        np.array([stranded[risk.mode] for risk in risks]),
        mu, sigma, lognormal, rate, now, act, keeps, guard,
        group.cure is not None,
    )  # fmt: skip


def _nodes(worth: UnitWorth, risk: ModeRisk, revision: str, grade: str) -> tuple[Array, Array, Array, bool]:
    if not risk.applies(revision):
        return np.zeros(1), np.ones(1), np.ones(1), False
    model = worth.models(risk.mode, revision, grade)
    mu, sigma, weight = (np.asarray(a, float) for a in model.nodes)
    return mu, sigma, weight, model.dist.name == "lognormal"


def _padded(values: Array, size: int) -> Array:
    return np.concatenate([values, np.zeros(size - values.size)])


def _row(worth: UnitWorth, risks: Sequence[ModeRisk], effect: Effect, *, future: bool) -> tuple[object, ...]:
    """One effect: mu, sigma, lognormal, rate, own, act, keeps, guard."""
    mu, sigma = np.zeros((len(risks), DRAWS)), np.ones((len(risks), DRAWS))
    lognormal, own = np.zeros(len(risks), bool), np.zeros(len(risks), bool)
    rate, act, guard = np.ones(len(risks)), np.zeros(len(risks), np.int64), np.ones(len(risks))
    for m, risk in enumerate(risks):
        fresh = future or (effect.renews and risk.mode in effect.cures)
        if not future and risk.mode in effect.cures:
            act[m] = RESTARTS if effect.renews else CLEANED if effect.restores is not None else STAYS
            guard[m] = 1.0 if effect.lowers is None else effect.lowers
        revision, grade = (effect.revision, effect.grade) if fresh else (worth.revision, worth.grade)
        rate[m] = float(risk.applies(revision))
        own[m] = (revision, grade) == (worth.revision, worth.grade)
        if not own[m] and rate[m]:
            node_mu, node_sigma, weight, lognormal[m] = _nodes(worth, risk, revision, grade)
            chosen = draw_nodes(weight, worth.draws[risk.mode])[:DRAWS]
            mu[m], sigma[m] = node_mu[chosen], node_sigma[chosen]
    keeps = 0.0 if effect.restores is None else 1 - effect.restores
    return mu, sigma, lognormal, rate, own, act, keeps, guard


def worths(line: Line, states: States, span: Span) -> Worths:
    """What each state costs."""
    k, effects = len(states.age), line.mu.shape[0] - 1
    cost = np.zeros((k, 2 + effects, DRAWS))
    chance, stranded = np.zeros((k, MARKS.size)), np.zeros((k, MARKS.size))
    step = span.km / STEPS
    factor = exp(-span.discount * step)

    def some(begin: int, stop: int) -> None:
        _worths(
            line, states.age, states.seen, states.odometer, states.at_least, states.unknown, step, factor, cost,
            chance, stranded, begin, stop,
        )  # fmt: skip

    shared_out(some, k)
    return Worths(cost, chance, stranded)


@njit(cache=True, nogil=True)
def _worths(  # type: ignore[no-untyped-def]
    line, age, seen, odometer, at_least, unknown, step, factor, cost, chance, stranded, begin, stop
):
    for k in range(begin, stop):
        _state(line, age[k], seen[k], odometer[k], at_least[k], unknown, step, factor, cost[k], chance[k], stranded[k])


@njit(cache=True)
def _state(line, age, seen, odometer, at_least, unknown, step, factor, cost, chance, stranded):  # type: ignore[no-untyped-def]
    modes, draws = line.place.shape
    mu, sigma = np.empty((draws, modes)), np.empty((draws, modes))
    for m in range(modes):
        _drawn(line, m, age[m], seen[m], odometer, at_least, unknown, mu, sigma)
    if unknown:
        cases, weight = _cases(line, mu, sigma, odometer, at_least)
    else:
        cases, weight = np.zeros(1), np.ones((draws, 1))
    ages, last = np.empty((cases.size, modes)), np.empty((cases.size, modes))
    for k in range(cases.size):
        for m in range(modes):
            ages[k, m] = cases[k] if unknown else age[m]
            last[k, m] = max(cases[k] - (age[m] - seen[m]), 0.0) if unknown else min(seen[m], age[m])
    plain = _fresh(line, np.ones(modes), mu, sigma, step, factor)
    cost[1] = plain[:, -1]
    _left(
        line,
        mu,
        sigma,
        line.own_lognormal,
        line.own_rate,
        ages,
        last,
        weight,
        plain,
        step,
        factor,
        cost[0],
        chance,
        stranded,
    )
    for e in range(1, line.mu.shape[0]):
        _treated(line, e, mu, sigma, ages, last, weight, plain, step, factor, cost[1 + e])


@njit(cache=True)
def _treated(line, e, mu, sigma, ages, last, weight, plain, step, factor, cost):  # type: ignore[no-untyped-def]
    """Cost after effect ``e``: the modes that it cures start again, in its own design; others go on."""
    modes, draws = line.place.shape
    mu, sigma, ages, last = mu.copy(), sigma.copy(), ages.copy(), last.copy()
    lognormal, rate = line.own_lognormal.copy(), line.rate[e] * line.guard[e]
    for m in range(modes):
        if not line.own[e, m]:
            lognormal[m] = line.lognormal[e, m]
            mu[:, m], sigma[:, m] = line.mu[e, m], line.sigma[e, m]
        if line.act[e, m] == RESTARTS:
            ages[:, m], last[:, m] = 0.0, 0.0
        elif line.act[e, m] == CLEANED:
            ages[:, m] *= line.keeps[e]
            last[:, m] = ages[:, m]
    if (line.act[e] == RESTARTS).all():
        ages, last, weight = ages[:1], last[:1], np.ones((draws, 1))
    worth = plain if (line.guard[e] == 1.0).all() else _fresh(line, line.guard[e], mu, sigma, step, factor)
    none, stops = np.zeros(MARKS.size), np.zeros(MARKS.size)
    _left(line, mu, sigma, lognormal, rate, ages, last, weight, worth, step, factor, cost, none, stops)


@njit(cache=True)
def _drawn(line, m, age, seen, odometer, at_least, unknown, mu, sigma):  # type: ignore[no-untyped-def]
    """Draws from the nodes, weighed by what the piece has shown: in place so long, or absent when last seen."""
    nodes = line.node_mu.shape[1]
    weight = line.node_weight[m].copy()
    if line.own_rate[m] > 0:
        if unknown:
            weight *= _in_place(line, m, odometer, at_least)
        else:
            for i in range(nodes):
                if weight[i] > 0:
                    gone = cumulative_hazard(
                        min(age, seen), line.node_mu[m, i], line.node_sigma[m, i], line.own_lognormal[m]
                    )
                    weight[i] *= exp(-gone)
    total = weight.sum()
    if not total > 0:
        weight, total = line.node_weight[m].copy(), line.node_weight[m].sum()
    edges = np.cumsum(weight) / total
    for d in range(line.place.shape[1]):
        chosen = min(np.searchsorted(edges, line.place[m, d], side="right"), nodes - 1)
        mu[d, m], sigma[d, m] = line.node_mu[m, chosen], line.node_sigma[m, chosen]


@njit(cache=True)
def _in_place(line, m, odometer, at_least):  # type: ignore[no-untyped-def]
    """Chance under each node that a piece always renewed on failure has been in place for ``at_least``."""
    nodes = line.node_mu.shape[1]
    used = np.flatnonzero(line.node_weight[m] > FAINT * line.node_weight[m].max())
    mu, sigma = np.empty((used.size, 1)), np.ones((used.size, 1))
    for i in range(used.size):
        mu[i, 0], sigma[i, 0] = line.node_mu[m, used[i]], line.node_sigma[m, used[i]]
    edges = np.linspace(0.0, max(odometer, 1.0), AGES)
    one = np.ones(1)
    weight = _ages(mu, sigma, line.own_lognormal[m : m + 1], one, one, edges, edges[1])
    share, _ = _old_enough(edges, at_least)
    likely = np.zeros(nodes)
    for i in range(used.size):
        likely[used[i]] = (weight[i] * share).sum()
    return likely


@njit(cache=True)
def _old_enough(edges, at_least):  # type: ignore[no-untyped-def]
    """Of each case the share that is in place so long, and its age (see `renewal.unknown_age`)."""
    step, end = edges[1], edges[-1]
    share, age = np.ones(edges.size), np.empty(edges.size)
    for i in range(edges.size):
        oldest = end - max(edges[i] - step, 0.0)
        youngest = max(end - edges[i] if i else end, min(at_least, end))
        if i:
            share[i] = min(max((oldest - youngest) / step, 0.0), 1.0)
        age[i] = 0.5 * (oldest + youngest)
    return share, age


@njit(cache=True)
def _cases(line, mu, sigma, odometer, at_least):  # type: ignore[no-untyped-def]
    edges = np.linspace(0.0, max(odometer, 1.0), AGES)
    one = np.ones(mu.shape[1])
    weight = _ages(mu, sigma, line.own_lognormal, one, one, edges, edges[1])
    share, age = _old_enough(edges, at_least)
    for d in range(weight.shape[0]):
        weight[d] *= share
        total = weight[d].sum()
        if total > 0:
            weight[d] /= total
        else:
            weight[d] = 0.0
            weight[d, 0] = 1.0
    able = share > 0
    return age[able], weight[:, able]


@njit(cache=True)
def _fresh(line, guard, own_mu, own_sigma, step, factor):  # type: ignore[no-untyped-def]
    """W of what a future cure fits, (d, steps + 1)."""
    modes, draws = line.place.shape
    if not line.cured:
        return np.zeros((draws, STEPS + 1))
    mu, sigma, start = np.empty((draws, modes)), np.empty((draws, modes)), np.zeros(modes)
    lognormal = np.empty(modes, np.bool_)
    for m in range(modes):
        own = line.own[0, m]
        lognormal[m] = line.own_lognormal[m] if own else line.lognormal[0, m]
        for d in range(draws):
            mu[d, m] = own_mu[d, m] if own else line.mu[0, m, d]
            sigma[d, m] = own_sigma[d, m] if own else line.sigma[0, m, d]
        if line.keeps[0] > 0:
            middle = mu[:, m] + (0.0 if lognormal[m] else MEDIAN_Z) * sigma[:, m]
            start[m] = line.keeps[0] * exp(middle.mean())
    return _new(mu, sigma, lognormal, line.cost, line.rate[0] * guard, np.ones(modes), start, step, STEPS, factor)


@njit(cache=True)
def _left(  # type: ignore[no-untyped-def]
    line, mu, sigma, lognormal, rate, ages, last, weight, worth, step, factor, cost, chance, stranded
):
    """Cost (d,) of going on from ``ages`` (k, m), each with its weight (d, k); chances within the marks."""
    draws, speed = mu.shape[0], np.ones(mu.shape[1])
    half = factor**0.5
    stops = line.stranded.max() > 0
    for d in range(draws):
        total = 0.0
        for k in range(ages.shape[0]):
            share = weight[d, k]
            if share < 1e-9:
                continue
            p, q = first_failure(mu[d], sigma[d], lognormal, line.cost, rate, speed, ages[k], last[k], step, STEPS)
            value, discount = q[0] + p[0] * worth[d, STEPS], half
            for i in range(1, STEPS + 1):
                value += discount * (q[i] + p[i] * 0.5 * (worth[d, STEPS - i] + worth[d, STEPS - i + 1]))
                discount *= factor
            total += share * value
            _mark(p, share / draws, chance)
            if stops:
                if mu.shape[1] == 1:
                    _mark(p, share / draws * line.stranded[0], stranded)
                else:
                    _, s = first_failure(
                        mu[d], sigma[d], lognormal, line.stranded, rate, speed, ages[k], last[k], step, STEPS
                    )
                    _mark(s, share / draws, stranded)
        cost[d] = total


@njit(cache=True)
def _mark(p, share, chance):  # type: ignore[no-untyped-def]
    total, mark = 0.0, 0
    for i in range(p.size):
        total += p[i]
        if i == MARKS[mark]:
            chance[mark] += share * total
            mark += 1
