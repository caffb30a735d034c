"""Time the drift of readings beside the mixed model of statsmodels: the same readings, one process."""

from __future__ import annotations

import warnings
from collections.abc import Callable
from time import perf_counter

import numpy as np
from statsmodels.regression.mixed_linear_model import MixedLM

from wearlore.life.drift.distance import piece_path
from wearlore.life.drift.fit import fit_drift
from wearlore.life.drift.paths import Paths


def read(pieces: int, seed: int) -> Paths:
    """Three readings each, that rise by 3 (pieces: 1) over 200 000 km with curvature 1.2 and noise 0.3."""
    rng = np.random.default_rng(seed)
    piece = np.repeat(np.arange(pieces), 3)
    age = rng.uniform(0, 200e3, piece.size)
    own = rng.standard_normal((pieces, 2)) * [0.3, 1.0]
    rise = (3 + own[piece, 1]) * (age / 200e3) ** 1.2
    return Paths(piece, age, 1 + own[piece, 0] + rise + 0.3 * rng.standard_normal(piece.size))


def seconds(runs: int, work: Callable[[], object]) -> float:
    """Shortest of several runs, s."""
    times = []
    for _ in range(runs):
        start = perf_counter()
        work()
        times.append(perf_counter() - start)
    return min(times)


def main() -> None:
    print("readings that drift, three a piece:")
    fit_drift(read(30, 1))  # compiles
    for pieces in (100, 500):
        paths = read(pieces, 1)
        columns = np.column_stack([np.ones(len(paths)), (paths.age / paths.age.max()) ** 1.2])

        def theirs(paths: Paths = paths, columns: np.ndarray = columns) -> object:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")
                return MixedLM(paths.value, columns, paths.piece, exog_re=columns).fit(reml=False)

        ours = seconds(5, lambda paths=paths: fit_drift(paths, kappa=1.2, differ="in both"))
        took = seconds(1, theirs)
        known = fit_drift(paths, kappa=1.2, differ="in both")
        fitted = theirs()
        apart = max(
            abs(known.log_likelihood - fitted.llf),
            abs(known.slope.value - fitted.fe_params[1]),
            abs(known.sd_slope.value - np.sqrt(fitted.cov_re[1, 1])),
        )
        print(
            f"  {pieces:4} pieces, one model, curvature known: {1e3 * ours:.0f} ms; statsmodels {1e3 * took:,.0f} ms "
            f"({took / ours:.0f} times as long), apart by {apart:.0e}"
        )
    for pieces in (100, 10_000, 100_000):
        paths = read(pieces, 2)
        aim = "   (aim: under 1 s)" if pieces == 100_000 else ""
        print(f"  {pieces:7,} pieces, ladder and curvature: {seconds(3, lambda p=paths: fit_drift(p)):.2f} s{aim}")
    drift, rng = fit_drift(read(1000, 3)), np.random.default_rng(1)
    took = seconds(5, lambda: piece_path(drift, [50e3, 80e3], [1.6, 2.1], rng=rng).distance_left(5.0, 80e3))
    print(f"  distance left of one piece, with its chart: {1e3 * took:.0f} ms")


if __name__ == "__main__":
    main()
