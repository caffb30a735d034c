"""A fault traced on one vehicle -> its sheet: what must not wait, what it may be, what to look at or to do, and why."""

from __future__ import annotations

import shlex
from collections.abc import Iterable, Iterator, Sequence
from datetime import date
from math import ceil, inf

from wearlore.answers import Argument, LookAhead, Standing, Suspected, TracedFault
from wearlore.book.model import Book, Observation
from wearlore.estimate import Estimate
from wearlore.report.calibration import percent
from wearlore.report.card import SIGNALS, when
from wearlore.report.sheet import (
    NO_FIGURES,
    Block,
    Bullets,
    Callout,
    Column,
    Figures,
    Heading,
    Paragraph,
    Sheet,
    Table,
    counted,
    drawn,
)
from wearlore.trace import Told
from wearlore.units import Units, show_share, significant

SUPPOSED = " (supposed; say it with --odometer)"
LISTED, LEAST = 8, 0.01  # suspects listed at most, and the chance from which one is
BESIDE = 0.05  # chance from which one that cannot be behind it is named
SURE = 0.995  # chance from which a cause is handed over as confirmed
CODES = 3  # absent codes told one by one; more are told together
SHOWN = 0.5  # money that is shown; without digits behind the point, less is nothing
TELLING = 1.2  # factor on the odds that is worth telling
MOVED = 3  # causes told for and against each thing told
KINDS = {
    "wet": "Wet (--saw, --absent, --dry)",
    "level-loss": "Level falls (--saw)",
    "code": "Trouble codes (--code)",
    "lamp": "Lamps (--saw)",
    "noise": "Noises (--saw)",
    "reading": "Readings (--read NAME=VALUE)",
    "smoke": "Smoke (--saw)",
    "smell": "Smells (--saw)",
    "behaviour": "Behaviour (--saw)",
    "visible": "To be seen (--saw)",
}
SMALL = (
    "Chances are worked out exactly, none by sampling; several causes may be there at once. In brackets 95 %: what "
    "records and judgement leave open of how long each part lasts. What a cause brings about, what is seen without any "
    "of them, and how well a look tells are the book's judgement, taken as known. Before: by age, history and the last "
    "look alone. None of these: something that the book does not have. Saved: against acting now, by the next look "
    "alone; what two looks save only together is not seen. Repairs: parts and labour. Where the maker's procedure says "
    "otherwise, it is right."
)


def traced_fault(
    traced: TracedFault,
    book: Book,
    units: Units,
    made_on: date,
    figures: Figures = NO_FIGURES,
    *,
    evidence: bool = False,
    folder: str = "",
) -> Sheet:
    """Rules that hold come before any chance. ``folder``: of the workshop, as the commands to go on with need it."""
    return Sheet(
        kind="Trace",
        title=f"{traced.vehicle}, {traced.variant}",
        made_on=made_on,
        facts=(
            ("Odometer", f"{units.show_odometer(traced.km)}{SUPPOSED if traced.supposed else ''}"),
            ("Since the last visit", units.show_distance(traced.since)),
            *((("Left out", f"{', '.join(traced.unknown)}: neither record nor judgement"),) if traced.unknown else ()),
        ),
        blocks=(
            *rules(traced),
            *_told(traced, book),
            *_suspects(traced, units, figures),
            *together(traced),
            *_next(traced, units),
            *_arguments(traced, book),
            *when(evidence and listed(traced), *_evidence(traced, book, units)),
            *_go_on(traced, book, folder),
        ),
        small_print=SMALL,
    )


# ------------------------------------------------------------------------------------------------------------- words
def show_chance(chance: float) -> str:
    """``42 %``, ``1.4 %``, ``under 1 %``."""
    if 0 < chance < LEAST:
        return f"under {100 * LEAST:.0f} %"
    if 1 - LEAST < chance < 1:
        return f"over {100 * (1 - LEAST):.0f} %"
    return show_share(chance)


def called(suspect: Suspected) -> str:
    """``Glow plug burnt out (2)``."""
    return f"{suspect.name} ({suspect.position})" if suspect.position else suspect.name


def listed(traced: Standing) -> tuple[Suspected, ...]:
    """The likeliest of those that can be behind what was seen; where nothing was, of all."""
    among = traced.asked or traced.suspects
    return tuple(suspect for suspect in among if suspect.chance.value >= LEAST)[:LISTED] or among[:1]


def rules(traced: Standing) -> tuple[Callout, ...]:
    return tuple(Callout(s.signal, s.name, f"{s.text} (Seen: {', '.join(s.because)}.)") for s in traced.stops)


def what_is_told(traced: Standing, book: Book) -> tuple[str, ...]:
    """In words; many codes that are absent, as one."""
    gone = [_absent_code(one, book) for one in traced.told]
    if sum(gone) <= CODES:
        return traced.said
    kept = tuple(said for said, is_gone in zip(traced.said, gone, strict=True) if not is_gone)
    return (*kept, f"{sum(gone)} other trouble codes of the book: not there")


def _absent_code(one: Told, book: Book) -> bool:
    observation = book.observations.get(one.about)
    return observation is not None and observation.kind == "code" and not one.present


def look_in_words(look: LookAhead, units: Units) -> tuple[str, ...]:
    """What comes first, what tells most, why it pays."""
    more = len(look.shows) - len(look.counted)
    opens = (f"First: {'; '.join(look.opens)} ({look.access_minutes:.0f} min, with closing up again).",)
    return (
        *(opens if look.opens else ()),
        f"{'Look for' if more else 'It shows'}: {'; '.join(look.counted)}{f'; and {more} more' if more else ''}.",
        f"Expected to save {units.show_money(look.saving)} for {units.show_money(look.cost)} of work: for its time, "
        "more than any other look.",
    )


def before_looking(look: LookAhead) -> tuple[Callout, ...]:
    """Its cautions, the gravest first."""
    cautions = sorted(look.cautions, key=lambda caution: SIGNALS.index(caution[0]))
    return tuple(Callout(signal, "Before you look, and while you do", text) for signal, text in cautions)


def minutes_in_words(look: LookAhead) -> str:
    return f"{look.minutes:.0f} min" + (f" and {look.access_minutes:.0f} to lay it open" if look.access_minutes else "")


def acting_in_words(traced: TracedFault, units: Units) -> tuple[str, ...]:
    """What acting now would be, step by step."""

    def named(repairs: Iterable[str]) -> str:
        return _and([f"{traced.repairs[r][0]} ({units.show_money(traced.repairs[r][1])})" for r in repairs])

    said = []
    for number, step in enumerate(traced.acting.steps):
        if not step.repairs:
            said.append("Check first whether the complaint is there at all; if not, stop.")
            continue
        begin = "Repair" if number == 0 or not traced.acting.steps[number - 1].check else "If it is still there, repair"
        then = ", then check whether the complaint is gone" if step.check else ""
        said.append(f"{begin}: {named(step.repairs)}{then}.")
    if traced.acting.beside:
        said.append(f"Beside that, worth it by its own chance: {named(traced.acting.beside)}.")
    return tuple(said) or ("Repair nothing: by these chances no repair is worth its money.",)


def why_act(traced: TracedFault, units: Units) -> str:
    """Why nothing more is looked at."""
    what = "This" if traced.acting.steps or traced.acting.beside else "Leaving it"
    costs = f"{what} is expected to cost {units.show_money(traced.acting.cost)}, with what may come of it later"
    if not traced.looks:
        return f"{costs}. Nothing is left that can be looked at now."
    near = max(traced.looks, key=lambda look: look.saving - look.cost)
    if near.saving < SHOWN:
        return f"{costs}. No single look that is left would change it."
    best = f"{near.name}, would save {units.show_money(near.saving)} and cost {units.show_money(near.cost)}"
    return f"{costs}. Looking is dearer: the best look left, {best}."


# ----------------------------------------------------------------------------------- what was told, what it may be
def _told(traced: TracedFault, book: Book) -> tuple[Block, ...]:
    if traced.told:
        return Heading("What is told"), Bullets(what_is_told(traced, book))
    kinds: dict[str, list[str]] = {}
    for id_, observation in book.observations.items():
        kinds.setdefault(observation.kind, []).append(_spoken(id_, observation))
    can = tuple(f"{said}: {', '.join(kinds[kind])}" for kind, said in KINDS.items() if kind in kinds)
    return (
        Paragraph("Nothing is told yet: this is what may be wrong by age, history and last look alone.", "lead"),
        Heading("What can be told"),
        Bullets((*can, "Failure modes, opened and looked at (--found, --good)")),
        Paragraph("wearlore trace VEHICLE --ask asks one thing at a time."),
    )


def _spoken(id_: str, observation: Observation) -> str:
    return observation.code or id_


def _suspects(traced: TracedFault, units: Units, figures: Figures) -> Iterator[Block]:
    shown = 6 + any(suspect.open for suspect in listed(traced))  # columns: the last only where it says something
    rows = [_row(suspect, units) for suspect in listed(traced)]
    if traced.asked:
        yield Heading("Most likely")
        rows.append(("None of these", show_chance(traced.unexplained), "", "", "", "", ""))
    else:
        yield Heading("Most likely by age alone")
        if traced.told:
            yield Paragraph("Nothing of what is told asks for a cause.")
    columns = (
        Column("Cause", wide=True),
        Column("Chance", "right"),
        Column("(95 %)"),
        Column("Before", "right"),
        Column("Age", "right", spare=True),
        Column("Known good", "right", spare=True),
        Column("On record", spare=True),
    )
    yield Table(columns[:shown], tuple(row[:shown] for row in rows), totals=int(bool(traced.asked)))
    yield from drawn(figures, "suspects")
    yield from beside(traced)


def _row(suspect: Suspected, units: Units) -> tuple[str, ...]:
    return (
        f"{called(suspect)}\n{suspect.cause}",
        show_chance(suspect.chance.value),
        span(suspect.chance),
        show_chance(suspect.prior.value),
        _age(suspect, units),
        f"{units.show_distance(suspect.unseen)} ago",
        "found, not cured" if suspect.open else "",
    )


def _age(suspect: Suspected, units: Units) -> str:
    return "not known" if suspect.age is None else units.show_distance(suspect.age)


def span(estimate: Estimate) -> str:
    return f"({percent(estimate.low)} to {percent(estimate.high)})"


def beside(traced: Standing) -> Iterator[Block]:
    """Those in question that are not listed, and those that cannot be behind it and may be there all the same."""
    if less := [s for s in traced.asked if s not in listed(traced)]:
        most = show_chance(less[0].chance.value)
        at_most = most if most.startswith("under") else f"at most {most}"
        yield Paragraph(f"In question too, each {at_most}: {', '.join(called(s) for s in less)}.", "small")
    others = [s for s in traced.suspects if not s.asked and s.chance.value >= BESIDE]
    if traced.asked and others:
        said = ", ".join(f"{called(s)} {show_chance(s.chance.value)}" for s in others[:LISTED])
        more = f", and {len(others) - LISTED} more" if len(others) > LISTED else ""
        yield Paragraph(f"May be there too, but not behind this: {said}{more}.", "small")


def together(traced: Standing) -> tuple[Block, ...]:
    """Which causes are there at once; told where more than one at a time matters."""
    rows = [one for one in traced.explanations if one.chance >= LEAST]
    if not any(len(one.causes) > 1 for one in rows):
        return ()
    names = {suspect.cause: called(suspect) for suspect in traced.suspects}
    said = ((_and([names[c] for c in one.causes]) or "none of these", show_chance(one.chance)) for one in rows)
    columns = (Column("Just these are there", wide=True), Column("Chance", "right"))
    return Heading("Alone or together"), Table(columns, tuple(said))


def _and(names: Sequence[str]) -> str:
    """``A``, ``A and B``, ``A, B and C``."""
    return " and ".join(part for part in (", ".join(names[:-1]), *names[-1:]) if part)


# -------------------------------------------------------------------------------------------------------- what to do
def _next(traced: TracedFault, units: Units) -> Iterator[Block]:
    if not traced.asked:
        return
    look = traced.next
    if look:
        yield Heading("Look next")
        yield from before_looking(look)
        yield Paragraph(f"{look.name}: {minutes_in_words(look)}.", "lead")
        yield Bullets(look_in_words(look, units))
        first, *more = acting_in_words(traced, units)
        then = f" {counted(len(more), 'further step')} may follow." if more else ""
        cost = units.show_money(traced.acting.cost)
        yield Paragraph(f"Acting now, without it, is expected to cost {cost}. {first}{then}", "small")
    else:
        nothing = not (traced.acting.steps or traced.acting.beside)
        yield Heading(f"{'Leave it' if nothing else 'Act now'}, look no further")
        yield from when(traced.stops, Paragraph("What the box above says comes before this."))
        yield Bullets(acting_in_words(traced, units))
        yield Paragraph(why_act(traced, units))
    yield from _other_looks(traced, units)
    if traced.withheld:
        yield Heading("Not to be looked at now", 2)
        yield Bullets(not_now(traced))


def not_now(traced: TracedFault) -> tuple[str, ...]:
    """The looks that are withheld, by why."""
    whys: dict[str, list[str]] = {}
    for one in traced.withheld:
        whys.setdefault(one.why, []).append(one.name)
    return tuple(f"{why[0].upper()}{why[1:]}: {'; '.join(names)}" for why, names in whys.items())


def _other_looks(traced: TracedFault, units: Units) -> Iterator[Block]:
    others = [look for look in traced.looks if look != traced.next]
    telling = [look for look in others if look.saving >= SHOWN]
    columns = (
        Column("Look", wide=True),
        Column("Minutes", "right"),
        Column("To lay open", "right", spare=True),
        Column(f"Saves, {units.currency}", "right"),
        Column(f"Costs, {units.currency}", "right"),
        Column("Net a minute", "right"),
    )
    rows = (
        (
            look.name,
            f"{look.minutes:.0f}",
            f"{look.access_minutes:.0f}" if look.access_minutes else "",
            f"{look.saving:,.0f}",
            f"{look.cost:,.0f}",
            f"{look.per_minute:,.2f}",
        )
        for look in telling
    )
    if telling:
        yield Heading("Other looks", 2)
        yield Table(columns, tuple(rows))
    if nothing := len(others) - len(telling):
        yield Paragraph(f"{counted(nothing, 'other look')} would save nothing now.", "small")


# --------------------------------------------------------------------------------------------------------------- why
def _arguments(traced: TracedFault, book: Book) -> Iterator[Block]:
    names = {suspect.cause: called(suspect) for suspect in traced.asked}
    told = [(argument, *_moved(argument, names)) for argument in traced.arguments]
    rows = tuple((argument.told, up, down) for argument, up, down in told if up or down)
    if rows:
        yield Heading("What speaks for what")
        yield Table((Column("Told", wide=True), Column("Speaks for", wide=True), Column("Against", wide=True)), rows)
        yield Paragraph("× and ÷: what it makes of the odds of a cause, all else told being kept.", "small")
    silent = [one for one, (_, up, down) in zip(traced.told, told, strict=True) if not up and not down]
    if rows and silent:
        codes = sum(_absent_code(one, book) for one in silent)
        of_these = f", {codes} of them codes that are not there" if codes else ""
        yield Paragraph(f"Of little weight here: {counted(len(silent), 'thing')} told{of_these}.", "small")


def _moved(argument: Argument, names: dict[str, str]) -> tuple[str, str]:
    """The causes that one thing told moved most, for and against."""
    ranked = sorted((item for item in argument.factors.items() if item[0] in names), key=lambda item: item[1])
    down = [f"{names[cause]} {_less(factor)}" for cause, factor in ranked[:MOVED] if factor <= 1 / TELLING]
    up = [f"{names[cause]} {_more(factor)}" for cause, factor in ranked[::-1][:MOVED] if factor >= TELLING]
    return "; ".join(up), "; ".join(down)


def for_and_against(standing: Standing, cause: str) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """What told speaks for a cause and what against it, with the factor on its odds, the weightiest first."""
    weighed = sorted(
        ((one.factors[cause], one.told) for one in standing.arguments if cause in one.factors), key=lambda item: item[0]
    )
    against = tuple(f"{said} {_less(factor)}" for factor, said in weighed if factor <= 1 / TELLING)
    return tuple(f"{said} {_more(factor)}" for factor, said in weighed[::-1] if factor >= TELLING), against


def _more(factor: float) -> str:
    return "proven" if factor == inf else f"×{_times(factor)}"


def _less(factor: float) -> str:
    return "ruled out" if factor == 0 else f"÷{_times(1 / factor)}"


def _times(factor: float) -> str:
    return "over 1,000" if factor > 1_000 else f"{significant(factor, 2):,g}"


def _evidence(traced: TracedFault, book: Book, units: Units) -> Iterator[Block]:
    yield Heading("What it rests on")
    columns = (
        Column("Cause", wide=True),
        Column("Age", "right"),
        Column("Known good", "right", spare=True),
        Column("Failures", "right"),
        Column("Lives", "right"),
        Column("Before", spare=True),
    )
    rows = (
        (
            f"{called(s)}\non {s.component}{f' ({s.position})' if s.position else ''}",
            _age(s, units),
            f"{units.show_distance(s.unseen)} ago",
            f"{s.evidence.failures:,}",
            f"{s.evidence.lives:,}",
            f"{show_chance(s.prior.value)} {span(s.prior)}",
        )
        for s in listed(traced)
    )
    yield Table(columns, tuple(rows))
    yield Paragraph(
        "Failures and lives: of this failure mode, in all records of the family; the life model behind Before.", "small"
    )
    if said := tuple(_chances(traced, book)):
        yield Heading("Chances that the book states", 2)
        yield Bullets(said)


def _chances(traced: TracedFault, book: Book) -> Iterator[str]:
    """Of each observation told that suspects bring about: with what chance, and how often it is seen without."""
    here = dict.fromkeys(suspect.mode for suspect in traced.suspects)
    asked = {suspect.mode for suspect in traced.asked}
    for name in dict.fromkeys(one.about for one in traced.told if one.about in book.observations):
        observation = book.observations[name]
        by = {mode: book.modes[mode].observations[name] for mode in here if name in book.modes[mode].observations}
        if asked & by.keys():
            said = [f"{book.modes[mode].name} {show_share(chance)}" for mode, chance in by.items()]
            said.append(f"none of these {show_share(observation.leak)}")
            above = "; beside that, what runs down from the zones above" if observation.kind == "wet" else ""
            yield f"{observation.name} with {', '.join(said)}{above}"


# ----------------------------------------------------------------------------------------------------------- go on
def _go_on(traced: TracedFault, book: Book, folder: str) -> Iterator[Block]:
    if traced.asked:
        yield Heading("Go on with")
        yield Paragraph("What to do in this visit, with these chances:")
        yield Paragraph(scope_command(traced, book, folder))
        yield Paragraph("Afterwards, what was found, so that the next trace knows more:")
        yield Paragraph(found_command(traced, book, folder))


def scope_command(traced: TracedFault, book: Book, folder: str = "") -> str:
    """The visit with the causes in question."""
    words = ["wearlore", "scope", traced.vehicle]
    for option, said in handed_over(traced, book):
        words += [f"--{option}", said]
    return shlex.join([*words, *_odometer(traced, book), *_in(folder)])


def handed_over(traced: Standing, book: Book) -> Iterator[tuple[str, str]]:
    """What a visit is told: confirmed causes as ``fault``, the others in question as ``probable`` with chances."""
    confirmed = opened(traced, book, present=True)
    for suspect in traced.asked:
        if suspect.cause in confirmed or suspect.chance.value > SURE:
            yield "fault", suspect.cause
        elif suspect.chance.value >= BESIDE:
            yield "probable", f"{suspect.cause}={suspect.chance.value:.2g}"


def found_command(traced: TracedFault, book: Book, folder: str = "") -> str:
    """What was opened and looked at by name; where nothing was, MODE stands in its place."""
    words = ["wearlore", "found", traced.vehicle]
    for option, present in (("--confirmed", True), ("--refuted", False)):
        for cause in opened(traced, book, present=present) or ["MODE"]:
            words += [option, cause]
    return shlex.join([*words, *(_odometer(traced, book) or ["--odometer", "N"]), *_in(folder)])


def opened(traced: Standing, book: Book, *, present: bool) -> list[str]:
    """Causes that a person said are there, or not."""
    return [
        one.about for one in traced.told if one.about not in book.observations and one.present == present and not one.by
    ]


def _odometer(traced: TracedFault, book: Book) -> list[str]:
    """In the book's units, as a command takes it; never below the last visit."""
    return [] if traced.supposed else ["--odometer", str(ceil(round(book.units.from_km(traced.km), 6)))]


def _in(folder: str) -> list[str]:
    return ["--in", folder] if folder not in ("", ".") else []
