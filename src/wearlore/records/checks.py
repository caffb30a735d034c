"""What a record must fulfil, as SQL over a staged file: each check finds its bad lines in one set operation.

`stage_book` lays the book's names out as small temporary tables, `refine` turns the staged text into typed columns,
the checks then speak of these: a condition for a line to be bad, the field, what was expected and how to mend it.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from datetime import date
from typing import NamedTuple, get_args

from wearlore.book.model import Book, Component, Grade
from wearlore.records.files import Kind
from wearlore.records.history import FITTED, RENEWALS, SPANS
from wearlore.records.store import Connection
from wearlore.units import KM_PER

LARGEST_ODOMETER = 9_999_999
BLANKS = " \t\r\n\u00a0\u2007\u202f\u3000\ufeff"  # what spreadsheets leave round a name: spaces of every kind
TEMPORARY = ("staging", "typed", "problems", "known", "modes_known", "levels", "modes_limited")


class Check(NamedTuple):
    """A line is bad when ``bad`` holds; ``expected`` and ``mend`` are SQL texts, ``source`` what is selected from."""

    field: str
    bad: str
    expected: str
    mend: str
    source: str = "typed t"


def nearest(field: str, value: str, scope: str = "''") -> str:
    """SQL text naming the three known names nearest to ``value``."""
    return f"""('''' || {value} || ''' is not one. ' || coalesce((
        SELECT 'Did you mean ' || array_to_string(
            max_by(k.name, jaro_winkler_similarity(k.name, {value}), 3), ', ') || '?'
        FROM known k WHERE k.field = '{field}' AND k.scope = {scope}), 'There is none yet.'))"""


def unknown(field: str, value: str, scope: str = "''") -> str:
    """SQL condition: ``value`` is given and is no known name."""
    return f"""({value} IS NOT NULL AND NOT EXISTS (
        SELECT 1 FROM known k WHERE k.field = '{field}' AND k.scope = {scope} AND k.name = {value}))"""


def one_of(field: str, values: Iterable[str]) -> Check:
    """The field is empty or one of ``values``."""
    names = list(values)
    listed = ", ".join(f"'{name}'" for name in names)
    return Check(
        field, f"{field} NOT IN ({listed})", f"'{', '.join(names)} or nothing'", f"'It reads ''' || {field} || '''.'"
    )


def _names(book: Book) -> Iterator[tuple[str, str, str]]:
    """(field, scope, name) of all that a record may name."""
    for variant in book.variants:
        yield "variant", "", variant
    for id_, component in book.components.items():
        yield "component", "", id_
        for position in (*component.places, "all"):
            yield "position", id_, position
        if len(component.places) > 1:
            yield "several", "", id_
        for revision in component.revisions:
            yield "revision", id_, revision
        for variant in component.variants or book.variants:
            yield "fitted", variant, id_
    for id_, mode in book.modes.items():
        yield "mode", mode.component, id_
    for id_, observation in book.observations.items():
        if observation.kind == "reading":
            yield "reading", "", id_


def _mode_rows(book: Book) -> Iterator[tuple[str, str, str, bool, bool]]:
    """(variant, component, mode, applies to some revision, can be cleaned)."""
    for variant in book.variants:
        for id_, mode in book.modes.items():
            applies = not mode.variants or variant in mode.variants
            cleanable = any(remedy.kind == "clean" for _, remedy in book.remedies_for(id_, variant))
            yield variant, mode.component, id_, applies, cleanable


def levels(component: Component) -> list[tuple[date, str]]:
    """Each day on which another revision becomes the current one, with that revision, in order."""
    days = sorted({date.min, *(r.from_date for r in component.revisions.values() if r.from_date)})
    return [(day, component.revision_at(day)) for day in days]


def stage_book(connection: Connection, book: Book) -> None:
    """Temporary tables of the book's names."""
    connection.execute("CREATE OR REPLACE TEMP TABLE known (field VARCHAR, scope VARCHAR, name VARCHAR)")
    connection.executemany("INSERT INTO known VALUES (?, ?, ?)", [list(row) for row in _names(book)])
    connection.execute("INSERT INTO known SELECT 'vehicle', '', vehicle FROM vehicles")
    connection.execute(
        "CREATE OR REPLACE TEMP TABLE modes_known "
        "(variant VARCHAR, component VARCHAR, mode VARCHAR, applies BOOLEAN, cleanable BOOLEAN)"
    )
    connection.executemany("INSERT INTO modes_known VALUES (?, ?, ?, ?, ?)", [list(r) for r in _mode_rows(book)])
    connection.execute("CREATE OR REPLACE TEMP TABLE levels (component VARCHAR, day DATE, revision VARCHAR)")
    connection.executemany(
        "INSERT INTO levels VALUES (?, ?, ?)",
        [[id_, day, name] for id_, component in book.components.items() for day, name in levels(component)],
    )
    limited = [[id_, list(mode.revisions)] for id_, mode in book.modes.items() if mode.revisions]
    connection.execute("CREATE OR REPLACE TEMP TABLE modes_limited (mode VARCHAR, revisions VARCHAR[])")
    if limited:
        connection.executemany("INSERT INTO modes_limited VALUES (?, ?)", limited)


def refine(connection: Connection, kind: Kind, book: Book) -> None:
    """``typed`` from ``staging``: trimmed text, null when empty; day, km, value and the vehicle's facts beside it.

    An accented letter is one character (Unicode NFC), as it is in the book, however the file spells it.
    """
    per_unit = " ".join(f"WHEN '{unit}' THEN {factor!r}" for unit, factor in KM_PER.items())
    numbers = {
        "vehicles": f"{_day('built')} AS day, NULL::DOUBLE AS number",
        "lines": f"{_day('date')} AS day, {_number('odometer')} AS number, NULL::DOUBLE AS amount",
        "readings": f"{_day('date')} AS day, {_number('odometer')} AS number, {_number('value')} AS amount",
    }[kind]
    cells = "nfc_normalize(COLUMNS(* EXCLUDE (line, broken)))"
    text = f"SELECT line, broken, nullif(trim({cells}, '{BLANKS}'), '') FROM staging"
    if kind == "vehicles":
        connection.execute(f"CREATE OR REPLACE TEMP TABLE typed AS SELECT *, {numbers} FROM ({text})")
        return
    single = [(id_, c.places[0]) for id_, c in book.components.items() if len(c.places) == 1 and c.positions]
    place = " ".join(f"WHEN '{id_}' THEN '{_quoted(position)}'" for id_, position in single)
    position = f"coalesce(position, CASE component {place} END)" if single else "position"
    replaced = f" REPLACE ({position} AS position)" if kind == "lines" else ""
    connection.execute(f"""
        CREATE OR REPLACE TEMP TABLE typed AS
        SELECT s.*, s.number * CASE coalesce(s.unit, '{book.units.distance}') {per_unit} END AS km,
            v.variant AS variant, v.built AS built, v.history AS history
        FROM (SELECT *{replaced}, {numbers} FROM ({text})) s LEFT JOIN vehicles v ON v.vehicle = s.vehicle""")


def _quoted(text: str) -> str:
    return text.replace("'", "''")


def _day(field: str) -> str:
    return f"CASE WHEN regexp_full_match({field}, '\\d{{4}}-\\d{{2}}-\\d{{2}}') THEN TRY_CAST({field} AS DATE) END"


def _number(field: str) -> str:
    return f"CASE WHEN isfinite(TRY_CAST({field} AS DOUBLE)) THEN TRY_CAST({field} AS DOUBLE) END"


def given(field: str, kind: Kind) -> Check:
    return Check(field, f"{field} IS NULL AND broken IS NULL", "'a value'", f"'It is empty, and {kind} need it.'")


def _date_checks(field: str, today: date) -> list[Check]:
    return [
        Check(
            field, f"{field} IS NOT NULL AND day IS NULL", "'a date such as 2024-03-31'",
            f"'It reads ''' || {field} || '''.'",
        ),
        Check(field, "day < DATE '1900-01-01'", "'a date from 1900 on'", f"'It reads ''' || {field} || '''.'"),
        Check(
            field, f"day > DATE '{today}'", f"'a date up to {today}'",
            "'It lies in the future: ' || day || '. Correct the year?'",
        ),
    ]  # fmt: skip


def checks_of(kind: Kind, book: Book, today: date) -> list[Check]:
    """All checks of a kind of file, in the order of its fields."""
    form = Check("record", "broken IS NOT NULL", "'as many cells as the header'", "'It has ' || broken || '.'")
    if kind == "vehicles":
        return [form, *_vehicle_checks(today)]
    return [form, *_visit_checks(kind, book, today), *(_line_checks() if kind == "lines" else _reading_checks())]


FACTS = "(t.variant, t.day, coalesce(t.history, 'unknown'), coalesce(t.duty, ''))"


def _vehicle_checks(today: date) -> list[Check]:
    return [
        given("vehicle", "vehicles"),
        given("variant", "vehicles"),
        Check("variant", unknown("variant", "variant"), "'a variant of the book'", nearest("variant", "variant")),
        given("built", "vehicles"),
        *_date_checks("built", today),
        one_of("history", ("complete", "unknown")),
        Check(
            "vehicle", f"f.facts IS DISTINCT FROM {FACTS}", "'the same facts wherever a vehicle is named'",
            "'''' || t.vehicle || ''' was given as ' || f.facts::VARCHAR || ' ' || f.place || '. Which is right?'",
            f"""typed t JOIN (
                SELECT vehicle, (variant, built, coalesce(history, 'unknown'), coalesce(duty, '')) AS facts,
                    'before, in the store' AS place FROM vehicles
                UNION ALL
                SELECT t.vehicle, arg_min({FACTS}, t.line), 'on line ' || min(t.line) FROM typed t
                WHERE t.vehicle IS NOT NULL AND t.vehicle NOT IN (SELECT vehicle FROM vehicles) GROUP BY t.vehicle
            ) f ON f.vehicle = t.vehicle""",
        ),
    ]  # fmt: skip


def _visit_checks(kind: Kind, book: Book, today: date) -> list[Check]:
    distance = book.units.distance
    units = ("km", "miles") if distance in ("km", "miles") else (distance,)
    number = f"a number of {' or '.join(units)} from 0 to {LARGEST_ODOMETER}"
    return [
        given("vehicle", kind),
        Check(
            "vehicle", unknown("vehicle", "vehicle"), "'a vehicle of the store'",
            f"{nearest('vehicle', 'vehicle')} || ' Take the file of vehicles first.'",
        ),
        given("date", kind),
        *_date_checks("date", today),
        Check(
            "date", "day < built", "'a date on or after the day the vehicle was built, ' || built",
            "'It reads ' || day || '.'",
        ),
        given("odometer", kind),
        Check(
            "odometer",
            f"odometer IS NOT NULL AND (number IS NULL OR number < 0 OR number > {LARGEST_ODOMETER})",
            f"'{number}'",
            "'It reads ''' || odometer || '''.'",
        ),
        one_of("unit", units),
        Check(
            "odometer", "t.km < s.before", "'no less than on an earlier date'",
            f"'It falls to ' || {_shown('t.km', distance)} || ' on ' || t.day || ' from ' || "
            f"{_shown('s.before', distance)} || '. Correct whichever is wrong.'",
            SPANS,
        ),
        Check(
            "odometer", "t.km > s.after AND NOT coalesce(t.km < s.before, false)", "'no more than on a later date'",
            f"'It reads ' || {_shown('t.km', distance)} || ' on ' || t.day || '; the store has '"
            f" || {_shown('s.after', distance)} || ' later. Correct whichever is wrong.'",
            SPANS,
        ),
    ]  # fmt: skip


def _shown(km: str, distance: str) -> str:
    return f"printf('%.0f {distance}', {km} / {KM_PER[distance]!r})"


SAID = "coalesce(position, finding, mode, action, revision, grade)"
LIMITED = "component IS NOT NULL AND variant IS NOT NULL"


def _line_checks() -> list[Check]:
    modes = "typed t LEFT JOIN modes_known m ON m.variant = t.variant AND m.mode = t.mode"
    return [
        Check(
            "component", f"component IS NULL AND {SAID} IS NOT NULL", "'a component'",
            f"'The line says ''' || {SAID} || ''' of nothing.'",
        ),
        Check(
            "component", unknown("component", "component"), "'a component of the book'",
            nearest("component", "component"),
        ),
        Check(
            "component",
            f"{LIMITED} AND NOT {unknown('component', 'component')} AND {unknown('fitted', 'component', 'variant')}",
            "'a component of variant ' || variant", "'''' || component || ''' is not fitted to it.'",
        ),
        Check(
            "position", f"NOT {unknown('component', 'component')} AND {unknown('position', 'position', 'component')}",
            "'a position of ' || component || ', or all'", nearest("position", "position", "component"),
        ),
        Check(
            "position",
            "position IS NULL AND EXISTS (SELECT 1 FROM known k WHERE k.field = 'several' AND k.name = component)",
            "'a position of ' || component || ', or all'", "'The component sits at several: say which.'",
        ),
        one_of("finding", ("failed", "good", "original")),
        one_of("action", ("renewed", "cleaned", "repaired")),
        Check(
            "mode", "action = 'repaired' AND mode IS NULL AND component IS NOT NULL", "'the mode that was repaired'",
            "'A new piece is renewed; a repair cures the mode it names.'",
        ),
        Check(
            "mode", "finding = 'failed' AND mode IS NULL AND component IS NOT NULL", "'the mode that failed'",
            "'Say how it failed.'",
        ),
        Check(
            "mode", f"NOT {unknown('component', 'component')} AND {unknown('mode', 'mode', 'component')}",
            "'a mode of ' || component", nearest("mode", "mode", "component"),
        ),
        Check(
            "mode", "t.mode IS NOT NULL AND coalesce(finding, '') NOT IN ('failed', 'good') "
            "AND coalesce(action, '') NOT IN ('cleaned', 'repaired')",
            "'a mode only where it is failed, good, cleaned or repaired'",
            "'Say which in finding or action.'",
        ),
        Check(
            "mode", "NOT m.applies AND m.component = t.component", "'a mode that variant ' || t.variant || ' can have'",
            "'''' || t.mode || ''' is for other variants.'", modes,
        ),
        Check(
            "action", "action = 'cleaned' AND t.mode IS NOT NULL AND m.component = t.component AND NOT m.cleanable",
            "'a mode that a remedy of kind clean holds off'", "'No clean of the book restores ''' || t.mode || '''.'",
            modes,
        ),
        Check(
            "action", f"action = 'cleaned' AND mode IS NULL AND {LIMITED} AND NOT EXISTS (SELECT 1 FROM modes_known m "
            "WHERE m.component = t.component AND m.variant = t.variant AND m.cleanable)",
            "'a component that a remedy of kind clean holds off'", "'No clean of the book is for it.'",
        ),
        Check(
            "revision", f"NOT {unknown('component', 'component')} AND {unknown('revision', 'revision', 'component')}",
            "'a revision of ' || component", nearest("revision", "revision", "component"),
        ),
        Check(
            "revision", "revision IS NOT NULL AND coalesce(action, '') <> 'renewed'",
            "'nothing here unless the action is renewed'", "'It names the revision that was fitted.'",
        ),
        one_of("grade", get_args(Grade)),
        Check(
            "grade", "grade IS NOT NULL AND coalesce(action, '') <> 'renewed'",
            "'nothing here unless the action is renewed'", "'It names the source grade of the part that was fitted.'",
        ),
        Check(
            "mode", "NOT list_contains(revisions, fitted)",
            "'a mode that revision ' || fitted || ' of ' || component || ' can have'",
            "'By the records that revision was fitted; ''' || mode || ''' belongs to ' "
            "|| array_to_string(revisions, ', ') || '.'", FITTED,
        ),
        Check(
            "finding", "finding = 'original' AND r.day < t.day", "'a unit that was not renewed before'",
            "'It was renewed on ' || r.day || '.'", RENEWALS,
        ),
    ]  # fmt: skip


def _reading_checks() -> list[Check]:
    return [
        given("reading", "readings"),
        Check("reading", unknown("reading", "reading"), "'a reading of the book'", nearest("reading", "reading")),
        given("value", "readings"),
        Check("value", "value IS NOT NULL AND amount IS NULL", "'a number'", "'It reads ''' || value || '''.'"),
    ]


def find_problems(connection: Connection, checks: Iterable[Check]) -> int:
    """Fill ``problems`` (line, rank, field, expected, mend) and count its lines."""
    connection.execute(
        "CREATE OR REPLACE TEMP TABLE problems "
        "(line BIGINT, rank INTEGER, field VARCHAR, expected VARCHAR, mend VARCHAR)"
    )
    for rank, check in enumerate(checks):
        connection.execute(
            f"INSERT INTO problems SELECT DISTINCT t.line, {rank}, '{check.field}', {check.expected}, {check.mend} "
            f"FROM {check.source} WHERE {check.bad}"
        )
    return int(connection.execute("SELECT count(DISTINCT line) FROM problems").fetchall()[0][0])
