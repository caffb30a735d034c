"""Can the chances of a trace be trusted, and does its advice save money? On vans of the demo of which all is known.

Each of several fleets has its own records and the life models fitted from these; its vans come in with a complaint.
Takes about a quarter of an hour on two cores; the figures stand in docs/trace-calibration.md.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections import defaultdict
from concurrent.futures import ProcessPoolExecutor
from datetime import timedelta
from itertools import islice
from multiprocessing import get_context
from pathlib import Path
from shutil import copytree

import numpy as np

from wearlore import demo
from wearlore.demo.curing import POLICIES, Bill
from wearlore.demo.faulty import complaint, looked_at, visits
from wearlore.demo.fleet import run
from wearlore.trace import Told
from wearlore.trace.calibration import Calibration, calibration
from wearlore.workbench import Workbench
from wearlore.workbench.tracing import Tracing

FLEETS, VANS = 4, 1_550
BILLED = 150  # vans of each fleet that are cured under every policy
AT_NOTICE = 250  # vans of each fleet that are driven to where a failure makes itself known
LOOKS = 2  # at most, by chance, before the chances are asked for
RESAMPLES = 4_000
FIGURES = ("prior", "asked", "all", "likeliest", "asks nothing", "asks everything", "at its notice")


class Tally:
    """Stated chances and the truth, by what they are of; bills by policy; counts of vans; ms of each next step."""

    def __init__(self) -> None:
        self.stated: dict[str, list[float]] = defaultdict(list)
        self.found: dict[str, list[bool]] = defaultdict(list)
        self.bills: list[dict[str, Bill]] = []
        self.came = self.behind = self.driven = 0
        self.took: list[float] = []

    def add(self, what: str, chances: dict[str, float], present: frozenset[str]) -> None:
        self.stated[what] += chances.values()
        self.found[what] += (name in present for name in chances)

    def join(self, other: Tally) -> None:
        for what, chances in other.stated.items():
            self.stated[what] += chances
            self.found[what] += other.found[what]
        self.bills += other.bills
        self.took += other.took
        self.came, self.behind, self.driven = (
            self.came + other.came, self.behind + other.behind, self.driven + other.driven,
        )  # fmt: skip


def in_question(tracing: Tracing, told: tuple[Told, ...]) -> dict[str, float]:
    facts = tracing.case.facts(told)
    chance = tracing.solver.posterior(facts).chance
    return {name: chance[name] for name in tracing.solver.in_question(facts)}


def one_fleet(number: int) -> Tally:
    book, truth = demo.BOOK, demo.Truth.read()
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch)
        copytree(book, folder / "book")
        bench = Workbench(folder)
        fleet, vans = run(bench.book, truth, vans=VANS, rng=np.random.default_rng([demo.SEED, number]))
        bench.take(fleet.write(folder / "files"), today=truth.fleet.records_end + timedelta(1))
        tally, rng = Tally(), np.random.default_rng(number)
        for tracing, present in visits(bench, vans, rng=rng):
            one_van(tally, tracing, present, rng)
        for tracing, present in islice(visits(bench, vans, at_notice=True, rng=rng), AT_NOTICE):
            if come := complaint(tracing, present, rng=rng):
                tally.add("at its notice", in_question(tracing, come.told), present)
    return tally


def one_van(tally: Tally, tracing: Tracing, present: frozenset[str], rng: np.random.Generator) -> None:
    tally.driven += 1
    tally.add("prior", {suspect.name: suspect.prior for suspect in tracing.case.suspects}, present)
    for what, denied in (("asks nothing", 0.0), ("asks everything", 1.0)):
        if come := complaint(tracing, present, denied=denied, rng=rng):
            tally.add(what, in_question(tracing, come.told), present)
    come = complaint(tracing, present, rng=rng)
    if come is None:
        return
    told = looked_at(tracing, come, int(rng.integers(LOOKS + 1)), rng=rng)
    asked = in_question(tracing, told)
    tally.came += 1
    tally.behind += not present.isdisjoint(in_question(tracing, come.told))
    tally.add("asked", asked, present)
    tally.add("all", dict(tracing.solver.posterior(tracing.case.facts(told)).chance), present)
    if asked:
        first = max(asked, key=asked.__getitem__)
        tally.add("likeliest", {first: asked[first]}, present)
    if len(tally.bills) < BILLED:
        start = time.perf_counter()
        tracing.next_step(come.told)
        tally.took.append(1e3 * (time.perf_counter() - start))
        tally.bills.append({name: policy(tracing, come) for name, policy in POLICIES.items()})


def show_calibration(what: str, chances: Calibration, *, bins: bool) -> None:
    error, by_chance = chances.error, chances.by_chance
    print(
        f"{what}: {chances.count:,} chances, {chances.found:,} there; ECE {error.value:.4f} "
        f"({error.low:.4f} to {error.high:.4f}), by chance alone {by_chance.low:.4f} to {by_chance.high:.4f}; "
        f"bias {chances.bias.value:+.4f}"
    )
    for row in chances.bins if bins else ():
        share = f"{row.share.value:.3f} ({row.share.low:.3f} to {row.share.high:.3f})"
        print(f"| {row.low:.1f} to {row.high:.1f} | {row.count:,} | {row.stated:.3f} | {share} |")


def show_costs(bills: list[dict[str, Bill]]) -> None:
    totals = {name: np.array([bill[name].total for bill in bills]) for name in POLICIES}
    drawn = np.random.default_rng(0).integers(len(bills), size=(RESAMPLES, len(bills)))
    for name, cost in totals.items():
        parts = [
            np.mean([getattr(bill[name], part) for bill in bills])
            for part in ("number", "looks", "repairs", "checks", "left")
        ]
        ratios = totals["advice"][drawn].sum(1) / cost[drawn].sum(1)
        low, high = np.quantile(ratios, [0.025, 0.975])
        print(
            f"| {name} | {parts[0]:.1f} | {' | '.join(f'{part:,.0f}' for part in parts[1:])} | {cost.mean():,.0f} "
            f"| {totals['advice'].sum() / cost.sum():.2f} ({low:.2f} to {high:.2f}) |"
        )


def main() -> None:
    whole = Tally()
    with ProcessPoolExecutor(2, mp_context=get_context("spawn")) as pool:
        for tally in pool.map(one_fleet, range(FLEETS)):
            whole.join(tally)
    print(
        f"{whole.driven:,} vans driven on, {whole.came:,} came in, {whole.behind:,} with a fault behind what was told"
    )
    for what in FIGURES:
        chances = calibration(whole.stated[what], whole.found[what], rng=np.random.default_rng(0))
        show_calibration(what, chances, bins=what in ("asked", "likeliest"))
    print(f"cost to find and cure, {len(whole.bills):,} vans:")
    show_costs(whole.bills)
    print(f"next step after the complaint: median {np.median(whole.took):.0f} ms, 95 in 100 under "
          f"{np.quantile(whole.took, 0.95):.0f} ms")  # fmt: skip


if __name__ == "__main__":
    sys.exit(main())
