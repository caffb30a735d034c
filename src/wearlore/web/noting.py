"""The form with which a visit is put on record; what was typed stays until it is there, through a reload too."""

from __future__ import annotations

import json
from collections.abc import Awaitable, Callable, Iterator, Sequence
from dataclasses import asdict, dataclass, field, replace
from typing import get_args

from nicegui import ui
from nicegui.element import Element

from wearlore.answers import VehicleHistory
from wearlore.book.model import Grade
from wearlore.errors import ChangedSince, RecordsErrors, WearloreError
from wearlore.records.intake import Intake
from wearlore.report.vehicle import called, visits_table
from wearlore.web import parts
from wearlore.web.desk import Desk
from wearlore.web.parts import tag
from wearlore.workbench.vehicles import NotedLine, NotedVisit

Subjects = list[tuple[str, list[tuple[str, str]]]]  # groups of (what it stands for, what it is called)
KINDS = {
    "failed": "Fault found",
    "good": "Looked for, not there",
    "renewed": "Renewed",
    "repaired": "Repaired",
    "cleaned": "Cleaned",
    "original": "Maker's own piece",
    "remark": "Remark",
}
FINDINGS = ("failed", "good", "original")
ACTIONS = ("renewed", "repaired", "cleaned")
SAVED = "It is on record."
RESTORED = "What was typed here before is here again; it is not on record yet."


@dataclass
class Row:
    """One line as it is being typed; ``subject``: component, position and mode, joined by ``|``."""

    kind: str = "failed"
    subject: str = ""
    revision: str = ""
    grade: str = ""
    text: str = ""

    def line(self) -> NotedLine:
        component, position, mode = [*self.subject.split("|"), "", "", ""][:3]
        return NotedLine(
            component=component,
            position=position,
            finding=self.kind if self.kind in FINDINGS else "",
            mode=mode,
            action=self.kind if self.kind in ACTIONS else "",
            revision=self.revision if self.kind == "renewed" else "",
            grade=self.grade if self.kind == "renewed" else "",
            text=self.text,
        )


@dataclass
class Draft:
    """What was typed so far."""

    date: str
    odometer: str = ""
    rows: list[Row] = field(default_factory=list)
    readings: list[list[str]] = field(default_factory=list)


class Noting:
    """The form of one page; ``done`` is told when the visit is on record, ``open_`` when something stands in it."""

    def __init__(
        self,
        desk: Desk,
        history: VehicleHistory,
        rows: Sequence[Row],
        done: Callable[[], Awaitable[None]],
        open_: Callable[[], object],
    ) -> None:
        self.desk, self.history, self.done, self.open = desk, history, done, open_
        self.draft = Draft(desk.today().isoformat(), rows=list(rows))
        self.busy = False
        self.form = tag("div", classes="noting")
        self._acts()  # beside what is drawn anew as one types: a press is never lost
        self.told = tag("div", classes="slot")
        self._draw()
        ui.timer(0.01, self._restore, once=True)

    # what is typed ----------------------------------------------------------------------------------------------------

    @property
    def _place(self) -> str:
        return json.dumps(f"wearlore visit of {self.history.vehicle}")

    def _keep(self) -> None:
        """In the browser: a page that is loaded anew finds it there."""
        said = json.dumps(json.dumps(asdict(self.draft)))
        ui.run_javascript(f"sessionStorage.setItem({self._place}, {said})")

    async def _restore(self) -> None:
        try:
            said = await ui.run_javascript(f"return sessionStorage.getItem({self._place})", timeout=10)
        except TimeoutError:  # the page has gone again
            return
        if said and not self.draft.rows and not self.draft.odometer:
            kept = json.loads(said)
            rows = [Row(**row) for row in kept.pop("rows")]
            self.draft = Draft(**kept, rows=rows)
            self.open()
            self._draw()
            with self.told:
                tag("p", RESTORED, role="status")

    def _set(self, of: Draft | Row, name: str) -> Callable[[str], None]:
        def take(told: str) -> None:
            setattr(of, name, told)
            self._keep()

        return take

    def _again(self) -> None:
        self._keep()
        self._draw()

    # the form ---------------------------------------------------------------------------------------------------------

    def _draw(self) -> None:
        self.form.clear()
        draft, unit = self.draft, self.desk.units.distance
        with self.form:
            with tag("div", classes="controls"):
                parts.field("Date", draft.date, self._set(draft, "date"), kind="date")
                parts.field(
                    "Odometer", draft.odometer, self._set(draft, "odometer"), unit=unit, inputmode="numeric", size=10
                )
            for row in draft.rows:
                with tag("div", classes="note-row"):
                    self._row(row)
            for pair in draft.readings:
                with tag("div", classes="note-row"):
                    self._reading(pair)

    def _acts(self) -> None:
        with tag("div", classes="controls"):
            parts.button("Add a line", self._add_row)
            if self._readings():
                parts.button("Add a reading", self._add_reading)
            parts.button("Put on record", lambda: self.save(self.history.version), main=True)

    def _add_row(self) -> None:
        self.draft.rows.append(Row())
        self._again()

    def _add_reading(self) -> None:
        self.draft.readings.append([next(iter(self._readings())), ""])
        self._again()

    def _row(self, row: Row) -> None:
        def turn(kind: str) -> None:
            row.kind, row.subject, row.revision, row.grade = kind, "", "", ""
            self._again()

        def about(subject: str) -> None:
            row.subject, row.revision = subject, ""
            self._again()

        def drop() -> None:
            self.draft.rows = [other for other in self.draft.rows if other is not row]
            self._again()

        parts.choice("What", KINDS, row.kind, turn)
        if row.kind != "remark":
            _pick("Of what", self._subjects(row.kind), row.subject, about)
        if row.kind == "renewed":
            revisions = self._revisions(row.subject)
            if revisions:
                parts.choice(
                    "Revision",
                    {"": "by its date"} | {r: r for r in revisions},
                    row.revision,
                    self._set(row, "revision"),
                )
            grades = {"": "not said"} | {grade: grade for grade in get_args(Grade)}
            parts.choice("Grade", grades, row.grade, self._set(row, "grade"))
        parts.field("In your words", row.text, self._set(row, "text"), maxlength=300)
        parts.button("Remove", drop)

    def _reading(self, pair: list[str]) -> None:
        def take(place: int) -> Callable[[str], None]:
            def put(told: str) -> None:
                pair[place] = told
                self._again()

            return put

        def drop() -> None:
            self.draft.readings = [other for other in self.draft.readings if other is not pair]
            self._again()

        parts.choice("Reading", self._readings(), pair[0], take(0))
        unit = self.desk.bench.book.observations[pair[0]].unit or ""
        parts.field("Value", pair[1], take(1), unit=unit, inputmode="decimal", size=8)
        parts.button("Remove", drop)

    def _readings(self) -> dict[str, str]:
        observations = self.desk.bench.book.observations
        return {name: one.name for name, one in observations.items() if one.kind == "reading"}

    def _revisions(self, subject: str) -> list[str]:
        components = self.desk.bench.book.components
        component = subject.partition("|")[0]
        return list(components[component].revisions) if component in components else []

    def _subjects(self, kind: str) -> Subjects:
        groups: dict[str, list[tuple[str, str]]] = {}
        for unit in self.history.units:
            here = groups.setdefault(unit.system, [])
            at, name = f"{unit.component}|{unit.position}", called(unit.name, unit.position)
            if kind in ("renewed", "original"):
                here.append((f"{at}|", name))
                continue
            if kind == "good":
                here.append((f"{at}|", f"{name}: nothing wrong with it"))
            here += [(f"{at}|{mode}", called(words, unit.position)) for mode, words, _ in self._modes(unit.modes, kind)]
        return [(system.capitalize(), options) for system, options in groups.items() if options]

    def _modes(self, modes: Sequence[tuple[str, str, bool]], kind: str) -> Iterator[tuple[str, str, bool]]:
        book, variant = self.desk.bench.book, self.history.variant
        for one in modes:
            cures = book.remedies_for(one[0], variant)
            if kind != "cleaned" or any(remedy.kind == "clean" for _, remedy in cures):
                yield one

    # putting it on record ---------------------------------------------------------------------------------------------

    def _noted(self) -> NotedVisit:
        draft = self.draft
        return NotedVisit(
            draft.date,
            draft.odometer,
            self.desk.units.distance,
            tuple(row.line() for row in draft.rows),
            tuple((name, value) for name, value in draft.readings),
        )

    async def save(self, expected: str) -> None:
        """All or nothing; what was typed stays unless it is on record."""
        if self.busy:
            return
        self.busy = True
        noted, vehicle, today = self._noted(), self.history.vehicle, self.desk.today()
        try:
            taken = await self.desk.change(lambda bench: bench.note(vehicle, noted, today=today, expected=expected))
        except ChangedSince:
            await self._changed()
        except WearloreError as error:
            self._refused(error)
        else:
            await self._saved(taken)
        finally:
            self.busy = False

    async def _saved(self, taken: tuple[Intake, ...]) -> None:
        self.draft = Draft(self.desk.today().isoformat())
        ui.run_javascript(f"sessionStorage.removeItem({self._place})")
        await self.done()

    async def _changed(self) -> None:
        """Somebody else was faster: show what they put on record, and offer to add this to it."""
        vehicle = self.history.vehicle
        now = await self.desk.ask(lambda bench: bench.history(vehicle))
        added = now.since(self.history)
        self.told.clear()
        with self.told, tag("div", role="alert", classes="problem"):
            tag(
                "p",
                "Meanwhile somebody else put this on record. Nothing of yours is written yet, nothing of it is lost.",
            )
            if added:
                parts.blocks(visits_table(now, added, self.desk.units))
            with tag("div", classes="controls"):
                parts.button("Add mine too", lambda: self.save(now.version), main=True)
                parts.button("Back to mine", self._quiet)

    def _quiet(self) -> None:
        self.told.clear()

    def _refused(self, error: WearloreError) -> None:
        self.told.clear()
        with self.told, tag("div", role="alert", classes="problem"):
            tag("p", "Nothing is written yet. What you typed is still there.")
            with tag("ul"):
                for line in _problems(error):
                    tag("li", line)


def _problems(error: WearloreError) -> Iterator[str]:
    if not isinstance(error, RecordsErrors):
        yield str(error)
        return
    for one in error.errors:
        _, line, name, expected, mend = one.args
        yield f"{f'Line {line}, {name}' if line else name.capitalize()}: expected {expected}. {mend}"


def _pick(label: str, groups: Subjects, value: str, take: Callable[[str], None]) -> Element:
    """One of many, in groups."""
    with parts.labelled(label), tag("select") as made:
        tag("option", "choose …", value="")
        for group, options in groups:
            with tag("optgroup", label=group):
                for name, words in options:
                    option = tag("option", words, value=name)
                    if name == value:
                        option.props["selected"] = True
    return made.on("change", lambda event: take(event.args), js_handler=parts.VALUE)


def rows_said(history: VehicleHistory, there: Sequence[str], absent: Sequence[str]) -> list[Row]:
    """Lines for causes (``MODE`` or ``MODE@POSITION``) that are there, or were looked for and are not."""
    made = []
    for kind, causes in (("failed", there), ("good", absent)):
        for cause in causes:
            mode, _, position = cause.partition("@")
            for unit in history.units:
                if any(mode == own for own, _, _ in unit.modes) and position in ("", unit.position):
                    made.append(replace(Row(kind), subject=f"{unit.component}|{unit.position}|{mode}"))
                    break
    return made
