"""Random histories: few visits close together, so that every rule meets every other."""

from __future__ import annotations

import csv
from collections.abc import Iterable
from datetime import date, timedelta
from pathlib import Path
from types import ModuleType

import numpy as np

from wearlore.book.model import Book

FIRST = date(2014, 1, 1)


def random_van(reference: ModuleType, book: Book, name: str, rng: np.random.Generator):
    """A van with up to seven visits; steps of 0 km and of 0 days are common."""
    variant = str(rng.choice(list(book.variants)))
    built = FIRST + timedelta(days=int(rng.integers(0, 5 * 365)))
    day, km = built, float(rng.choice([0, 0, 30, 5_000, 40_000]))
    lines = []
    for _ in range(int(rng.integers(1, 8))):
        day += timedelta(days=int(rng.choice([0, 1, 200, 400])))
        km += float(rng.choice([0, 0, 40, 3_000, 17_050, 60_000]))
        lines.append(reference.Line(day, km))
        lines += [random_line(reference, book, variant, day, km, rng) for _ in range(int(rng.integers(0, 6)))]
    return reference.Van(name, variant, built, bool(rng.random() < 0.5), lines)


def random_line(reference: ModuleType, book: Book, variant: str, day: date, km: float, rng: np.random.Generator):
    """One line that intake would accept, about a component of this variant."""
    fitted = [id_ for id_, c in book.components.items() if not c.variants or variant in c.variants]
    name = str(rng.choice(fitted))
    component = book.components[name]
    places = [*component.places, "all"] if component.positions else [""]
    line = reference.Line(day, km, name, str(rng.choice(places)))
    modes = [id_ for id_, mode in book.modes_of(name) if not mode.variants or variant in mode.variants]
    if not modes:  # no failure mode: it can be seen and renewed
        line.finding, line.action = str(rng.choice(["good", "original", ""])), str(rng.choice(["renewed", ""]))
        return line
    cleanable = [m for m in modes if any(r.kind == "clean" for _, r in book.remedies_for(m, variant))]
    line.finding = str(rng.choice(["failed", "failed", "good", "original", ""]))
    line.action = str(rng.choice(["renewed", "cleaned", "repaired", "", ""]))
    if line.action == "cleaned" and not cleanable:
        line.action = ""
    if line.action == "renewed":
        line.revision = str(rng.choice(["", *component.revisions]))
        line.grade = str(rng.choice(["", "original", "equivalent", "economy", "upgrade"]))
    if line.action == "cleaned":
        modes = cleanable
    alone = line.finding == "" and line.action == "cleaned"
    if (
        line.finding == "failed"
        or line.action == "repaired"
        or ((line.finding == "good" or alone) and rng.random() < 0.5)
    ):
        line.mode = str(rng.choice(modes))
    return line


def drop_late_originals(van) -> None:
    """An ``original`` after a renewal contradicts itself, and intake refuses it."""
    for line in van.lines:
        renewed = [
            other.date for other in van.lines
            if other.action == "renewed" and other.component == line.component
            and (other.position == line.position or "all" in (other.position, line.position))
        ]  # fmt: skip
        if line.finding == "original" and any(day < line.date for day in renewed):
            line.finding = ""


def write(vans: Iterable, folder: Path) -> tuple[Path, Path]:
    """The two files of these vans."""
    vehicles, lines = folder / "vehicles.csv", folder / "lines.csv"
    with vehicles.open("w", newline="", encoding="utf-8") as stream:
        out = csv.writer(stream)
        out.writerow(["vehicle", "variant", "built", "history"])
        out.writerows((v.id, v.variant, v.built, "complete" if v.complete else "unknown") for v in vans)
    with lines.open("w", newline="", encoding="utf-8") as stream:
        out = csv.writer(stream)
        names = ["component", "position", "finding", "mode", "action", "revision", "grade"]
        out.writerow(["vehicle", "date", "odometer", *names])
        for van in vans:
            out.writerows((van.id, x.date, x.km, *(getattr(x, name) for name in names)) for x in van.lines)
    return vehicles, lines
