"""Time the due list of an invented fleet of 100,000 vans: the walk over its records, the tables, the decisions.

    python benchmarks/due.py [VANS]

The demo's own fleet of 2,000 vans is invented with its records and copied under other names until there are enough; so
the walk has as many visits and lines to read as a fleet of that size has.
"""

from __future__ import annotations

import resource
import sys
import tempfile
import time
from datetime import timedelta
from pathlib import Path
from shutil import copytree

import numpy as np

from wearlore import demo
from wearlore.demo.fleet import run
from wearlore.records.store import Store
from wearlore.workbench import Workbench

INVENTED, WANTED = 2_000, 100_000


def stored(folder: Path, vans: int) -> Workbench:
    """A folder with the records of so many vans."""
    copytree(demo.BOOK, folder / "book")
    bench, truth = Workbench(folder), demo.Truth.read()
    fleet, _ = run(bench.book, truth, vans=min(vans, INVENTED), rng=np.random.default_rng(demo.SEED))
    bench.take(fleet.write(folder / "files"), today=truth.fleet.records_end + timedelta(1))
    print("models of 2,000 vans", flush=True)
    for mode in bench.book.modes:
        bench._model_or_none(mode)
    with Store.open(bench.store_path) as store, store.transaction() as connection:
        for table in ("vehicles", "visits", "lines"):
            columns = [name for name, *_ in connection.execute(f"DESCRIBE {table}").fetchall()]
            rest = ", ".join(name for name in columns if name != "vehicle")
            connection.execute(
                f"INSERT INTO {table} (vehicle, {rest}) SELECT vehicle || '-' || copy, {rest} "
                f"FROM {table}, range(1, {max(vans // INVENTED, 1)}) copies(copy)"
            )
    return bench


def main() -> None:
    vans = int(sys.argv[1]) if len(sys.argv) > 1 else WANTED
    with tempfile.TemporaryDirectory() as scratch:
        bench = stored(Path(scratch), vans)
        stages: dict[str, list[float]] = {}

        def noted(what: str, done: int, of: int) -> None:
            stages.setdefault(what, []).append(time.perf_counter())

        bench.progress = noted
        for attempt in ("first, code compiled on the way", "again"):
            stages.clear()
            start, cpu = time.perf_counter(), time.process_time()
            found = bench.due(exact=False)
            end = time.perf_counter()
            marks = [times[0] for times in stages.values()] + [end]
            print(f"{attempt}: {len(found):,} of {vans:,} vans in the fleet, {len(bench.book.modes)} modes")
            for name, begun, done in zip(stages, marks, marks[1:], strict=False):
                print(f"  {name}: {done - begun:.1f} s")
            print(f"  together {end - start:.1f} s, {time.process_time() - cpu:.1f} s of all cores")
        print(f"greatest memory: {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6:.2f} GB")


if __name__ == "__main__":
    main()
