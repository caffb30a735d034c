"""A trace in the terminal, one thing at a time: what is wrong, what to look at, what was seen there, when to stop.

`Session` holds what is told and goes on from line to line without touching a terminal; `converse` lends it one.
"""

from __future__ import annotations

import shlex
from collections.abc import Callable, Generator, Iterable, Iterator, Sequence
from math import isfinite
from typing import TYPE_CHECKING

from wearlore.errors import WearloreError

if TYPE_CHECKING:
    from wearlore.answers import LookAhead, TracedFault
    from wearlore.book.model import Observation
    from wearlore.trace import Sight, Told
    from wearlore.units import Units
    from wearlore.workbench.tracing import Tracing

Talk = Generator[str, str, None]  # gives what to show, takes the line that is answered
LIKELIEST = 3  # causes in the short standing
NOT, DONE, LATER, OTHER, STOP = ("no ", "not ", "dry "), ("done", "d"), ("not now", "n"), ("other", "o"), ("stop", "q")
YES, NO = ("yes", "y", "there"), ("no", "n", "not there")
CHOICES = "done, not now, other, stop; or say what else you see ('no …' for what is not there)"
WRONG = "What is wrong? A number for its group, or words such as 'oil sump', 'P0016', 'no oil top'."


class _Stopped(Exception):
    """Stop was said."""


class Session:
    """What is told so far on one vehicle, and where the talk stands.

    ``begin``, ``end``: words of the command that asks the same again, before and after what is told.
    """

    def __init__(
        self,
        tracing: Tracing,
        units: Units,
        told: Sequence[Told] = (),
        off: Sequence[str] = (),
        *,
        begin: Sequence[str],
        end: Sequence[str] = (),
    ) -> None:
        self.tracing, self.units, self.book = tracing, units, tracing.book
        self.told, self.off, self.skip = list(told), list(off), set[str]()
        self.begin, self.end = begin, end
        self._notes: list[str] = []
        tracing.case.facts(self.told)

    def answer(self) -> TracedFault:
        return self.tracing.answer(self.told, self.off, self.skip)

    def command(self) -> str:
        """The one line that asks the same again."""
        from wearlore.trace import written

        said = [word for one in self.told for word in written(one)]
        off = [word for operation in self.off for word in ("--off", operation)]
        return shlex.join([*self.begin, *said, *off, *self.end])

    # ---------------------------------------------------------------------------------------------------- the talk
    def talk(self) -> Talk:
        """Until acting is cheaper than looking, nothing is left to look at, or stop is said."""
        try:
            if not self.told:
                yield from self._what_is_wrong()
            chosen = ""
            while self.told:
                traced = self.answer()
                look = next((one for one in traced.looks if one.inspection == chosen), traced.next)
                if look is None:
                    return
                chosen = yield from self._one_look(traced, look)
        except _Stopped:
            return

    def closing(self) -> str:
        """What is known, what comes next, and the command that asks the same again."""
        from wearlore.report.trace import acting_in_words, minutes_in_words, why_act

        if not self.told:
            return "Nothing is told, so there is nothing to trace.\nBegin again:\n  " + self.command() + " --ask"
        again = f"The whole answer, with its reasons:\n  {self.command()}"
        try:
            traced = self.answer()
        except WearloreError as error:
            return "\n".join([*self._notes, str(error), again])
        if not traced.asked:
            what = "Nothing of what is told asks for a cause."
        elif traced.next:
            what = f"Next to look at: {traced.next.name} ({minutes_in_words(traced.next)})."
        else:
            what = "\n".join(("Look no further.", *acting_in_words(traced, self.units), why_act(traced, self.units)))
        return "\n".join([*self._notes, *self._standing(traced), what, again])

    def _ask(self, *said: str) -> Generator[str, str, str]:
        answer = (yield "\n".join([*self._notes, *said])).strip()
        self._notes = []
        if answer.casefold() in STOP:
            raise _Stopped
        return answer

    # ---------------------------------------------------------------------------------------------- what is wrong
    def _what_is_wrong(self) -> Talk:
        groups: dict[str, list[str]] = {}
        for id_, observation in self.book.observations.items():
            groups.setdefault(observation.kind, []).append(id_)
        listed = [f"{number:>3}  {_group(kind)} ({len(groups[kind])})" for number, kind in enumerate(groups, 1)]
        question = (WRONG, *listed)
        while line := (yield from self._ask(*question)):
            if line.isdecimal():
                numbers = _numbers(line, len(groups))
                names = yield from self._picked(list(groups.values())[numbers[0] - 1] if numbers else [])
                yield from self._tell(names, present=True)
            else:
                yield from self._words(line)
            question = ("What else? A number, words, or Enter when that is all.",)

    def _words(self, line: str) -> Talk:
        """Something is said in words."""
        from wearlore.trace import meant, near

        negation = next((word for word in NOT if line.casefold().startswith(word)), "")
        words = line[len(negation) :]
        names: Sequence[str] = meant(self.book, words)
        if not names:
            close = ", ".join(near(self.book, line))
            self._notes.append(
                f"Nothing in the book is called {words!r}.{f' Words near to it: {close}.' if close else ''}"
            )
        elif len(names) > 1:
            names = yield from self._picked(names)
        yield from self._tell(names, present=not negation)

    def _picked(self, names: Sequence[str]) -> Generator[str, str, list[str]]:
        """Those meant, by their numbers."""
        listed = [f"{number:>3}  {_called(self.book.observations[name])}" for number, name in enumerate(names, 1)]
        while names:
            line = yield from self._ask("Which? Numbers, 'all', or Enter for none.", *listed)
            if not line or line.casefold() == "all":
                return list(names) if line else []
            if numbers := _numbers(line, len(names)):
                return [names[number - 1] for number in numbers]
            self._notes.append(f"Numbers from 1 to {len(names)}.")
        self._notes.append("There is no such group.")
        return []

    def _tell(self, names: Iterable[str], *, present: bool) -> Talk:
        from wearlore.trace import Told

        for name in names:
            observation = self.book.observations[name]
            if observation.kind == "reading" and present:
                yield from self._reading(name, observation)
            else:
                self._take([Told(name, present)])

    def _reading(self, name: str, observation: Observation) -> Talk:
        from wearlore.trace import Told

        while line := (yield from self._ask(f"{_called(observation)}, in {observation.unit}? Enter: not read.")):
            try:
                value = float(line.replace(",", "."))
            except ValueError:
                value = float("nan")
            if isfinite(value):
                self._take([Told(name, value=value)])
                return
            self._notes.append(f"{line!r} is no number.")

    def _take(self, said: Sequence[Told]) -> None:
        """Add to what is told, in the place of what was said of the same before; not what cannot be."""
        before = self.told
        about = {(one.about, one.by) for one in said}
        self.told = [*(one for one in before if (one.about, one.by) not in about), *said]
        try:
            self.tracing.solver.posterior(self.tracing.case.facts(self.told))
        except WearloreError as error:
            self.told = before
            self._notes.append(f"Not taken: {error}")
        else:
            self._notes += [f"Noted: {self.tracing.case.say(one)}." for one in said]

    # ----------------------------------------------------------------------------------------------------- looking
    def _one_look(self, traced: TracedFault, look: LookAhead) -> Generator[str, str, str]:
        """Propose it and act on the answer; the look that is chosen instead, or none."""
        from wearlore.report.trace import before_looking, look_in_words, minutes_in_words

        cautions = [f"[ {caution.signal} ] {caution.text}" for caution in before_looking(look)]
        why = look_in_words(look, self.units) if look == traced.next else look_in_words(look, self.units)[:-1]
        title = f"Look at: {look.name} ({minutes_in_words(look)})."
        proposal = ("", *cautions, title, *(f"  {part}" for part in why), f"[{CHOICES}]")
        line = yield from self._ask(*self._standing(traced), *proposal)
        said = line.casefold()
        if said in DONE:
            yield from self._seen(look)
        elif said in LATER:
            self.skip.add(look.inspection)
        elif said in OTHER:
            return (yield from self._other(traced, look))
        elif line:
            yield from self._words(line)
        return look.inspection if said not in (*DONE, *LATER) and look != traced.next else ""

    def _standing(self, traced: TracedFault) -> Iterator[str]:
        from wearlore.report.trace import called, rules, show_chance

        for rule in rules(traced):
            yield f"[ {rule.signal} ] {rule.name}: {rule.text}"
        if traced.asked:
            likely = [f"{called(s)} {show_chance(s.chance.value)}" for s in traced.asked[:LIKELIEST]]
            yield f"Most likely: {'; '.join(likely)}; none of these {show_chance(traced.unexplained)}."

    def _other(self, traced: TracedFault, look: LookAhead) -> Generator[str, str, str]:
        others = [one for one in traced.looks if one != look]
        if not others:
            self._notes.append("There is no other look.")
            return look.inspection
        listed = [
            f"{number:>3}  {one.name}: {one.minutes + one.access_minutes:.0f} min, saves "
            f"{self.units.show_money(one.saving)} for {self.units.show_money(one.cost)}"
            for number, one in enumerate(others, 1)
        ]
        line = yield from self._ask("Which? A number, or Enter for the one before.", *listed)
        numbers = _numbers(line, len(others))
        return others[numbers[0] - 1].inspection if numbers else look.inspection

    def _seen(self, look: LookAhead) -> Talk:
        """Ask what it showed; what was opened for it stays open."""
        sights = self._sights(look.inspection)
        codes = [sight.about for sight in sights if self._kind(sight.about) == "code"]
        self.skip.add(look.inspection)
        self.off += [needed for needed in self.book.inspections[look.inspection].needs if needed not in self.off]
        if len(codes) > 1:
            yield from self._codes(codes, look.inspection)
        for sight in sights:
            if sight.about not in codes or len(codes) == 1:
                yield from self._sight(sight.about, look.inspection)

    def _sights(self, inspection: str) -> tuple[Sight, ...]:
        looks = self.tracing.means.looks(self.told, self.off)
        return next((look.sights for look in looks if look.name == inspection), ())

    def _kind(self, about: str) -> str:
        return self.book.observations[about].kind if about in self.book.observations else ""

    def _codes(self, codes: Sequence[str], inspection: str) -> Talk:
        """All codes of one look in one question: those not named are not there. Others of the book may be named too."""
        from wearlore.trace import Told

        known = {(o.code or id_).upper(): id_ for id_, o in self.book.observations.items() if o.kind == "code"}
        listed = [f"  {_called(self.book.observations[name])}" for name in codes]
        question = "Which codes are there? Name them; 'none' for none of these; Enter: not read."
        while line := (yield from self._ask(question, *listed)):
            named = [] if line.casefold() == "none" else line.upper().replace(",", " ").split()
            if not (strange := [code for code in named if code not in known]):
                there = [known[code] for code in named]
                said = {one.about for one in self.told}
                self._take([Told(id_) for id_ in there if id_ not in codes and id_ not in said])
                self._take([Told(id_, id_ in there, by=inspection) for id_ in codes])
                return
            self._notes.append(f"The book does not have {', '.join(strange)}: mend it, or leave it out.")

    def _sight(self, about: str, inspection: str) -> Talk:
        from wearlore.trace import Told

        observation = self.book.observations.get(about)
        if observation and observation.kind == "reading":
            yield from self._reading(about, observation)
            return
        name = _called(observation) if observation else self.tracing.case.say(Told(about)).rpartition(":")[0]
        while line := (yield from self._ask(f"{name}: there? yes, no, Enter: not looked.")).casefold():
            if line in (*YES, *NO):
                self._take([Told(about, line in YES, by=inspection)])
                return
            self._notes.append("Say yes or no.")


def _group(kind: str) -> str:
    from wearlore.report.trace import KINDS

    return KINDS[kind].partition(" (")[0]


def _called(observation: Observation) -> str:
    code = f"{observation.code} " if observation.code else ""
    return f"{code}{observation.name}" + (f" ({observation.circumstance})" if observation.circumstance else "")


def _numbers(line: str, most: int) -> list[int]:
    """The numbers in a line; none where one of them stands for nothing."""
    words = line.replace(",", " ").split()
    numbers = [int(word) for word in words if word.isdecimal() and 1 <= int(word) <= most]
    return numbers if len(numbers) == len(words) else []


def converse(session: Session, ask: Callable[[str], str], say: Callable[[str], None]) -> None:
    """Talk until the session ends, the input ends or Ctrl-C; then say what is known. ``ask`` raises EOFError."""
    talk = session.talk()
    try:
        question = next(talk)
        while True:
            question = talk.send(ask(question))
    except (StopIteration, EOFError, KeyboardInterrupt):
        pass
    except WearloreError as error:
        say(str(error))
    say(session.closing())
