"""False economy -> its sheet: what each remedy and grade costs per distance, how sure that is, what it rests on."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from datetime import date
from math import isinf

from wearlore.answers import ComponentEconomy
from wearlore.economy import PER, SURE, Behind, Choice, Verdict
from wearlore.estimate import Estimate
from wearlore.report.card import when
from wearlore.report.sheet import (
    NO_FIGURES,
    Block,
    Bullets,
    Column,
    Figures,
    Heading,
    Paragraph,
    Sheet,
    Table,
    drawn,
)
from wearlore.units import Units, show_share

SUPPOSED = (
    "Every failure is cured in a visit of its own: work that could be shared would make labour weigh less.",
    "A hidden failure is found, and paid, where it happens.",
    "What a remedy does not cure is cured by the cheapest way that does, and adds its own cost, as from a new piece.",
    "Nothing comes back from a warranty: where a faulty part and its labour are refunded, it weighs less than here.",
    "At the end of the distance ahead a part is worth nothing, however new.",
)
SMALL = (
    "Long run: always the same remedy and grade, run to failure; expected cost of a cycle over its expected length "
    "(renewal-reward: Barlow & Proschan 1965, ch. 3). Ahead: fitted now and the same again at each failure, discounted "
    "(renewal equation). In brackets 95 % of what records and judgement allow; chances are of the same draws."
)
NO_END = "no end: some never fail"


def component_economy(result: ComponentEconomy, units: Units, made_on: date, figures: Figures = NO_FIGURES) -> Sheet:
    """The verdicts in words, every choice with its money, what it is paid for, what it rests on, what is supposed."""
    economy = result.economy
    return Sheet(
        kind="False economy",
        title=f"{result.name} ({result.economy.component})",
        made_on=made_on,
        facts=(
            ("Component", economy.component),
            *((("Position", economy.position),) if economy.position else ()),
            ("Vehicle", f"{economy.variant}, built {economy.built.isoformat()}"),
            ("Ahead", f"the next {units.show_distance(economy.horizon)} from the fitting"),
        ),
        blocks=(
            *_answer(result, units),
            *_cautions(result, units),
            *drawn(figures, "long-run"),
            Heading("What each choice costs, cheapest in the long run first"),
            _choices(result, units),
            *drawn(figures, "ahead"),
            Heading(f"What it is paid for, {units.currency} per {distance_told(units)} in the long run"),
            _breakdown(result, units),
            *when(
                len(economy.choices) > 2,
                Heading("Chance that one costs less in the long run than another"),
                _pairs(result),
            ),
            Heading("What it rests on"),
            _behind(result),
            *_left_out(result),
            Heading("What is supposed"),
            Bullets(SUPPOSED),
        ),
        small_print=SMALL,
    )


def distance_told(units: Units) -> str:
    """The distance for which money in the long run is told: ``100,000 km``."""
    return f"{_per(units):,.0f} {units.distance}"


def per_distance(money: float, units: Units) -> float:
    """Money per 100,000 km as money per `distance_told`."""
    return money * units.to_km(_per(units)) / PER


def _per(units: Units) -> float:
    return 100_000.0 if units.distance in ("km", "miles") else 1_000.0


def choice_names(result: ComponentEconomy) -> list[str]:
    """Remedy with its source grade; with the design level too where that alone tells two apart."""
    choices = result.economy.choices
    named = [_named(result, choice.remedy, choice.grade) for choice in choices]
    often = Counter(named)
    return [
        f"{name}, {choice.revision}" if often[name] > 1 and choice.revision else name
        for name, choice in zip(named, choices, strict=True)
    ]


def _named(result: ComponentEconomy, remedy: str, grade: str | None) -> str:
    return f"{result.remedies[remedy]} ({grade})" if grade else result.remedies[remedy]


def chance_in_words(chance: float) -> str:
    """Of some hundred draws: none of them is no proof that there is none."""
    return "under 1 %" if chance < 0.01 else "over 99 %" if chance > 0.99 else f"{100 * chance:.0f} %"


def without_end(choice: Choice) -> bool:
    """Some pieces never fail, so that the mean distance between failures is without end."""
    return isinf(choice.length.value)


def money_in_words(money: Estimate, units: Units) -> str:
    """``EUR 486 (478 to 489)``."""
    return f"{units.currency} {_range(money)}"


def _range(money: Estimate) -> str:
    high = f"over {_whole(money.low)}" if isinf(money.high) else f"{_whole(money.low)} to {_whole(money.high)}"
    return f"{_whole(money.value)} ({high})"


def _whole(money: float) -> str:
    return f"{round(money):,}"


def _long_run(money: Estimate, units: Units) -> Estimate:
    value, low, high = (per_distance(end, units) for end in (money.value, money.low, money.high))
    return Estimate(value, low, high, money.level)


# lead and verdicts ---------------------------------------------------------------------------------------------------


def _answer(result: ComponentEconomy, units: Units) -> Iterator[Block]:
    """The verdicts that are none open lead; without any, what costs least as far as can be told."""
    decided = [one for one in result.economy.verdicts if _decided(result, one)]
    least = _what_costs_least(result, units)
    if decided:
        yield Paragraph(" ".join(verdict_in_words(result, one, units) for one in decided), "lead")
        yield Paragraph(least)
    else:
        yield Paragraph(least, "lead")
    others = tuple(verdict_in_words(result, one, units) for one in result.economy.verdicts if one not in decided)
    yield from when(others, Bullets(others))


def _decided(result: ComponentEconomy, verdict: Verdict) -> bool:
    return verdict.kind != "open" and not _unanswered(result, verdict)


def _unanswered(result: ComponentEconomy, verdict: Verdict) -> bool:
    """One of the two never wears out in the long run, as far as its records go."""
    two = verdict.cheaper, verdict.dearer
    return any(without_end(c) for c in result.economy.choices if c.remedy == verdict.remedy and c.grade in two)


def _what_costs_least(result: ComponentEconomy, units: Units) -> str:
    choices, names = result.economy.choices, choice_names(result)
    over = f"the next {units.show_distance(result.economy.horizon)}"
    if len(choices) == 1:
        said = f"The book has one way: {names[0]}. It costs {money_in_words(choices[0].ahead, units)} over {over}"
        return said + ("." if without_end(choices[0]) else f", {_long_run_money(choices[0], units)} in the long run.")
    then = max(range(len(choices)), key=lambda k: choices[k].cheapest_ahead)
    money = money_in_words(choices[then].ahead, units)
    ahead = _least(f"Over {over}", names[then], choices[then].cheapest_ahead, money)
    if any(without_end(choice) for choice in choices):
        return ahead
    best = max(range(len(choices)), key=lambda k: choices[k].cheapest)
    money = _long_run_money(choices[best], units)
    return f"{_least('In the long run', names[best], choices[best].cheapest, money)} {ahead}"


def _long_run_money(choice: Choice, units: Units) -> str:
    return f"{money_in_words(_long_run(choice.per_distance, units), units)} per {distance_told(units)}"


def _least(when_: str, name: str, chance: float, money: str) -> str:
    """No more than the chance bears."""
    if chance >= SURE:
        return f"{when_} {name} costs least: {money}."
    told = chance_in_words(chance)
    return f"{when_} it is open what costs least; with a chance of {told} it is {name}, at {money}."


def verdict_in_words(result: ComponentEconomy, verdict: Verdict, units: Units) -> str:
    """In words a person can repeat."""
    cheaper, dearer = f"the {verdict.cheaper} part", f"the {verdict.dearer} part"
    ahead = f"over the next {units.show_distance(result.economy.horizon)}"
    name = result.remedies[verdict.remedy]
    if _unanswered(result, verdict):
        more = _more(verdict.more_ahead, units)
        chance = chance_in_words(verdict.chance_ahead)
        return (
            f"{name}: no answer for the long run on {cheaper} against {dearer}, since in one of them some never fail. "
            f"{ahead[0].upper()}{ahead[1:]} it costs {more}, and less with a chance of {chance}."
        )
    money = f"{_more(_long_run(verdict.more, units), units)} per {distance_told(units)}"
    said = {
        "false economy": f"{cheaper} is a false economy against {dearer}: it costs {money}, with a chance of "
        f"{chance_in_words(1 - verdict.chance)}",
        "pays": f"{cheaper} pays against {dearer}: it costs {money}, with a chance of "
        f"{chance_in_words(verdict.chance)}",
        "open": f"it is open whether {cheaper} pays against {dearer}: it costs {money}, and less with a chance of "
        f"{chance_in_words(verdict.chance)}",
    }[verdict.kind]
    if (verdict.chance - 0.5) * (verdict.chance_ahead - 0.5) < 0:
        said += f". {ahead[0].upper()}{ahead[1:]} it is the other way round: {_more(verdict.more_ahead, units)}, less "
        said += f"with a chance of {chance_in_words(verdict.chance_ahead)}"
    says = "by judgement more than by records, " if _judged(result, verdict) else ""
    return f"{name}: {says}{said}."


def _judged(result: ComponentEconomy, verdict: Verdict) -> bool:
    two = verdict.cheaper, verdict.dearer
    return any(
        behind.record_share < 0.5
        for choice in result.economy.choices
        if choice.remedy == verdict.remedy and choice.grade in two
        for behind in choice.behind
    )


def _more(more: Estimate, units: Units) -> str:
    """``EUR 16 more (11 less to 39 more)``."""
    same = round(more.value) == 0
    about = "about the same" if same else f"{units.show_money(abs(more.value))} {_side(more.value)}"
    if more.low * more.high < 0:
        return f"{about} ({_whole(-more.low)} less to {_whole(more.high)} more)"
    ends = sorted((abs(more.low), abs(more.high)))
    side = f" {_side(more.low + more.high)}" if same else ""
    return f"{about} ({_whole(ends[0])} to {_whole(ends[1])}{side})"


def _side(more: float) -> str:
    return "more" if more > 0 else "less"


def _cautions(result: ComponentEconomy, units: Units) -> Iterator[Block]:
    judged = [
        name
        for choice, name in zip(result.economy.choices, choice_names(result), strict=True)
        if any(behind.record_share < 0.5 for behind in choice.behind)
    ]
    if judged:
        yield Paragraph(f"Resting on judgement more than on records: {', '.join(judged)}.")
    for choice, name in zip(result.economy.choices, choice_names(result), strict=True):
        if without_end(choice):
            yield Paragraph(
                f"Caution: by their records some pieces of {name} never fail, so that in the long run nothing more is "
                "paid. Records that end too early look like this as well: go by the money over the next "
                f"{units.show_distance(result.economy.horizon)}."
            )


# tables --------------------------------------------------------------------------------------------------------------


def _choices(result: ComponentEconomy, units: Units) -> Table:
    economy = result.economy
    revisions = any(choice.revision for choice in economy.choices)
    several = len(economy.choices) > 1
    columns = (
        Column("Remedy (source grade)", wide=True),
        Column(f"{units.currency} per {distance_told(units)}", "right"),
        *((Column("Cheapest", "right"),) if several else ()),
        Column(f"{units.distance} between failures", "right", spare=True),
        Column(f"{units.currency} over {units.show_distance(economy.horizon)}", "right"),
        *((Column("Cheapest ahead", "right", spare=True),) if several else ()),
        *((Column("Revision", spare=True),) if revisions else ()),
    )
    rows = tuple(
        (
            name,
            NO_END if without_end(choice) else _range(_long_run(choice.per_distance, units)),
            *((_chance(choice.cheapest, economy.choices),) if several else ()),
            _length(choice.length, units),
            _range(choice.ahead),
            *((chance_in_words(choice.cheapest_ahead),) if several else ()),
            *((choice.revision,) if revisions else ()),
        )
        for choice, name in zip(economy.choices, choice_names(result), strict=True)
    )
    return Table(columns, rows)


def _chance(cheapest: float, choices: tuple[Choice, ...]) -> str:
    return "no answer" if any(without_end(choice) for choice in choices) else chance_in_words(cheapest)


def _length(length: Estimate, units: Units) -> str:
    low, high = units.show_number(length.low), units.show_number(length.high)
    if isinf(length.value):
        return NO_END if isinf(length.low) else f"over {low}"
    span = f"over {low}" if isinf(length.high) else f"{low} to {high}"
    return f"{units.show_number(length.value)} ({span})"


def _breakdown(result: ComponentEconomy, units: Units) -> Table:
    others = any(choice.breakdown.others > 0 for choice in result.economy.choices)
    columns = (
        Column("Remedy (source grade)", wide=True),
        Column("Part", "right"),
        Column("Labour", "right"),
        Column("Visit", "right"),
        Column("Consequence", "right"),
        *((Column("Other modes", "right"),) if others else ()),
        Column("Together", "right"),
    )
    rows = []
    for choice, name in zip(result.economy.choices, choice_names(result), strict=True):
        if without_end(choice):
            continue
        split = choice.breakdown
        parts = (split.part, split.labour, split.visit, split.consequence, *((split.others,) if others else ()))
        money = (_whole(per_distance(part, units)) for part in (*parts, choice.per_distance.value))
        rows.append((name, *money))
    return Table(columns, tuple(rows))


def _pairs(result: ComponentEconomy) -> Table:
    names = choice_names(result)
    columns = (Column("This one …", wide=True), *(Column(f"… than {k}", "right") for k in range(1, len(names) + 1)))
    rows = tuple(
        (f"{i + 1}  {name}", *("" if i == j else _pair(result, i, j) for j in range(len(names))))
        for i, name in enumerate(names)
    )
    return Table(columns, rows)


def _pair(result: ComponentEconomy, i: int, j: int) -> str:
    if without_end(result.economy.choices[i]) or without_end(result.economy.choices[j]):
        return "no answer"
    return chance_in_words(float(result.economy.cheaper[i, j]))


def _behind(result: ComponentEconomy) -> Table:
    columns = (
        Column("Failure mode", wide=True),
        Column("Failed", "right"),
        Column("Lives", "right"),
        Column("Record", "right"),
        Column("Faulty as fitted (95 %)"),
    )
    rows: list[tuple[str, ...]] = []
    for choice, name in zip(result.economy.choices, choice_names(result), strict=True):
        rows += [(name,), *(_rests(behind) for behind in choice.behind)]
    return Table(columns, tuple(rows))


def _rests(behind: Behind) -> tuple[str, ...]:
    early = behind.early
    none = "no sign" if behind.failures else "not known"
    share = none if early is None else f"{show_share(early.value)} ({_ends(early)})"
    counts = f"{behind.failures:,.0f}", f"{behind.lives:,.0f}", show_share(behind.record_share)
    return behind.mode, *counts, share


def _ends(share: Estimate) -> str:
    return f"{show_share(share.low)} to {show_share(share.high)}"


def _left_out(result: ComponentEconomy) -> Iterator[Block]:
    said = [
        f"{name} needs tools that are not to be had here: {', '.join(choice.missing_tools)}"
        for choice, name in zip(result.economy.choices, choice_names(result), strict=True)
        if choice.missing_tools
    ]
    if result.economy.unknown:
        said.append(f"Left out, of neither record nor judgement: {', '.join(result.economy.unknown)}")
    if said:
        yield Bullets(tuple(said))
