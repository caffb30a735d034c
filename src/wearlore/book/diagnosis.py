"""Review of failure modes, the belief in their lives, what shows them and how one looks."""

from __future__ import annotations

from collections.abc import Iterator
from math import inf, log

from wearlore.book.codes import FAILURE_MECHANISMS, FAILURE_MODES
from wearlore.book.model import TROUBLE_CODE, Belief, Book, Mode, Observation
from wearlore.book.remark import Remark, did_you_mean
from wearlore.book.source import Path


def modes(book: Book) -> Iterator[Remark]:
    looked_at = {name for inspection in book.inspections.values() for name in inspection.observes}
    told = {name for inspection in book.inspections.values() for name in inspection.tells}
    for id_, mode in book.modes.items():
        path: Path = ("modes", id_)
        if not mode.observations:
            yield Remark("warning", path, "an observation (nobody could notice this mode)", "Add 'observations:'.")
        elif mode.noticed == "hidden" and id_ not in told and not looked_at & mode.observations.keys():
            mend = "Add an inspection that tells it, or that observes one of its observations."
            yield Remark("warning", path, "an inspection that can find this hidden mode", mend)
        yield from _remedies(book, id_, mode)
        if mode.code and mode.code not in FAILURE_MODES:
            mend = did_you_mean(mode.code, FAILURE_MODES, f"Known are: {', '.join(FAILURE_MODES)}.")
            yield Remark("warning", (*path, "code"), f"a failure-mode code of ISO 14224, not {mode.code}", mend)
        if mode.mechanism and mode.mechanism not in FAILURE_MECHANISMS:
            expected = f"a failure mechanism of ISO 14224 Table B.2, not {mode.mechanism}"
            yield Remark("warning", (*path, "mechanism"), expected, "For example '2.4' (wear) or '1.1' (leakage).")


def _remedies(book: Book, id_: str, mode: Mode) -> Iterator[Remark]:
    component = book.components.get(mode.component)
    on = mode.variants or (component.variants if component else ()) or tuple(book.variants)
    without = [variant for variant in on if next(book.remedies_for(id_, variant), None) is None]
    if without:
        where = "" if len(without) == len(on) else f" on {', '.join(without)}"
        yield Remark(
            "warning", ("modes", id_), f"a remedy that cures this mode{where}", "Name it under 'cures' of a remedy."
        )


def components(book: Book) -> Iterator[Remark]:
    called: dict[str, str] = {}
    for id_, component in book.components.items():
        path: Path = ("components", id_)
        if next(book.modes_of(id_), None) is None:
            what = "positions stand" if component.positions else "it stands"
            mend = "Add one, or let it be if only its renewals are to be counted, as an oil's."
            yield Remark("note", path, f"a failure mode of this component (else {what} here for nothing)", mend)
        for index, position in enumerate(component.positions):
            if position in component.positions[:index]:
                yield Remark("error", (*path, "positions", index), f"each position once, not {position!r} again")
            if position.casefold() == "all":
                yield Remark(
                    "error", (*path, "positions", index), "another word than 'all', which means every position"
                )
        for newer, revision in component.revisions.items():
            older = component.revisions.get(revision.supersedes or "")
            if older and revision.from_date is None and older.supersedes != newer:
                mend = "Without it every engine counts as built with this level. Add 'from_date:'."
                yield Remark("warning", (*path, "revisions", newer), "the day from which it was fitted", mend)
            if older and older.from_date and revision.from_date and revision.from_date < older.from_date:
                where = (*path, "revisions", newer, "from_date")
                yield Remark(
                    "warning", where, f"a date after {older.from_date}, since it supersedes {revision.supersedes}"
                )
        for word in dict.fromkeys((component.name, *component.aliases)):
            other = called.setdefault(word.casefold(), id_)
            if other != id_:
                expected = f"a name of its own, not {word!r}, which also stands for {other!r}"
                yield Remark("warning", (*path, "aliases"), expected, "Records in free text could mean either.")


def beliefs(book: Book) -> Iterator[Remark]:
    for id_, mode in book.modes.items():
        path: Path = ("modes", id_, "belief")
        if mode.belief is None:
            mend = "Until there are records of it, nothing is said of it and a scope leaves it out."
            yield Remark("note", path[:2], "a belief (what you would say without records)", mend)
            continue
        quantiles = mode.belief.quantiles
        for index, quantile in enumerate(quantiles):
            low, high = quantile.between
            if not low < high or not low <= quantile.at <= high:
                show = [book.units.show_number(km) for km in (low, quantile.at, high)]
                expected = "'between' as [low, high] with 'at' inside, not low {}, at {}, high {}".format(*show)
                yield Remark("error", (*path, "quantiles", index, "between"), expected)
        first, second = quantiles
        if not first.share < second.share:
            expected = f"a larger share than {first.share:g} in the second statement, not {second.share:g}"
            yield Remark("error", (*path, "quantiles", 1, "share"), expected, "Write the smaller share first.")
        elif not first.at < second.at:
            expected = "quantiles that do not cross: more units have failed by a longer distance"
            yield Remark("error", (*path, "quantiles", 1, "at"), expected, "Look at both distances.")
        else:
            yield from _shape(mode, mode.belief, path)


def leads(book: Book) -> Iterator[Remark]:
    """A lead is of use where somebody can look, and shorter than the life that it ends."""
    shown = {name for inspection in book.inspections.values() for name in (*inspection.observes, *inspection.tells)}
    for id_, mode in book.modes.items():
        path: Path = ("modes", id_, "lead")
        if mode.lead is None:
            continue
        if id_ not in shown and not shown & mode.observations.keys():
            mend = "Add an inspection that tells this mode or observes one of its observations."
            yield Remark("warning", path, "an inspection that shows it coming", mend)
        quantiles = mode.belief.quantiles if mode.belief else ()
        half = max((quantile.at for quantile in quantiles if quantile.share <= 0.5), default=inf)
        if mode.lead.at > half:
            said = [book.units.show_distance(km) for km in (half, mode.lead.at)]
            expected = "a lead shorter than the life: at most {}, not {}".format(*said)
            mend = "It is the distance from where it can be seen, not from new."
            yield Remark("warning", (*path, "at"), expected, mend)


def _shape(mode: Mode, belief: Belief, path: Path) -> Iterator[Remark]:
    """The Weibull shape that two quantiles imply: below 1 the mode strikes the new rather than the old."""
    if belief.life != "weibull":
        return
    (a, b) = belief.quantiles
    shape = log(log(1 - b.share) / log(1 - a.share)) / log(b.at / a.at)
    if mode.cause == "wear" and shape < 1:
        expected = f"a rate that rises with age, since its cause is wear (these quantiles imply a shape of {shape:.2g})"
        yield Remark("warning", path, expected, "Bring the two distances closer together, or name another cause.")
    if mode.cause != "wear" and not 0.5 < shape < 2:
        expected = f"a rate about the same at any age, since its cause is {mode.cause} (shape {shape:.2g}, not near 1)"
        yield Remark("warning", path, expected, "Look at the two distances, or name another cause.")


def observations(book: Book) -> Iterator[Remark]:
    for id_, observation in book.observations.items():
        path: Path = ("observations", id_)
        if observation.code is not None and not TROUBLE_CODE.fullmatch(observation.code):
            expected = f"a trouble code such as P0016, not {observation.code!r}"
            mend = "One of P, C, B, U, a digit from 0 to 3, then three of 0-9 and A-F."
            yield Remark("error", (*path, "code"), expected, mend)
        if (observation.kind == "code") != (observation.code is not None):
            yield Remark("warning", path, "'code:' with kind: code, and only there")
        if observation.kind == "reading" and not observation.unit:
            yield Remark("warning", path, "the unit of this reading", "Add 'unit:'.")
        if observation.kind == "wet" and observation.zone is None:
            yield Remark("warning", path, "the zone that is wet", "Add 'zone:'.")
        yield from _ranges(observation, path)


def _ranges(observation: Observation, path: Path) -> Iterator[Remark]:
    """What sound and faulty pieces read, against each other and against the limit."""
    if not (observation.sound and observation.faulty):
        return
    sound, faulty = (sum(between) / 2 for between in (observation.sound, observation.faulty))
    if sound == faulty or (faulty > sound) != (observation.worse == "higher"):
        expected = f"faulty pieces to read {observation.worse} than sound ones, as 'worse' says"
        yield Remark("error", (*path, "faulty"), expected, "Look at both ranges, and at 'worse'.")
    elif observation.limit is not None and not min(sound, faulty) < observation.limit < max(sound, faulty):
        expected = f"the limit ({observation.limit:g}) between what sound and faulty pieces read on the mean"
        yield Remark("warning", (*path, "limit"), expected, "Look at the limit, and at both ranges.")


def inspections(book: Book) -> Iterator[Remark]:
    for id_, inspection in book.inspections.items():
        if not inspection.observes and not inspection.tells:
            mend = "Name what it shows under 'observes' or 'tells'."
            yield Remark("error", ("inspections", id_), "something that this inspection shows", mend)
        for field in ("observes", "tells"):
            for name, accuracy in getattr(inspection, field).items():
                if accuracy.sensitivity + accuracy.specificity <= 1:
                    path: Path = ("inspections", id_, field, name)
                    yield Remark("warning", path, "a look that tells something (sensitivity + specificity above 1)")


def flows(book: Book) -> Iterator[Remark]:
    """Wetness that a mode brings about twice: directly, and by fluid that runs down to there."""
    wet = {id_: o for id_, o in book.observations.items() if o.kind == "wet" and o.zone in book.zones}
    below = {zone: _below(book, zone) for zone in book.zones}
    for id_, mode in book.modes.items():
        found = {name: wet[name] for name in mode.observations if name in wet}
        for name, one in found.items():
            others = [o for o in found.values() if o is not one and o.fluid == one.fluid]
            above = [zone for zone in dict.fromkeys(str(o.zone) for o in others) if one.zone in below[zone]]
            if above:
                mend = f"It runs there by itself from {' and '.join(above)}: leave it out, or count only what does not."
                yield Remark("note", ("modes", id_, "observations", name), "wetness named once", mend)


def _below(book: Book, zone: str) -> set[str]:
    found: set[str] = set()
    todo = [*book.zones[zone].runs_to]
    while todo:
        if (lower := todo.pop()) in book.zones and lower not in found:
            found.add(lower)
            todo += book.zones[lower].runs_to
    return found
