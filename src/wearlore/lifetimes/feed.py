"""What the walk eats: the book as arrays, and the store as batches of whole vehicles, sorted by the engine."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any, Literal, TypeVar, get_args

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from wearlore.book.model import Book, Component, Grade
from wearlore.errors import NameNotKnown, RecordsError, RecordsErrors
from wearlore.lifetimes.walk import AS_FITTED, LEAVE_OUT, NEW_AT_SIGHT, NO_CLEAN, Design, History, Ints
from wearlore.records.checks import levels
from wearlore.records.store import Store

GRADES: tuple[str, ...] = get_args(Grade)
UnknownStart = Literal["left out", "new at first sight", "original"]
RULES: dict[str, int] = {"left out": LEAVE_OUT, "new at first sight": NEW_AT_SIGHT, "original": AS_FITTED}
EPOCH = date(1970, 1, 1)
ROWS = 1 << 18  # in a batch, before it is filled up to a whole vehicle


Names = NDArray[np.str_]
Column = TypeVar("Column", bound=NDArray[Any])


def frozen(column: Column) -> Column:
    """The same array, no longer to be written to."""
    column.setflags(write=False)
    return column


def named(names: Sequence[str], codes: NDArray[Any]) -> Names:
    """The names behind the codes."""
    return frozen(np.array(names)[codes.astype(np.intp)])


@dataclass(frozen=True, slots=True)
class Codes:
    """The names behind the integers of the walk."""

    variants: tuple[str, ...]
    units: tuple[tuple[str, str], ...]  # component, position
    modes: tuple[str, ...]  # ordered by component
    mode_component: tuple[int, ...]
    components: tuple[str, ...]
    revisions: tuple[tuple[str, ...], ...]  # of each component; one nameless level when it has none


def rule_of(unknown_start: str) -> int:
    """The walk's code of a rule for unknown starts; NameNotKnown for another."""
    if unknown_start not in RULES:
        raise NameNotKnown("rule for unknown starts", unknown_start, RULES)
    return RULES[unknown_start]


def codes_of(book: Book) -> Codes:
    components = tuple(book.components)
    modes = [(k, id_) for k, component in enumerate(components) for id_, _ in book.modes_of(component)]
    return Codes(
        variants=tuple(book.variants),
        units=tuple((id_, place) for id_, component in book.components.items() for place in component.places),
        modes=tuple(id_ for _, id_ in modes),
        mode_component=tuple(k for k, _ in modes),
        components=components,
        revisions=tuple(tuple(component.revisions) or ("",) for component in book.components.values()),
    )


def design_of(book: Book, codes: Codes) -> Design:
    """The book as the arrays of `Design`."""
    unit_component = [codes.components.index(component) for component, _ in codes.units]
    modes_in = np.bincount(codes.mode_component, minlength=len(codes.components))
    currents = [_levels(book.components[id_]) for id_ in codes.components]
    applies = np.zeros((len(codes.modes), len(codes.variants), max(map(len, codes.revisions))), np.bool_)
    restores = np.full((len(codes.variants), len(codes.modes)), NO_CLEAN)
    for m, id_ in enumerate(codes.modes):
        component = book.components[book.modes[id_].component]
        for v, variant in enumerate(codes.variants):
            restores[v, m] = _restores(book, id_, variant)
            for r, revision in enumerate(codes.revisions[codes.mode_component[m]]):
                on_variant = not component.variants or variant in component.variants
                applies[m, v, r] = on_variant and book.modes[id_].applies(variant, revision)
    return Design(
        unit_component=_ints(unit_component),
        unit_slot=_starts(modes_in[unit_component]),
        first_mode=_starts(modes_in),
        applies=applies,
        hidden=np.array([book.modes[id_].noticed == "hidden" for id_ in codes.modes], np.bool_),
        restores=restores,
        level_from=_ints([day for current in currents for day, _ in current]),
        level=_ints([revision for current in currents for _, revision in current]),
        first_level=_starts([len(current) for current in currents]),
    )


def _ints(values: Sequence[int]) -> Ints:
    return np.asarray(values, dtype=np.int32)


def _starts(lengths: Sequence[int] | NDArray[np.int_]) -> Ints:
    return np.concatenate([[0], np.cumsum(np.asarray(lengths, np.int64))]).astype(np.int32)


def _restores(book: Book, mode: str, variant: str) -> float:
    """What the book's first clean for this mode and variant takes off its age (0: minimal repair)."""
    cleans = (r.restores for _, r in book.remedies_for(mode, variant) if r.restores is not None)
    return next(cleans, NO_CLEAN)


def _levels(component: Component) -> list[tuple[int, int]]:
    """(day, code of the revision) at each change of the current revision."""
    names = tuple(component.revisions) or ("",)
    return [((day - EPOCH).days, names.index(revision)) for day, revision in levels(component)]


# the number by which the walk knows a vehicle
NUMBERED = """
    SELECT vehicle, (row_number() OVER (ORDER BY vehicle) - 1)::INTEGER AS number, b.code::INTEGER AS variant_code,
        date_diff('day', DATE '1970-01-01', v.built)::INTEGER AS built, v.history = 'complete' AS complete
    FROM vehicles v JOIN book_words b ON b.field = 'variant' AND b.word = v.variant
"""
# every line spread over the units that it names, with a bare row for each visit
FEED = """
WITH spread AS (
    SELECT l.vehicle, l.date, l.km, u.unit, f.code AS finding, m.mode_code AS mode, a.code AS action,
        r.revision_code AS revision, g.code AS grade, l.intake, l.line, l.component,
        u.unit IS NULL OR (l.mode IS NOT NULL AND m.mode_code IS NULL)
            OR (l.revision IS NOT NULL AND r.revision_code IS NULL) AS lost
    FROM (SELECT * FROM lines WHERE component IS NOT NULL AND ($vehicle IS NULL OR vehicle = $vehicle)) l
    LEFT JOIN book_units u
        ON u.component = l.component AND (u.position = coalesce(l.position, '') OR l.position = 'all')
    LEFT JOIN book_modes m ON m.component = l.component AND m.mode = l.mode
    LEFT JOIN book_revisions r ON r.component = l.component AND r.revision = l.revision
    LEFT JOIN book_words f ON f.field = 'finding' AND f.word = l.finding
    LEFT JOIN book_words a ON a.field = 'action' AND a.word = l.action
    LEFT JOIN book_words g ON g.field = 'grade' AND g.word = l.grade
)
"""
# each vehicle that has visits on both sides of a day, on that day: its odometer as if driven evenly between the two
PASSING = """
    SELECT vehicle, $until::DATE AS date,
        km + (next_km - km) * date_diff('day', date, $until::DATE) / date_diff('day', date, next_date) AS km
    FROM (
        SELECT vehicle, date, km, lead(date) OVER each AS next_date, lead(km) OVER each AS next_km
        FROM visits WHERE $vehicle IS NULL OR vehicle = $vehicle WINDOW each AS (PARTITION BY vehicle ORDER BY date, km)
    ) WHERE date < $until AND next_date > $until
"""
WALKED = f"""
{FEED}, told AS (
    SELECT vehicle, date, km, unit, finding, mode, action, revision, grade FROM spread
    UNION ALL
    SELECT vehicle, date, km, NULL, NULL, NULL, NULL, NULL, NULL FROM visits
    WHERE $vehicle IS NULL OR vehicle = $vehicle
    UNION ALL
    SELECT vehicle, date, km, NULL, NULL, NULL, NULL, NULL, NULL FROM ({PASSING})
)
SELECT n.number AS vehicle, n.variant_code AS variant, n.built, n.complete,
    date_diff('day', DATE '1970-01-01', t.date)::INTEGER AS day, t.km,
    coalesce(t.unit, -1)::INTEGER AS unit, coalesce(t.finding, -1)::INTEGER AS finding,
    coalesce(t.mode, -1)::INTEGER AS mode, coalesce(t.action, -1)::INTEGER AS action,
    coalesce(t.revision, -1)::INTEGER AS revision, coalesce(t.grade, -1)::INTEGER AS grade
FROM told t JOIN ({NUMBERED}) n ON n.vehicle = t.vehicle
WHERE $until IS NULL OR t.date <= $until
ORDER BY n.number, day, t.km
"""


def _words(codes: Codes) -> pa.Table:
    fields = {
        "variant": codes.variants, "finding": ("failed", "good", "original"),
        "action": ("renewed", "cleaned", "repaired"), "grade": GRADES,
    }  # fmt: skip
    rows = [(field, word, k) for field, words in fields.items() for k, word in enumerate(words)]
    return _table(("field", "word", "code"), rows)


def _table(names: tuple[str, ...], rows: Sequence[tuple[str | int, ...]]) -> pa.Table:
    types = [pa.int32() if name in ("unit", "code") or name.endswith("_code") else pa.string() for name in names]
    columns = list(zip(*rows, strict=True)) or [()] * len(names)
    return pa.table([pa.array(c, t) for c, t in zip(columns, types, strict=True)], names=list(names))


def _register(store: Store, codes: Codes) -> None:
    modes = [
        (codes.components[c], mode, k)
        for k, (c, mode) in enumerate(zip(codes.mode_component, codes.modes, strict=True))
    ]
    revisions = [
        (component, revision, k)
        for component, names in zip(codes.components, codes.revisions, strict=True)
        for k, revision in enumerate(names)
        if revision
    ]
    tables = {
        "book_units": _table(("component", "position", "unit"), [(*unit, k) for k, unit in enumerate(codes.units)]),
        "book_modes": _table(("component", "mode", "mode_code"), modes),
        "book_revisions": _table(("component", "revision", "revision_code"), revisions),
        "book_words": _words(codes),
    }
    for name, table in tables.items():
        store.connection.register(name, table)


def prepare(store: Store, codes: Codes, vehicle: str | None = None) -> None:
    """Hand the book's names to the engine; RecordsErrors when stored records (of ``vehicle``) name what it lacks."""
    _register(store, codes)
    mend = "The book named it when the file was taken: put it back, or load the records into a new store."
    lost = store.connection.execute(
        f"""{FEED}
        SELECT i.file, s.line, s.component FROM spread s JOIN intakes i USING (intake) WHERE s.lost
        UNION ALL
        SELECT vehicle, 0, variant FROM vehicles
        WHERE ($vehicle IS NULL OR vehicle = $vehicle)
            AND variant NOT IN (SELECT word FROM book_words WHERE field = 'variant')
        ORDER BY ALL""",
        {"vehicle": vehicle},
    ).fetchall()
    if lost:
        raise RecordsErrors(
            RecordsError(file, line, name, "variants, components, modes and revisions of the book", mend)
            for file, line, name in lost
        )


def vehicles_seen(store: Store, until: date | None = None) -> int:
    """Vehicles with a visit, up to that day when given."""
    query = "SELECT count(DISTINCT vehicle) FROM visits WHERE $until IS NULL OR date <= $until"
    return int(store.connection.execute(query, {"until": until}).fetchall()[0][0])


def batches(store: Store, vehicle: str | None = None, *, until: date | None = None) -> Iterator[History]:
    """Whole vehicles, sorted by day and odometer; of one when named, up to a day when given. After `prepare`."""
    rest: pa.Table | None = None
    for batch in store.connection.sql(WALKED, params={"vehicle": vehicle, "until": until}).to_arrow_reader(ROWS):
        table = pa.Table.from_batches([batch])
        rest = table if rest is None else pa.concat_tables([rest, table])
        numbers = rest.column("vehicle").to_numpy()
        whole = int(np.searchsorted(numbers, numbers[-1]))  # the last vehicle may go on in the next batch
        if whole:
            yield _history(rest.slice(0, whole))
            rest = rest.slice(whole)
    if rest is not None and len(rest):
        yield _history(rest)


def _history(rows: pa.Table) -> History:
    return history_of(rows.column(name).to_numpy() for name in History._fields)


def history_of(columns: Iterable[NDArray[Any]]) -> History:
    """All columns of the one kind for which the walk is compiled: whole and not to be written to."""
    return History(*(frozen(np.ascontiguousarray(column)) for column in columns))
