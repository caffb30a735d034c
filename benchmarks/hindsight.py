"""Hold forecasts of many invented fleets against what happened: coverage, totals, which modes are off and by how much.

python benchmarks/hindsight.py [fleets] [hold-out] [vans]
"""

from __future__ import annotations

import shutil
import sys
import tempfile
import time
from collections.abc import Iterator
from datetime import date
from pathlib import Path

import numpy as np
from scipy.stats import kstest

from wearlore.answers import FamilyHindsight
from wearlore.book.load import load
from wearlore.demo import BOOK, Truth, simulate
from wearlore.hindsight.scores import held, histogram
from wearlore.workbench import Workbench

FIRST_SEED = 100
TODAY = date(2025, 1, 1)


def answers(fleets: int, hold_out: str, vans: int) -> Iterator[FamilyHindsight]:
    book, truth = load(BOOK), Truth.read()
    for seed in range(FIRST_SEED, FIRST_SEED + fleets):
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name)
            shutil.copytree(BOOK, folder / "book")
            fleet = simulate(book, truth, vans=vans, rng=np.random.default_rng(seed))
            bench = Workbench(folder)
            bench.take(fleet.write(folder / "records"), today=TODAY)
            yield bench.hindsight(hold_out)


def main() -> None:
    asked = (*sys.argv[1:], *("40", "12m", "300")[len(sys.argv) - 1 :])
    fleets, hold_out, vans = int(asked[0]), asked[1], int(asked[2])
    begin, told = time.perf_counter(), []
    for answer in answers(fleets, hold_out, vans):
        told.append(answer)
        one = answer.verdict
        print(
            f"{len(told):3}: expected {one.sum.expected:6.0f}, happened {one.sum.happened:5}, "
            f"PIT {np.mean(one.sum.pit):.3f}; 50 % held {one.half.held.value:.3f}, 90 % held {one.most.held.value:.3f}",
            flush=True,
        )
    modes = [mode for answer in told for mode in answer.modes]
    took = time.perf_counter() - begin
    print(f"{fleets} fleets of {vans}, held out {hold_out}, {took:.0f} s; {len(modes)} forecasts")
    for level in (0.5, 0.9):
        shares = [np.mean([held(mode.tally.pit, level) for mode in answer.modes]) for answer in told]
        error = np.std(shares, ddof=1) / np.sqrt(fleets)
        sums = np.mean([held(answer.verdict.sum.pit, level) for answer in told])
        print(f"{level:.0%} intervals held {np.mean(shares):.3f} +- {error:.3f}; of the sum {sums:.2f}")
    most = [answer.verdict.most for answer in told]
    whole, right = (sum(values) / len(modes) for values in ([c.whole for c in most], [c.whole_expected for c in most]))
    print(f"90 % intervals of whole numbers held {whole:.3f}, expected {right:.3f}")
    expected, happened = (
        np.array([getattr(answer.verdict.sum, name) for answer in told]) for name in ("expected", "happened")
    )
    ratio = happened.sum() / expected.sum()
    error = np.std(happened - ratio * expected, ddof=1) * np.sqrt(fleets) / expected.sum()
    print(f"happened of expected {ratio:.3f} +- {error:.3f}")
    print("PIT histogram, 1 is even:", np.round(10 * histogram([m.tally.pit for m in modes], 10) / len(modes), 2))
    crps, naive = (np.mean(each) for each in ([a.verdict.crps for a in told], [a.naive_error for a in told]))
    print(f"CRPS {crps:.2f} failures a mode; as many as the year before {naive:.2f}")
    print(f"bias of pieces' chances {np.mean([answer.pieces.bias.value for answer in told]):.4f}")
    by_mode(told)


def by_mode(told: list[FamilyHindsight]) -> None:
    """Each mode over all fleets: z of the sum, and whether its PIT looks uniform (Kolmogorov and Smirnov)."""
    rows = [mode for answer in told for mode in answer.modes]
    for noticed in ("evident", "hidden"):
        of = [mode.tally for mode in rows if mode.noticed == noticed]
        print(f"{noticed:24} {sum(t.happened for t in of) / sum(t.expected for t in of):.3f}")
    for name in sorted({mode.mode for mode in rows}):
        of = [mode.tally for mode in rows if mode.mode == name]
        expected, happened = sum(t.expected for t in of), sum(t.happened for t in of)
        variance = sum(float(t.pmf @ (np.arange(t.pmf.size) - t.expected) ** 2) for t in of)
        p = kstest([np.mean(t.pit) for t in of], "uniform").pvalue
        print(
            f"{name:24} expected {expected:7.1f} happened {happened:5} ratio {happened / expected:.2f} "
            f"z {(happened - expected) / np.sqrt(variance):5.1f} "
            f"90 % held {np.mean([held(t.pit, 0.9) for t in of]):.2f} PIT uniform p {p:.3f}"
        )


if __name__ == "__main__":
    main()
