"""A small workshop folder for tests of the server: the book that ``wearlore book new`` writes, and a few records."""

from datetime import date
from pathlib import Path

from wearlore.book import load
from wearlore.workbench import Workbench

TODAY = date(2026, 1, 15)
VEHICLES = "vehicle,variant,built,history\n" + "".join(
    f"C{n:03},{'turbo' if n % 3 else 'base'},2015-0{n % 9 + 1}-10,complete\n" for n in range(1, 25)
)
LINES = "vehicle,date,odometer,unit,component,finding,mode,action\n" + "".join(
    f"C{n:03},2021-0{n % 9 + 1}-20,{70_000 + 2_500 * n},km,water-pump,"
    f"{'failed,water-pump-seep,renewed' if n % 2 else 'good,water-pump-seep,'}\n"
    f"C{n:03},2024-0{n % 9 + 1}-20,{110_000 + 2_500 * n},km,front-seal,"
    f"{'failed,front-seal-leak,renewed' if n % 4 == 0 else 'good,front-seal-leak,'}\n"
    for n in range(1, 25)
)


def lay_out(folder: Path) -> Path:
    """Book and store in the new ``folder``."""
    folder.mkdir(parents=True)
    (folder / "book.yaml").write_text(load.starter(), encoding="utf-8")
    files = {"vehicles.csv": VEHICLES, "lines.csv": LINES}
    for name, content in files.items():
        (folder / name).write_text(content, encoding="utf-8")
    Workbench(folder).take([folder / name for name in files], today=TODAY)
    return folder
