"""Which lives differ from which: every comparison that the guide makes, so that all of them can be counted."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from math import inf

from wearlore.answers import spoken, spoken_level, spoken_step
from wearlore.answers.guide import Difference
from wearlore.book.model import Book
from wearlore.errors import FitError
from wearlore.estimate import Estimate
from wearlore.life import Covariate, Factor, compare
from wearlore.life.compare.logrank import log_rank
from wearlore.life.compare.verdict import CHANCE
from wearlore.lifetimes import Lifetimes, ModeLives

LEAST = 10  # failures from which lives are compared at all (judgement)
STRATA = ("revision", "grade")
NOTHING_SHOWN = Estimate(1.0, 0.0, inf)  # any ratio fits


@dataclass(frozen=True)
class Differing:
    """``seen``: the lives, each with the covariate named (empty: none); ``covariate``: a column of them to compare by.

    ``intervals``: components without a failure mode, whose renewals are an interval that a vehicle's owner chooses.
    """

    book: Book
    seen: Callable[[str], Lifetimes]
    covariate: Callable[[ModeLives, str], Covariate]
    _lives: dict[str, Lifetimes] = field(default_factory=dict, repr=False)

    def of(self, mode: str) -> tuple[Difference, ...]:
        """Each contrast of each comparison that the lives determine; the odds of all of them are not counted yet."""
        bare = {id_ for id_ in self.book.components if next(self.book.modes_of(id_), None) is None}
        return tuple(
            one
            for by in (*STRATA, *(f"interval:{id_}" for id_ in self.book.components if id_ in bare))
            for one in self._by(mode, by)
        )

    def _by(self, mode: str, by: str) -> Iterator[Difference]:
        lives = self._with(by).modes[mode]
        failures = lives.lives.failures
        if failures < LEAST:
            return
        what = self.covariate(lives, by)
        try:
            if isinstance(what, Factor) and (alike := _chance_alike(lives, what)) >= CHANCE:
                yield Difference(spoken(by), "", "", NOTHING_SHOWN, "open", alike, sure=False, failures=failures)
                return
            found = compare(lives.lives, what)
        except FitError:
            return
        revisions = self.book.components[self.book.modes[mode].component].revisions
        for contrast in found.contrasts:
            ratio = contrast.ratio
            factor = isinstance(what, Factor)
            yield Difference(
                by=spoken(by),
                level=spoken_level(by, ratio.level) if factor else spoken_step(by, ratio.level),
                against=spoken_level(by, ratio.against) if factor else "",
                ratio=ratio.estimate,
                verdict=contrast.verdict,
                p=ratio.p,
                sure=False,
                failures=ratio.failures + (ratio.failures_against or 0.0),
                note=revisions[ratio.level].note if by == "revision" and ratio.level in revisions else "",
            )

    def _with(self, by: str) -> Lifetimes:
        name = "" if by in STRATA else by
        if name not in self._lives:
            self._lives[name] = self.seen(name)
        return self._lives[name]


def _chance_alike(seen: ModeLives, what: Factor) -> float:
    """Of as much where no level differs (log-rank): without that no difference is claimed, and none is estimated.

    Raises FitError where there is nothing to compare.
    """
    groups = {name: seen.lives.where(what.codes == code) for code, name in enumerate(what.levels)}
    return log_rank({name: group for name, group in groups.items() if len(group)}).p


def counted(differences: tuple[Difference, ...], compared: int) -> tuple[Difference, ...]:
    """Sure are those that chance explains with less than 5 % even as one of ``compared`` (Bonferroni)."""
    return tuple(
        replace(one, sure=one.verdict in ("longer", "shorter") and one.p * compared < CHANCE) for one in differences
    )
