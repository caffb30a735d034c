"""What is done in a visit and what is left, line by line for the bench: as HTML, everything in it escaped."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from html import escape
from itertools import groupby
from math import isinf

from wearlore.answers import OwnChoice
from wearlore.book.model import Book
from wearlore.estimate import Estimate
from wearlore.jobcard.reasons import piece
from wearlore.report.card import in_hours
from wearlore.scope import REASONS, Advice, Doing, Leaving, Outline, Reason, Scope, Terms
from wearlore.units import Units, show_share

LIKELY = 0.25  # chance within the horizon from which a unit left is shown whatever else is said of it
WANTED = {"in": "Taking in", "out": "Leaving out"}
SOON = "…"  # what is being reckoned
IN_WORDS: dict[Reason, str] = {
    "must": "Has failed",
    "asked": "Wanted in this visit",
    "companion": "Always renewed with other work here",
    "spoiled": "Spoiled by other work here",
    "pays-alone": "Would pay even on a visit of its own",
    "pays-together": "Pays now, while the way to it is open",
    "doubtful": "May have failed; look again",
    "not-yet": "Good for longer; look again later",
    "never": "Cheaper to cure once it has failed",
    "refused": "Left at the owner's wish",
    "no-tool": "A special tool is missing here",
    "no-remedy": "Nothing can be done to it now",
}


@dataclass(frozen=True, slots=True)
class Line:
    """One unit. What is None is still being reckoned, but ``flip``, the odometer at which the answer turns: with a
    ``margin`` it does not within the horizon."""

    unit: str
    done: bool
    reason: Reason | None
    because: tuple[str, ...]
    remedy: str | None
    grade: str
    chance: Estimate
    later_left: Estimate
    cost_now: float | None = None
    later_done: Estimate | None = None
    shared: float | None = None
    margin: float | None = None
    flip: float | None = None


def lines_of(answer: Outline | Scope) -> tuple[Line, ...]:
    """One line for each unit of the vehicle."""
    if isinstance(answer, Scope):
        return tuple(_advised(one) for one in answer.advice)
    return (*(_doing(one) for one in answer.doing), *(_leaving(one) for one in answer.leaving))


def _advised(one: Advice) -> Line:
    able = one.remedy is not None
    return Line(
        one.unit, one.chosen, one.reason, one.because, one.remedy, one.grade, one.chance, one.later_left,
        one.cost_now if able else None, one.later_done if able else None, one.hours_shared, one.margin,
        one.flip_odometer,
    )  # fmt: skip


def _doing(one: Doing) -> Line:
    return Line(
        one.unit, True, one.reason, one.because, one.remedy, one.grade, one.chance, one.later_left,
        one.cost_now, one.later_done, one.hours_shared,
    )  # fmt: skip


def _leaving(one: Leaving) -> Line:
    return Line(one.unit, False, None, (), None, "", one.chance, one.later_left)


class Lines:
    """Lines in the words of a ``book`` and its ``units``, under ``terms``."""

    def __init__(self, book: Book, units: Units, terms: Terms) -> None:
        self.book, self.units, self.terms = book, units, terms

    def done(self, lines: Iterable[Line]) -> str:
        """What is done, reason by reason."""
        found = sorted((one for one in lines if one.done), key=_by_reason)
        if not found:
            return "<p>Nothing: no fault is named, and nothing else pays now.</p>"
        return "".join(
            self._group(list(group)) for _, group in groupby(found, key=lambda one: (one.reason, one.because))
        )

    def left(self, lines: Iterable[Line]) -> str:
        """What is left and worth a look, likeliest first."""
        return "".join(self._group(list(group)) for _, group in groupby(self._worth_a_look(lines, True), _why_left))

    def rest(self, lines: Iterable[Line]) -> tuple[int, str]:
        """How many more are left, and their lines."""
        found = self._worth_a_look(lines, False)
        return len(found), self._table(found)

    def _worth_a_look(self, lines: Iterable[Line], worth: bool) -> list[Line]:
        found = [one for one in lines if not one.done and (self._near(one) is worth)]
        return sorted(found, key=lambda one: (*_by_reason(one)[:1], -one.chance.value, one.unit))

    def _near(self, one: Line) -> bool:
        told = one.reason not in (None, "never", "no-remedy")  # there is more to say than that it may fail one day
        return one.chance.value >= LIKELY or told or one.unit in self.terms.refuse

    def _group(self, lines: Sequence[Line]) -> str:
        first = lines[0]
        if first.reason is None:
            return self._table(lines)
        because = ", ".join(self._because(name) for name in first.because)
        title = IN_WORDS[first.reason] + (f": {because}" if because else "")
        return f'<h3 title="{escape(REASONS[first.reason])}">{escape(title)}</h3>{self._table(lines)}'

    def _because(self, name: str) -> str:
        if name.partition("/")[0] in self.book.components:
            return piece(name, self.book)
        return self.book.tools[name].name if name in self.book.tools else name

    def _table(self, lines: Sequence[Line]) -> str:
        return f'<ul class="visit-lines">{"".join(self._line(one) for one in lines)}</ul>'

    def head(self) -> str:
        """What the figures of every line are, over them where there is room; otherwise each line says it itself."""
        labels = "".join(f"<span>{escape(label)}</span>" for label in self._labels())
        return (
            f'<div class="visit-lines-head" aria-hidden="true"><span></span><span class="cells">{labels}</span></div>'
        )

    def _line(self, one: Line) -> str:
        name, may_be = piece(one.unit, self.book), self._may_be(one.unit)
        what = f"{self.book.remedies[one.remedy].name}{f', {one.grade}' if one.grade else ''}" if one.remedy else ""
        cells = "".join(
            _cell(label, value, span) for label, (value, span) in zip(self._labels(), self._cells(one), strict=True)
        )
        return (
            f'<li><div class="what"><strong>{escape(name)}</strong><span>{escape(what)}</span>{may_be}</div>'
            f'<dl class="cells">{cells}</dl>{self._button(one, name)}</li>'
        )

    def _may_be(self, unit: str) -> str:
        chances = [chance for fault, chance in self.terms.probable.items() if fault.unit == unit]
        said = " and ".join(f"{show_share(chance)} sure" for chance in chances)
        return f'<span class="may-be">may have failed, {said}</span>' if chances else ""

    def _labels(self) -> tuple[str, ...]:
        money = self.units.currency
        return (
            f"Adds now, {money}", "Needed if left", f"Later if left, {money}", f"Later if done, {money}",
            "Labour shared", f"Opposite costs, {money}", f"Turns at, {self.units.distance}",
        )  # fmt: skip

    def _cells(self, one: Line) -> tuple[tuple[str, str], ...]:
        """A value and its interval for each label; nothing where there is nothing to say."""
        soon = SOON if one.margin is None else ""
        return (
            (soon if one.cost_now is None else f"{one.cost_now:,.0f}", ""),
            (show_share(one.chance.value), _span(one.chance, 100, " %")),
            (f"{one.later_left.value:,.0f}", _span(one.later_left)),
            (soon, "") if one.later_done is None else (f"{one.later_done.value:,.0f}", _span(one.later_done)),
            (soon, "") if one.shared is None else (in_hours(one.shared) if one.shared > 0 else "none", ""),
            (soon or _margin(one), ""),
            (soon or self._turns(one), ""),
        )

    def _turns(self, one: Line) -> str:
        if one.remedy is None or one.reason == "must":
            return ""
        return "none" if one.flip is None else self.units.show_number(one.flip)

    def _button(self, one: Line, name: str) -> str:
        if one.unit in self.terms.refuse or one.unit in self.terms.include:
            return _act(one.unit, "free", "Leave to the advice", name, pressed=True)
        if one.done and one.reason != "must":
            return _act(one.unit, "out", "Leave out", name)
        return "" if one.done or one.reason in ("no-remedy", "no-tool") else _act(one.unit, "in", "Take in", name)


def _act(unit: str, act: str, label: str, name: str, *, pressed: bool = False) -> str:
    state = ' aria-pressed="true"' if pressed else ""
    return (
        f'<button type="button" class="button" data-unit="{escape(unit)}" data-act="{act}"{state} '
        f'aria-label="{escape(f"{label}: {name}")}">{escape(label)}</button>'
    )


def _cell(label: str, value: str, span: str) -> str:
    told = f"{escape(value)}<small>{escape(span)}</small>" if span else escape(value)
    return f'<div class="{"told" if value else "empty"}"><dt>{escape(label)}</dt><dd>{told}</dd></div>'


def _margin(one: Line) -> str:
    if one.remedy is None or one.margin is None:
        return ""
    return "settled" if isinf(one.margin) else f"{one.margin:,.0f} more"


def _span(estimate: Estimate, times: float = 1.0, unit: str = "") -> str:
    """``80 to 210``; nothing when it rounds to its value."""
    value, low, high = (f"{times * x:,.0f}" for x in (estimate.value, estimate.low, estimate.high))
    return "" if value == low == high else f"{low} to {high}{unit}"


def _by_reason(one: Line) -> tuple[int, tuple[str, ...], float, str]:
    order = list(REASONS)
    return (order.index(one.reason) if one.reason else 0, one.because, -(one.cost_now or 0.0), one.unit)


def _why_left(one: Line) -> tuple[Reason | None, tuple[str, ...]]:
    return one.reason, one.because


def choice_told(own: OwnChoice, book: Book, units: Units, horizon: float) -> str:
    """What a person's own choice costs, in a sentence."""
    ahead = units.show_distance(horizon)
    total = own.adds
    if not own.more and not own.fewer:
        return "The advice would be the same without it."
    subject = f"{WANTED[own.wanted]} {_named(own.unit, book)}" if own.unit else "Your own choices"
    now = _more_or_less(own.now, units)
    worth = (
        f"{units.show_money(abs(total.value))} {'more' if total.value >= 0 else 'less'} "
        f"({total.low:,.0f} to {total.high:,.0f}) than the advice over {ahead}"
    )
    beside = _beside(own, book)
    said = f"{subject}: {now} in this visit and, with what is to be expected later, {worth}."
    return f"{said} {beside}".strip()


def _more_or_less(money: float, units: Units) -> str:
    if abs(money) < 0.5:
        return "the same"
    return f"{units.show_money(abs(money))} {'more' if money > 0 else 'less'}"


def _beside(own: OwnChoice, book: Book) -> str:
    said = []
    if more := [_named(name, book) for name in own.more if name != own.unit]:
        said.append(f"Done because of it: {', '.join(more)}.")
    if fewer := [_named(name, book) for name in own.fewer if name != own.unit]:
        said.append(f"Left because of it: {', '.join(fewer)}.")
    return " ".join(said)


def _named(name: str, book: Book) -> str:
    if name.partition("/")[0] in book.components:
        return piece(name, book).lower()
    return book.remedies[name].name.lower() if name in book.remedies else name
