"""No sentence claims more than its evidence: the words are true of the interval and grow weaker as it widens."""

from __future__ import annotations

import re
from math import inf

import pytest
from hypothesis import given
from hypothesis import strategies as st

from wearlore.answers import ModeSummary
from wearlore.answers.guide import Difference
from wearlore.estimate import Estimate
from wearlore.lives import Evidence
from wearlore.report.guide.wording import (
    HOW_COMMON,
    basis,
    chances,
    difference,
    from_distance,
    how_common,
    money_between,
    verdict,
)
from wearlore.units import Units

KM = Units()
MILES = Units(distance="miles")


def between(value: float, low: float, high: float) -> Estimate:
    return Estimate(value, low, high)


shares = st.lists(st.floats(0, 1), min_size=3, max_size=3).map(lambda x: between(sorted(x)[1], min(x), max(x)))
distances = st.tuples(st.floats(500, 400_000), st.floats(1.0, 30), st.floats(0, 1)).map(
    lambda x: between(x[0] * x[1] ** x[2], x[0], x[0] * x[1])
)


def numbers(text: str) -> list[float]:
    return [float(found.replace(",", "")) for found in re.findall(r"\d[\d,]*\.?\d*", text)]


# how common ----------------------------------------------------------------------------------------------------------


@given(shares)
def test_the_words_are_true_of_all_that_the_interval_allows(share):
    claim = how_common(share)
    assert claim.low <= share.low
    assert share.high <= claim.high


@given(shares, st.floats(0, 1), st.floats(0, 1))
def test_a_wider_interval_never_brings_a_stronger_word(share, down, up):
    wider = between(share.value, share.low * down, share.high + (1 - share.high) * up)
    strong, weak = how_common(share), how_common(wider)
    assert strong.high - strong.low <= weak.high - weak.low


def test_every_word_can_be_reached_and_nothing_known_is_said_to_be_so():
    middle = {claim.words: between((claim.low + claim.high) / 2, claim.low, claim.high) for claim in HOW_COMMON}
    assert {how_common(share).words for share in middle.values()} == set(middle)
    assert "do not know" in how_common(between(0.5, 0.0, 1.0)).words


@pytest.mark.parametrize(
    ("low", "high", "words"),
    [
        (0.0, 0.015, "rare"),
        (0.0, 0.09, "uncommon"),
        (0.0, 0.11, "few have had it"),
        (0.0, 0.4, "most have not had it"),
        (0.12, 0.21, "some have had it"),
        (0.3, 0.7, "common"),
        (0.51, 0.8, "most have had it"),
        (0.95, 1.0, "almost every one"),
        (0.05, 0.9, "not rare"),
    ],
)
def test_common_and_rare_only_where_the_whole_interval_lies_there(low, high, words):
    assert words in how_common(between((low + high) / 2, low, high)).words


# from what distance --------------------------------------------------------------------------------------------------


@given(distances, st.sampled_from([KM, MILES]))
def test_a_distance_says_no_more_than_its_interval(at, units):
    claim = from_distance(at, units)
    told = [units.to_km(x) for x in numbers(claim.words)]
    if claim.words.startswith("about"):
        assert at.high <= 1.61 * at.low
        assert at.low - units.to_km(1) <= told[0] <= at.high + units.to_km(1)  # told to the whole unit
    else:
        assert told[0] <= at.low * 1.0001
        assert told[1] >= at.high * 0.9999
        assert claim.low <= at.low * 1.0001


@given(distances, st.floats(1, 5), st.floats(1, 5))
def test_a_wider_interval_never_sounds_surer_of_the_distance(at, down, up):
    order = ["about", "between", "somewhere", "not before", "we do not know"]
    first, second = (
        next(k for k, start in enumerate(order) if from_distance(one, KM).words.startswith(start))
        for one in (at, between(at.value, at.low / down, at.high * up))
    )
    assert first <= second


def test_what_is_not_bounded_is_not_bounded_in_words():
    assert from_distance(between(90_000, 61_000, inf), KM).words.startswith("not before 6")
    assert "do not know" in from_distance(between(90_000, 0, inf), KM).words


def test_digits_are_those_that_the_interval_supports():
    assert from_distance(between(90_312, 81_212, 99_871), KM).words == "about 90,000 km"
    assert from_distance(between(90_312, 62_212, 139_871), KM).words == "between 60,000 and 140,000 km"


# numbers, evidence, comparison ---------------------------------------------------------------------------------------


@given(shares)
def test_chances_are_told_outwards(share):
    told = numbers(chances(share))
    low, high = (0.0, told[0]) if chances(share).startswith("at most") else (told[0], told[-1])
    assert low <= 100 * share.low + 1e-6
    assert high >= 100 * share.high - 1e-6


@given(st.floats(0, 5000), st.floats(0, 5000))
def test_money_is_told_outwards(one, other):
    low, high = sorted((one, other))
    told = numbers(money_between(between(low, low, high), KM))
    assert told[0] <= low + 1e-6 or len(told) == 1
    assert told[-1] >= high - 1e-6


def row(share: float, failures: int, vehicles: int = 100) -> ModeSummary:
    at = between(9e4, 8e4, 1e5)
    seen = Evidence(exact=failures, good=vehicles, vehicles=vehicles)
    return ModeSummary("m", "M", "c", "s", "evident", "nuisance", at, at, at, share, seen)


@pytest.mark.parametrize(
    ("share", "failures", "said"),
    [
        (0.9, 214, "measured on 214 failures in 100 vehicles"),
        (0.49, 3, "more judgement than record: 3 failures in 100 vehicles"),
        (0.01, 1, "judgement; 1 failure in 100 vehicles on record"),
        (0.6, 0, "judgement; no failure yet in 100 vehicles"),
    ],
)
def test_measured_only_where_records_say_most_of_it(share, failures, said):
    assert basis(row(share, failures)) == said


def other(verdict: str, low: float, high: float, *, sure: bool) -> Difference:
    return Difference(
        "revision", "revision B", "revision A", between((low + high) / 2, low, high), verdict, 0.01, sure, 50.0
    )


@given(st.sampled_from(["longer", "shorter", "alike", "open"]), st.floats(0.1, 5), st.floats(0, 5), st.booleans())
def test_longer_and_shorter_only_where_the_interval_excludes_one(said, low, more, sure):
    one = other(said, low, low + more, sure=sure)
    if verdict(one) in ("sure", "perhaps"):
        assert low > 1 or low + more < 1
    if low <= 1 <= low + more:
        assert not re.search(r"\b(longer|shorter)\b", difference(one))


def test_one_of_many_comparisons_may_be_chance_and_says_so():
    assert "lasts longer than revision A" in difference(other("longer", 1.3, 2.0, sure=True))
    assert "may still be chance" in difference(other("longer", 1.3, 2.0, sure=False))
    assert difference(other("open", 0.7, 2.0, sure=False)) == "No difference shown between revision B and revision A"
