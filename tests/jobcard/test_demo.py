"""Cards of the demo book: every remedy, alone and all at once, on every variant."""

from collections import Counter
from datetime import date

import pytest

from wearlore.book.load import load
from wearlore.demo import BOOK
from wearlore.jobcard import Chosen, compose
from wearlore.vehicle import Vehicle

BUILT = (date(2014, 6, 1), date(2018, 6, 1), date(2022, 6, 1))


@pytest.fixture(scope="module")
def book():
    return load(BOOK)


def chosen_on(book, variant):
    return [
        Chosen(id_, place)
        for id_, remedy in book.remedies.items()
        if not remedy.variants or variant in remedy.variants
        for place in book.components[remedy.component].places
    ]


@pytest.mark.parametrize("built", BUILT, ids=str)
def test_every_remedy_has_a_card_on_every_variant(book, built):
    for variant in book.variants:
        van = Vehicle("van", variant, built, 150_000.0)
        for one in chosen_on(book, variant):
            card = compose(book, van, [one])
            assert card.steps
            assert card.estimate.total > 0
            assert all(line.number for line in card.parts)


def test_all_at_once_each_operation_is_done_once(book):
    for variant in book.variants:
        card = compose(book, Vehicle("van", variant, BUILT[1], 150_000.0), chosen_on(book, variant))
        acts = Counter((step.operation, step.half) for step in card.steps if step.operation)
        assert set(acts.values()) == {1}
        done = {step.operation for step in card.steps if step.operation}
        assert card.hours == pytest.approx(sum(book.operations[id_.partition("@")[0]].total_hours for id_ in done))
        assert card.hours_saved == pytest.approx(sum(one.saved for one in card.shared))
