"""The walk over a large invented history, beside the same rows by window functions in SQL.

Only a case that both can do in few words is compared: evident modes, histories from new, renewals alone. The walk does
as much work as ever; the SQL knows none of the other rules.
"""

from __future__ import annotations

import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

import numpy as np
import pyarrow as pa

from wearlore.book.model import Book
from wearlore.lifetimes import lifetimes
from wearlore.records.store import Store

T = TypeVar("T")
COMPONENTS, MODES, VEHICLES, VISITS = 12, 3, 20_000, 25

WINDOWS = """
WITH ended AS (
    SELECT vehicle, component, km, km - lag(km, 1, 0) OVER w AS age, mode AS failed
    FROM lines WHERE action = 'renewed' WINDOW w AS (PARTITION BY vehicle, component ORDER BY date, km)
), last AS (SELECT vehicle, max(km) AS km FROM visits GROUP BY vehicle),
open AS (
    SELECT l.vehicle, c.component, l.km - coalesce(max(e.km), 0) AS age, NULL AS failed
    FROM last l CROSS JOIN (SELECT DISTINCT component FROM book_modes) c
    LEFT JOIN ended e ON e.vehicle = l.vehicle AND e.component = c.component
    GROUP BY l.vehicle, c.component, l.km
)
SELECT mode, floor(age / 100 + 0.5) * 100 AS lower, coalesce(failed = mode, false) AS exact, count(*) AS lives
FROM (SELECT component, age, failed FROM ended UNION ALL SELECT component, age, failed FROM open WHERE age > 0)
JOIN book_modes USING (component)
GROUP BY ALL ORDER BY ALL
"""


def bench_book() -> Book:
    components = {f"part-{c}": {"name": "Part", "system": "s", "zone": "front"} for c in range(COMPONENTS)}
    modes = {
        f"part-{c}-mode-{m}": {
            "name": "Mode", "component": f"part-{c}", "noticed": "evident", "consequence": {"severity": "degraded"},
        }
        for c in range(COMPONENTS)
        for m in range(MODES)
    }  # fmt: skip
    return Book.model_validate({
        "wearlore": 1, "family": {"id": "bench", "name": "Bench"}, "economics": {"labour_rate": 60},
        "variants": {"one": {"name": "One"}}, "zones": {"front": {"name": "Front"}},
        "components": components, "modes": modes,
    })  # fmt: skip


def fill(store: Store, rng: np.random.Generator) -> None:
    """Visits at irregular distances; at two of three one unit is renewed, at half of these because it failed."""
    n = VEHICLES * VISITS
    vehicle = np.repeat(np.arange(VEHICLES), VISITS)
    step = rng.integers(1_000, 15_000, (VEHICLES, VISITS))
    component, mode, kind = rng.integers(0, COMPONENTS, n), rng.integers(0, MODES, n), rng.random(n)
    history = pa.table({
        "number": vehicle, "visit": np.tile(np.arange(VISITS), VEHICLES),
        "km": step.cumsum(axis=1).ravel().astype(float),
        "component": component, "mode": mode, "renewed": kind < 2 / 3, "failed": kind < 1 / 3,
    })  # fmt: skip
    with store.transaction() as connection:
        connection.register("history", history)
        connection.execute("""
            INSERT INTO vehicles SELECT DISTINCT 'van ' || number, 'one', DATE '2010-01-01', 'complete', NULL, 1
            FROM history""")
        connection.execute("""
            INSERT INTO visits
            SELECT 'van ' || number, DATE '2010-02-01' + 60 * visit::INTEGER, km, 1 FROM history""")
        connection.execute("""
            INSERT INTO lines
            SELECT 'van ' || number, DATE '2010-02-01' + 60 * visit::INTEGER, km, NULL, 'part-' || component, NULL,
                CASE WHEN failed THEN 'failed' END, CASE WHEN failed THEN 'part-' || component || '-mode-' || mode END,
                'renewed', NULL, NULL, NULL, 1, 0
            FROM history WHERE renewed""")
        connection.unregister("history")


def timed(work: Callable[[], T], times: int = 3) -> tuple[float, T]:
    """The best of a few runs, seconds."""
    best = float("inf")
    for _ in range(times):
        start = time.perf_counter()
        result = work()
        best = min(best, time.perf_counter() - start)
    return best, result


def main() -> None:
    book = bench_book()
    with tempfile.TemporaryDirectory() as folder, Store.open(Path(folder) / "records.duckdb") as store:
        fill(store, np.random.default_rng(1))
        first, _ = timed(lambda: lifetimes(store, book), times=1)
        walk, result = timed(lambda: lifetimes(store, book))
        windows, rows = timed(lambda: store.connection.execute(WINDOWS).fetchall())
    by_walk = sorted(
        (mode, lower, lower == upper, count)
        for mode, own in result.modes.items()
        for lower, upper, count in zip(own.lives.lower, own.lives.upper, own.lives.count, strict=True)
    )
    if by_walk != sorted(rows):
        raise SystemExit("the walk and the window functions disagree")
    lives = sum(own.evidence.lives for own in result.modes.values())
    print(
        f"lifetimes: {VEHICLES:,} vehicles, {VEHICLES * VISITS:,} visits, {lives:,} lives of {len(result.modes)} modes"
    )
    print(f"  walk {walk:.2f} s (first time in this process {first:.2f} s)")
    print(f"  window functions in SQL, the same {len(rows):,} rows {windows:.2f} s: ratio {windows / walk:.1f}")


if __name__ == "__main__":
    main()
