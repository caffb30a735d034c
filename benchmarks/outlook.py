"""Ownership paths of one vehicle over 150,000 km, without shared visits and under the scope advice.

Peers: the same paths without sharing in NumPy, all of them at once, unit after unit; the whole distribution by
convolution, which the simulation must match; and the courses under the advice event by event in plain Python, each
decision a minimum cut, on a few paths of the same luck, which must cost the same.
"""

from __future__ import annotations

import resource
import time
from dataclasses import replace
from math import inf

import numpy as np
import scope as scopes
from scipy.special import ndtri_exp

from wearlore import scope
from wearlore.book.load import load
from wearlore.demo import BOOK
from wearlore.life import life_model
from wearlore.lives import Array, Lives
from wearlore.outlook.courses import CHUNK, LEAD, courses
from wearlore.outlook.forecast import distance_ahead, forecast, yearly
from wearlore.outlook.independent import alone, modes_of
from wearlore.outlook.luck import distance_at, hazard_met, key_of, normal_at
from wearlore.outlook.spread import cost_spread
from wearlore.renewal import cumulative_hazard
from wearlore.renewal.upkeep import Renewable, Upkeep
from wearlore.scope.program import closure

KM, PATHS, FEW, SEED = 150_000.0, 100_000, 60, 1


def demo_upkeep() -> Upkeep:
    """A van of the demo family with everything on it as old as itself, lives by judgement."""
    book = load(BOOK)
    judged = {id_: life_model(id_, Lives.of(), mode.belief) for id_, mode in book.modes.items()}
    terms = replace(scope.Terms.of(book.economics), horizon=KM)
    van = scopes.van(book, known=True)
    return scope.upkeep(book, van, lambda mode, _r, _g: judged[mode], terms, rng=np.random.default_rng(1))


# ------------------------------------------------------------------------------------------------------------ in NumPy
def alone_in_numpy(renewables: tuple[Renewable, ...], paths: int, rng: np.random.Generator) -> Array:
    """The cost of each path: all paths of a unit at once, failure after failure, those that go on still."""
    m = modes_of(renewables)
    cost = np.zeros(paths)
    for i in range(len(renewables)):
        going, at, first = np.arange(paths), np.zeros(paths), True
        while going.size:
            lasts = np.stack([_lasts(m, 0 if first else 1, k, going, rng) for k in range(m.ends[i], m.ends[i + 1])])
            at = at + lasts.min(axis=0)
            kept = at < KM
            cost[going[kept]] += m.cost[m.ends[i] + lasts.argmin(axis=0)[kept]]
            going, at, first = going[kept], at[kept], False
    return cost


def _lasts(m, p: int, k: int, going, rng: np.random.Generator) -> Array:
    draw = going % m.mu.shape[1]
    if m.rate[p, k] == 0:
        return np.full(going.size, inf)
    at = m.seen[p, draw, k] + rng.standard_exponential(going.size)
    z = -ndtri_exp(-at) if m.lognormal[p, k] else np.log(at)
    lasts = np.maximum(np.exp(m.mu[p, draw, k] + m.sigma[p, draw, k] * z) - m.age[p, draw, k], 0.0)
    if m.hidden[k] and m.lead[k, 0] > 0:
        lasts += m.lead[k, 0] * np.exp(m.lead[k, 1] * rng.standard_normal(going.size))
    return lasts


# ------------------------------------------------------------------------------------------------- event by event
def plain_courses(care: Upkeep, paths: int) -> Array:
    """Cost of each path under the advice (money of the day), as a person would write it down."""
    rule = scope.follow_advice(care)
    known, items, n = rule.savings, care.renewables, len(care.renewables)
    names = sorted(care.price)
    number = {name: n + s for s, name in enumerate(names)}
    money, prices = np.array([item.money for item in items]), np.array([-care.price[name] for name in names])
    needs = [[number[name] for name in sorted(item.needs)] for item in items]
    brought = [np.flatnonzero(row).tolist() for row in care.brings]
    costs = []
    for run in range(paths):
        piece, renewed = np.zeros(n, int), np.zeros(n)
        due, by = map(np.array, zip(*(_piece(item, run, 0, 0.0) for item in items), strict=True))
        km, cost, asked = 0.0, 0.0, any((item.present > 0).any() for item in items)
        failed = due <= 0 if asked else np.zeros(n, bool)
        while True:
            if asked:
                worth = known.at(km - renewed, KM - km, piece == 0) - money
                wanted = failed | (worth > 0)
                wanted |= care.brings[wanted].any(axis=0)
                implies = [(i, j) for i in np.flatnonzero(wanted).tolist() for j in needs[i] + brought[i]]
                value = np.concatenate([np.where(wanted, worth, 0.0), prices])
                done = closure(value, implies, np.flatnonzero(failed).tolist(), ())[:n]
                steps = frozenset().union(*(items[i].needs for i in np.flatnonzero(done)))
                cost += sum(care.price[step] for step in steps) + money[done].sum()
                cost += sum(items[i].consequence[by[i]] for i in np.flatnonzero(failed))
                for i in np.flatnonzero(done):
                    piece[i] += 1
                    renewed[i] = km
                    due[i], by[i] = _piece(items[i], run, piece[i], km)
            km = float(due.min())
            if km >= KM:
                break
            failed, asked = due <= km + 1e-9, True
        costs.append(cost)
    return np.array(costs)


def _piece(item: Renewable, run: int, piece: int, km: float) -> tuple[float, int]:
    """Where a piece makes itself known, and by which mode."""
    process, draw, shows = (item.fresh if piece else item.fitted), run % item.age.shape[0], []
    for m, mode in enumerate(item.modes):
        met = hazard_met(np.uint64(SEED), np.uint64(run), key_of(item.unit, mode), np.uint64(piece))
        mu, sigma, lognormal = process.mu[draw, m], process.sigma[draw, m], bool(process.lognormal[m])
        age, seen = (item.start[m], item.start[m]) if piece else (item.age[draw, m], item.seen[draw, m])
        life = inf
        if process.rate[m] > 0:
            at = cumulative_hazard(seen, mu, sigma, lognormal) + met / process.rate[m]
            life = max(distance_at(at, mu, sigma, lognormal) - age, 0.0) / process.speed[m]
        if item.hidden[m] and item.lead[m, 0] > 0:
            late = hazard_met(np.uint64(SEED), np.uint64(run), key_of(item.unit, mode), np.uint64(piece) + LEAD)
            life += item.lead[m, 0] * np.exp(item.lead[m, 1] * normal_at(late))
        shows.append(km + life)
    return min(shows), int(np.argmin(shows))


# ---------------------------------------------------------------------------------------------------------------- main
def best(work, repeats: int = 3):
    """The result, the shortest of several times, s, and the least time of all processors; the first is not counted."""
    result = work()
    took, worked = [], []
    for _ in range(repeats):
        start, busy = time.perf_counter(), time.process_time()
        result = work()
        took.append(time.perf_counter() - start)
        worked.append(time.process_time() - busy)
    return result, min(took), min(worked)


def independent(care: Upkeep) -> None:
    items = care.renewables
    made, ours, busy = best(lambda: alone(items, KM, runs=PATHS, seed=SEED))
    cost, theirs, numpy_busy = best(lambda: alone_in_numpy(items, PATHS, np.random.default_rng(2)), 2)
    exact, convolved, _ = best(lambda: cost_spread(items, KM))
    error = made.cost.std() * (2 / PATHS) ** 0.5
    assert abs(made.cost.mean() - cost.mean()) < 5 * error
    assert abs(made.cost.mean() - exact.mean) < 5 * error
    ranked = np.sort(made.cost)
    apart = np.abs(exact.cdf(ranked) - (np.arange(PATHS) + 0.5) / PATHS).max()
    assert apart < 1.95 / PATHS**0.5
    print(
        f"{PATHS:,} paths of {KM:,.0f} km, {_modes(items)} modes of a unit, {made.visits.mean():.0f} failures a path, "
        f"nothing shared: {ours:.2f} s, {busy:.2f} s of all processors"
    )
    print(f"NumPy: {theirs:.2f} s, {theirs / ours:.1f} times as long; {numpy_busy:.2f} s of its one processor")
    few = items[:34]
    made, ours, busy = best(lambda: alone(few, KM, runs=PATHS, seed=SEED))
    print(
        f"the first {_modes(few)} modes of them, {made.visits.mean():.0f} failures a path: {ours:.2f} s, {busy:.2f} s "
        "of all processors (aim: 0.2 s on two that are free)"
    )
    print(
        f"the whole distribution by convolution: {convolved:.2f} s; from the simulated one it is never further than "
        f"{apart:.4f} (1 in 1,000 by chance: {1.95 / PATHS**0.5:.4f})"
    )


def _modes(items: tuple[Renewable, ...]) -> int:
    return sum(len(item.modes) for item in items)


def under_advice(care: Upkeep) -> None:
    rule = scope.follow_advice(care)
    courses(care, rule, runs=CHUNK, seed=SEED)  # compiles
    start = time.process_time()
    slow = plain_courses(care, FEW)
    plain = (time.process_time() - start) / FEW
    fast = courses(care, rule, runs=FEW, seed=SEED).paid[:, 0]
    same = float((np.abs(slow - fast) < 0.01).mean())
    assert same > 0.95, same  # the minimum cut counts in hundredths: a tie may fall the other way
    ahead = distance_ahead(yearly(20_000.0, 0.25), KM, runs=PATHS)
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    start, busy = time.perf_counter(), time.process_time()
    forecast(care, {"advice": rule}, ahead, seed=SEED)
    took, worked = time.perf_counter() - start, time.process_time() - busy
    most = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    print(
        f"{PATHS:,} paths under the scope advice: {took:.1f} s, {worked:.1f} s of all processors (aim: 20 s on two "
        f"that are free); peak memory {most / 1024:,.0f} MB, {(most - before) / 1024:,.0f} of it for this (aim: 1,000)"
    )
    print(
        f"event by event in plain Python, {FEW} paths: {plain * 1e3:.0f} ms a path, {plain * PATHS / worked:,.0f} "
        f"times as long; {100 * same:.0f} % of them cost the same to the hundredth"
    )


def main() -> None:
    print("Outlook: the years to come of one van")
    care = demo_upkeep()
    independent(care)
    under_advice(care)


if __name__ == "__main__":
    main()
