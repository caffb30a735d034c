"""Whether forecasts held."""

from __future__ import annotations

import re
from calendar import monthrange
from collections.abc import Iterator
from datetime import date
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from wearlore.answers.hindsight import FamilyHindsight, ModeHindsight, TrackRecord
from wearlore.errors import HindsightError
from wearlore.hindsight import Pieces, Renewed, Tally, counted, off, tally, total, verdict
from wearlore.life.strata import StrataModels
from wearlore.lifetimes import AtRisk, HeldOut, at_risk, lifetimes
from wearlore.lives import Array
from wearlore.trace.calibration import calibration
from wearlore.workbench.folder import once
from wearlore.workbench.plans import Plans

Rows = NDArray[np.intp]
USUAL = "12m"
ENOUGH = 10  # failures held out, from which a track record is told
BINS = 20  # of the chances of pieces: most are small


class Span(NamedTuple):
    """Records up to and including ``cut_off`` are known; those after it, up to ``end``, are held out."""

    cut_off: date
    before: date
    end: date


class Told(NamedTuple):
    """A mode's forecast: the ``chance`` of each piece at risk, and the distribution of the count."""

    risk: AtRisk
    chance: Array
    pmf: Array

    @property
    def tally(self) -> Tally:
        return tally(self.pmf, int(self.risk.failed.sum()))


class Hindsights(Plans):
    """Whether forecasts held."""

    def hindsight(self, hold_out: str = USUAL) -> FamilyHindsight:
        """Forecast the newest ``hold_out`` (``12m``, ``2y``) of the records by what was known before it, and compare.

        Raises HindsightError when that is no length of time, or the records are too short for it; StoreError.
        """
        span = self._held_out(hold_out)
        held, told = self._forecast(span)
        silent = sorted(held.modes.keys() - told.keys())
        not_known = tuple(mode for mode in silent if len(held.modes[mode].since))
        if not told:
            raise HindsightError(
                f"nothing that could fail was seen after {span.cut_off.isoformat()}", "Hold out a longer time."
            )
        self.progress("comparing forecasts with what happened", 0, 0)
        tallies = [one.tally for one in told.values()]
        beyond = off(tallies)
        rows = [
            ModeHindsight(
                mode=mode,
                name=self.book.modes[mode].name,
                noticed=self.book.modes[mode].noticed,
                pieces=one.chance.size,
                begun=int(np.count_nonzero(one.risk.begun)),
                tally=tallied,
                before=one.risk.before,
                unknown=one.risk.unknown,
                unknown_failed=one.risk.unknown_failed,
                beyond_chance=far,
            )
            for (mode, one), tallied, far in zip(told.items(), tallies, beyond, strict=True)
        ]
        return FamilyHindsight(
            family=self.book.family.name,
            hold_out=hold_out,
            cut_off=span.cut_off,
            end=span.end,
            vehicles=held.vehicles,
            seen=held.after,
            distance=held.distance,
            verdict=verdict(tallies),
            modes=tuple(sorted(rows, key=lambda row: (row.tally.off, row.mode))),
            pieces=calibration(
                np.concatenate([one.chance for one in told.values()]),
                np.concatenate([one.risk.failed for one in told.values()]),
                bins=BINS,
                rng=np.random.default_rng(self.seed),
            ),
            naive_error=float(np.mean([abs(row.before - row.tally.happened) for row in rows])),
            silent=tuple(mode for mode in silent if mode not in not_known),
            not_known=not_known,
        )

    @once
    def _track_record(self) -> TrackRecord | None:
        try:
            span = self._held_out(USUAL)
        except HindsightError:
            return None
        _, told = self._forecast(span)
        tallies = [one.tally for one in told.values()]
        if sum(one.happened for one in tallies) < ENOUGH:
            return None
        all_ = verdict(tallies)
        return TrackRecord(USUAL, span.cut_off, span.end, len(tallies), all_.half, all_.most, all_.sum)

    def track_record(self) -> TrackRecord | None:
        """How forecasts over the last 12 months held; None when the records are too short to tell."""
        return self._track_record if self.store_path.exists() else None

    def _held_out(self, hold_out: str) -> Span:
        months = _months(hold_out)
        known = self.records()
        if known.last_date is None or known.first_date is None:
            raise HindsightError("there are no records yet", "Load some first.")
        end = known.last_date
        try:
            cut_off = months_before(end, months)
            before = months_before(end, 2 * months)
        except ValueError:
            cut_off = before = date.min
        if cut_off <= known.first_date:
            raise HindsightError(
                f"without the last {hold_out} no records are left: they run from {known.first_date.isoformat()} "
                f"to {end.isoformat()}",
                "Hold out less.",
            )
        return Span(cut_off, before, end)

    def _forecast(self, span: Span) -> tuple[HeldOut, dict[str, Told]]:
        """Every mode of which something was at risk and something was known at the cut-off."""
        with self._reading() as store:
            known = lifetimes(store, self.book, group_km=self.group_km, until=span.cut_off, progress=self._walking)
            held = at_risk(store, self.book, span.cut_off, span.before, progress=self._walking)
        told = {}
        for number, (mode, risk) in enumerate(held.modes.items()):
            self.progress("forecasting what was held out", number, len(held.modes))
            seen = known.modes[mode]
            if len(risk.since) and (len(seen.lives) or self.book.modes[mode].belief is not None):
                told[mode] = _told(self._strata_models(mode, seen), risk, self.book.modes[mode].noticed == "hidden")
        return held, told


def _told(models: StrataModels, risk: AtRisk, hidden: bool) -> Told:
    """The pieces by design level and grade; those whose models are one scaled share what is not known of it."""
    renewed = None if hidden else Renewed.of(risk.renewals.width, risk.renewals.number, risk.renewals.distance)
    bundles: dict[tuple[str, str] | None, list[tuple[Pieces, Rows]]] = {}
    for stratum, rows in _strata(risk):
        model = models.of(*stratum)
        shared = None if model.judged or model is models.together else stratum
        pieces = Pieces(model, risk.since[rows], risk.until[rows], renewed)
        bundles.setdefault(shared, []).append((pieces, rows))
    chance, pmfs = np.zeros(risk.since.size), []
    for bundle in bundles.values():
        done = counted([pieces for pieces, _ in bundle])
        chance[np.concatenate([rows for _, rows in bundle])] = done.chance
        pmfs.append(done.pmf)
    return Told(risk, chance, total(pmfs))


def _strata(risk: AtRisk) -> Iterator[tuple[tuple[str, str], Rows]]:
    for revision, grade in sorted(set(zip(risk.revision.tolist(), risk.grade.tolist(), strict=True))):
        yield (revision, grade), np.flatnonzero((risk.revision == revision) & (risk.grade == grade))


def _months(hold_out: str) -> int:
    found = re.fullmatch(r"\s*(\d{1,4})\s*([my])\s*", hold_out)
    months = int(found[1]) * (12 if found[2] == "y" else 1) if found else 0
    if months < 1:
        raise HindsightError(f"{hold_out!r} is no length of time", "Give months or years: 12m, 18m, 2y.")
    return months


def months_before(day: date, months: int) -> date:
    """The same day so many months before, or the month's last; the last day of a month stays one."""
    number = day.year * 12 + day.month - 1 - months
    year, month = divmod(number, 12)
    last = monthrange(year, month + 1)[1]
    whole = day.day == monthrange(day.year, day.month)[1]
    return date(year, month + 1, last if whole else min(day.day, last))
