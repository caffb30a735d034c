"""Closing the loop: what was found goes into the records, what a trace said is kept, and the two are compared.

folder/found/*.csv    what was found, as files of records like any other: with them the store can be made again
"""

from __future__ import annotations

import csv
import re
from collections.abc import Iterator, Sequence
from datetime import date
from itertools import count
from pathlib import Path
from typing import NamedTuple

import numpy as np

from wearlore.answers.calibration import Miss, TraceCalibration
from wearlore.answers.trace import TracedFault
from wearlore.errors import OutputError, RecordsError, RecordsErrors, TraceError
from wearlore.records import intake
from wearlore.records.predictions import WITHIN, Prediction, Resolved, ResolvedPrediction, keep, resolved
from wearlore.records.store import Store
from wearlore.trace.calibration import calibration
from wearlore.vehicle import Vehicle, cause_named
from wearlore.workbench.depth import Depths

MISSES = 20  # that an answer holds
NAME = 60  # characters of a vehicle in the name of a file
Table = tuple[Sequence[str], Sequence[Sequence[str]]]  # columns and rows of a file of records
COLUMNS = ("vehicle", "date", "odometer", "unit", "component", "position", "finding", "mode", "text")


class Cause(NamedTuple):
    """A failure mode, and the unit that it is met on."""

    component: str
    position: str
    mode: str


class Loop(Depths):
    """What was found, and how it compares with what was said."""

    def found(
        self,
        vehicle: str,
        *,
        confirmed: Sequence[str] = (),
        refuted: Sequence[str] = (),
        km: float,
        today: date,
        text: str = "",
    ) -> intake.Intake:
        """Take into the records what was found on ``vehicle`` at odometer ``km``.

        ``confirmed``, ``refuted``: failure modes that are there, and that were looked for and are not, each ``MODE`` or
        ``MODE@POSITION``. They are written into a new file of lines in the folder ``found`` and taken like any other
        file. Raises NameNotKnown; CannotOccur; TraceError for a mode that is said to be there and not
        to be; RecordsErrors when the intake refuses it (no file is left then); OutputError, StoreError.
        """
        subject = self.vehicle(vehicle)
        there, absent = (
            dict.fromkeys(self._cause_on(subject, cause) for cause in each) for each in (confirmed, refuted)
        )
        if both := [cause for cause in confirmed if self._cause_on(subject, cause) in absent]:
            raise TraceError(f"{', '.join(both)} is confirmed and refuted", "Say which it is.")
        if not there and not absent:
            raise TraceError("nothing was found", "Name a failure mode that is there, or one that is not.")
        findings = [("failed", cause) for cause in there] + [("good", cause) for cause in absent]
        unit = "km" if self.book.units.distance in ("km", "miles") else self.book.units.distance
        odometer = repr(float(km)).removesuffix(".0")
        rows = [
            (vehicle, today.isoformat(), odometer, unit, cause.component, cause.position, finding, cause.mode, text)
            for finding, cause in findings
        ]
        with self._writing() as store:
            try:
                (taken,) = self._take_new(store, vehicle, [(COLUMNS, rows)], today)
            except RecordsErrors as refused:
                said = dict.fromkeys(error.args[2:] for error in refused.errors)
                raise RecordsErrors(RecordsError(f"found on {vehicle}", 0, *parts) for parts in said) from refused
        return taken

    def _take_new(self, store: Store, about: str, tables: Sequence[Table], today: date) -> tuple[intake.Intake, ...]:
        """Write each table into a file of its own and take them in one transaction; one that brought nothing goes."""
        paths: list[Path] = []
        try:
            paths.extend(self._write(about, table, today) for table in tables)
            taken = intake.take_together(store, self.book, paths, today=today)
        except BaseException:
            for path in paths:
                path.unlink()
            raise
        for path, one in zip(paths, taken, strict=True):
            if one.duplicate_of:
                path.unlink()
        return taken

    def _write(self, about: str, table: Table, today: date) -> Path:
        """A new file of records; never over one that is there."""
        folder = self.folder / "found"
        name = re.sub(r"[^A-Za-z0-9_]+", "-", about)[:NAME].strip("-") or "vehicle"
        numbered = (folder / f"{today.isoformat()}-{name}-{number}.csv" for number in count(1))
        columns, rows = table
        try:
            folder.mkdir(exist_ok=True)
            path = next(path for path in numbered if not path.exists())
            with path.open("x", newline="", encoding="utf-8") as file:
                csv.writer(file).writerows([columns, *rows])
        except OSError as error:
            problem = f"what was found cannot be written: {error.strerror}"
            raise OutputError(str(folder), problem, "Mend its rights, or free some space.") from error
        return path

    def _cause_on(self, vehicle: Vehicle, cause: str) -> Cause:
        """What ``MODE`` or ``MODE@POSITION`` means on this vehicle."""
        unit, mode = self._place_of(vehicle, cause)
        return Cause(unit.component, unit.position, mode)

    def keep(self, traced: TracedFault, today: date) -> int:
        """Keep what a trace says of each cause, to be compared with what is found; how many predictions are new.

        What was told of a cause itself, and what stands on record as not cured, is known and no prediction.
        """
        told = {one.about for one in traced.told}
        rows = [
            Prediction(one.component, one.position, one.mode, one.chance.value, one.asked)
            for one in traced.suspects
            if not one.open and one.cause not in told
        ]
        with self._writing() as store:
            return keep(store, vehicle=traced.vehicle, date=today, km=traced.km, rows=rows)

    def calibration(self) -> TraceCalibration:
        """What traces said of the causes in question, beside what was found; see `wearlore.trace.calibration`."""
        kept = self._resolved()
        asked = [row for row in kept.rows if row.asked]
        self.progress("comparing what was said with what was found", 0, 0)
        compared = None
        if asked:
            compared = calibration(
                [row.chance for row in asked],
                [row.found for row in asked],
                rng=np.random.default_rng(self.seed),
            )
        return TraceCalibration(
            family=self.book.family.name,
            calibration=compared,
            traces=kept.traces,
            predictions=kept.predictions,
            resolved=len(asked),
            beside=len(kept.rows) - len(asked),
            superseded=kept.superseded,
            open=kept.open,
            gone=kept.gone,
            within=WITHIN,
            misses=tuple(self._misses(asked)),
        )

    def _resolved(self) -> Resolved:
        if not self.store_path.exists():
            return Resolved((), 0, 0, 0, 0, 0)
        with self._reading() as store:
            return resolved(store, self.book)

    def _misses(self, rows: Sequence[ResolvedPrediction]) -> Iterator[Miss]:
        """Those of which the opposite was likelier, by the chance that was left to what was found."""
        left = [(row.chance if row.found else 1 - row.chance, row) for row in rows]
        missed = sorted((pair for pair in left if pair[0] < 0.5), key=lambda pair: pair[0])
        for _, row in missed[:MISSES]:
            yield Miss(
                vehicle=row.vehicle,
                traced_on=row.traced_on,
                traced_km=row.traced_km,
                cause=cause_named(row.mode, row.position),
                name=self.book.modes[row.mode].name,
                stated=row.chance,
                found=row.found,
                found_on=row.found_on,
                found_km=row.found_km,
                text=row.text,
                file=row.file,
                line=row.line,
            )
