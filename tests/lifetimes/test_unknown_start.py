"""The rule for units of unknown age, on stories: what each rule makes of the same records."""

from __future__ import annotations

from collections.abc import Callable
from math import inf

import pytest

from wearlore.book.model import Book
from wearlore.errors import NameNotKnown
from wearlore.lifetimes import lifetimes
from wearlore.lives import Evidence
from wearlore.records.store import Store

Tell = Callable[..., None]
Rows = list[tuple[float, ...]]


@pytest.fixture
def of(store: Store, book: Book, rows: Callable[..., Rows]) -> Callable[[str, str], tuple[Rows, Evidence]]:
    def _of(mode: str, rule: str) -> tuple[Rows, Evidence]:
        own = lifetimes(store, book, unknown_start=rule).modes[mode]
        return rows(own.lives), own.evidence

    return _of


def test_a_pump_of_unknown_age_by_each_rule(tell: Tell, of) -> None:
    """First seen at 70,000 km, leaks at 95,000 km: not used; 25,000 km old; 95,000 km old and seen from 70,000 on."""
    tell("2018-01-01 70000\n2019-01-01 95000 pump - failed pump-leak renewed\n2020-01-01 105000", history="unknown")
    second = (0, 10_000, inf, 1)
    assert of("pump-leak", "left out")[0] == [second]
    assert of("pump-leak", "new at first sight")[0] == [second, (0, 25_000, 25_000, 1)]
    assert of("pump-leak", "original")[0] == [second, (70_000, 95_000, 95_000, 1)]
    assert [of("pump-leak", rule)[1].unknown_start for rule in ("left out", "new at first sight", "original")] == [
        1, 0, 0,
    ]  # fmt: skip


def test_a_hidden_mode_by_each_rule(tell: Tell, of) -> None:
    """Clogged at 120,000 km, good at 90,000 km; as original it is conditioned on nothing: entry 0."""
    tell(
        "2018-01-01 70000\n2019-01-01 90000 cooler rear good cooler-clogged\n"
        "2020-01-01 120000 cooler rear failed cooler-clogged",
        history="unknown",
    )
    assert of("cooler-clogged", "left out")[0] == []
    assert of("cooler-clogged", "new at first sight")[0] == [(0, 20_000, 50_000, 1)]
    assert of("cooler-clogged", "original")[0] == [(0, 90_000, 120_000, 1)]


def test_what_is_proven_original_is_so_by_every_rule(tell: Tell, of) -> None:
    """The rule speaks only of what nobody knows."""
    tell("2018-01-01 70000\n2020-01-01 120000 cooler rear original", history="unknown")
    for rule in ("left out", "new at first sight", "original"):
        assert of("cooler-split", rule)[0] == [(70_000, 120_000, inf, 1)]


def test_a_complete_history_needs_no_rule(tell: Tell, of) -> None:
    tell("2018-01-01 70000\n2019-01-01 95000 pump - failed pump-leak")
    for rule in ("left out", "new at first sight", "original"):
        assert of("pump-leak", rule) == ([(0, 95_000, 95_000, 1)], of("pump-leak", "left out")[1])


def test_an_age_lost_to_a_cure_elsewhere(tell: Tell, of) -> None:
    """Split at 80,000 km, whole at 90,000 km, split at 130,000 km: new there it is 40,000; original it cannot be."""
    tell(
        "2016-01-01 80000 cooler rear failed cooler-split\n2017-01-01 90000 cooler rear good cooler-split\n"
        "2018-01-01 130000 cooler rear failed cooler-split"
    )
    first = (0, 80_000, 80_000, 1)
    assert of("cooler-split", "left out")[0] == [first]
    assert of("cooler-split", "new at first sight")[0] == [(0, 40_000, 40_000, 1), first]
    rows, evidence = of("cooler-split", "original")
    assert rows == [first]
    assert evidence.unknown_start == 1


@pytest.mark.parametrize("mode", ["cooler-split", "cooler-clogged"])
@pytest.mark.parametrize("rule", ["new at first sight", "original"])
def test_failed_in_the_first_visit_is_not_a_life_of_no_distance(tell: Tell, of, mode: str, rule: str) -> None:
    """Seen because it failed; new at first sight it would have failed at 0 km. A hidden original one failed by then."""
    tell(f"2018-01-01 70000 cooler rear failed {mode}\n2019-01-01 90000", history="unknown")
    rows, evidence = of(mode, rule)
    if (mode, rule) == ("cooler-clogged", "original"):
        assert rows == [(0, 0, 70_000, 1)]
    else:
        assert (rows, evidence.at_entry) == ([], 1)


def test_a_clean_of_an_assumed_age_takes_its_share(tell: Tell, of) -> None:
    """Flushed (0.6) at 120,000 km, 50,000 km after first sight: 20,000 km left; as original 48,000."""
    tell(
        "2018-01-01 70000\n2019-01-01 120000 cooler rear good cooler-clogged cleaned\n"
        "2020-01-01 130000 cooler rear failed cooler-clogged",
        history="unknown",
    )
    assert of("cooler-clogged", "new at first sight")[0] == [(0, 50_000, inf, 1), (20_000, 20_000, 30_000, 1)]
    assert of("cooler-clogged", "original")[0] == [(0, 120_000, inf, 1), (48_000, 48_000, 58_000, 1)]


def test_another_rule_is_refused(store: Store, book: Book) -> None:
    with pytest.raises(NameNotKnown, match=r"no rule for unknown starts is called 'new'. Did you mean"):
        lifetimes(store, book, unknown_start="new")  # type: ignore[arg-type]
