"""What a person says in short: FAULT=CHANCE, MODE=KIND@DISTANCE, SEVERITY=SHARE, UNIT@ODOMETER."""

from __future__ import annotations

from collections.abc import Iterable
from math import inf, isfinite
from typing import cast, get_args

from wearlore.appraisal import Renewed
from wearlore.book.model import Severity
from wearlore.errors import AppraisalError, NameNotKnown, PlanError, ScopeError
from wearlore.plan import Asked, Kind
from wearlore.units import Units


def chances(said: Iterable[str]) -> dict[str, float]:
    """Faults that may be there, with their chances; raises ScopeError for what does not read ``FAULT=CHANCE``."""
    found: dict[str, float] = {}
    for one in said:
        fault, _, chance = one.partition("=")
        try:
            number = float(chance)
        except ValueError:
            raise ScopeError(
                f"probable {one} names no chance", "Write the fault, =, and a number between 0 and 1: MODE=0.3"
            ) from None
        if fault in found:
            raise ScopeError(f"probable names {fault} twice", "Give each fault one chance")
        found[fault] = number
    return found


def strategies(said: Iterable[str], units: Units) -> dict[str, Asked]:
    """Raises PlanError for what does not read ``MODE=KIND`` or ``MODE=KIND@DISTANCE``."""
    found: dict[str, Asked] = {}
    for one in said:
        mode, _, rest = one.partition("=")
        kind, at, distance = rest.partition("@")
        if kind not in get_args(Kind):
            raise NameNotKnown("strategy", kind, get_args(Kind))
        if (kind == "run-to-failure") == bool(at):
            mend = "Write MODE=run-to-failure, MODE=renew@90000 or MODE=inspect@20000."
            raise PlanError(f"strategy {one} cannot be read", mend)
        if mode in found:
            raise PlanError(f"strategy names {mode} twice", "Give each mode one strategy.")
        found[mode] = Asked(cast("Kind", kind), units.to_km(_number(one, distance)) if at else inf)
    return found


def ceilings(said: Iterable[str]) -> dict[Severity, float]:
    """Greatest chances by severity; raises PlanError for what does not read ``SEVERITY=SHARE``."""
    found: dict[Severity, float] = {}
    for one in said:
        severity, _, share = one.partition("=")
        if severity not in get_args(Severity):
            raise NameNotKnown("severity", severity, get_args(Severity))
        found[cast("Severity", severity)] = _number(one, share)
    return found


def renewals(said: Iterable[str], units: Units) -> list[Renewed]:
    """Raises AppraisalError for what does not read ``COMPONENT@ODOMETER`` or ``COMPONENT/POSITION@ODOMETER``."""
    return [_renewed(one, units) for one in said]


def _renewed(said: str, units: Units) -> Renewed:
    unit, _, odometer = said.rpartition("@")
    try:
        return Renewed(unit, units.to_km(float(odometer)))
    except ValueError:
        mend = "Write the component, @ and the odometer: water-pump@90000."
        raise AppraisalError(f"done {said} says no odometer", mend) from None


def _number(said: str, text: str) -> float:
    """Raises PlanError for what is no number above 0."""
    try:
        number = float(text)
    except ValueError:
        number = inf
    if not (isfinite(number) and number > 0):
        raise PlanError(f"{said} names no number above 0", "Write digits with a decimal point after the sign.")
    return number
