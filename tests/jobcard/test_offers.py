"""Which offer of a part is bought: by grade, then by what supersedes what, then by date and price."""

from datetime import date

import pytest

from wearlore.book.model import Part

OLD, NEW = date(2015, 1, 1), date(2022, 1, 1)


def part(*offers):
    return Part(name="part", offers=offers)


def bought(offers, grade="original", built=NEW, variant="v"):
    offer = part(*offers).offer_for(grade, variant, built)
    return offer and offer.number


def offer(number, price=1.0, **fields):
    return {"number": number, "price": price, **fields}


@pytest.mark.parametrize("backwards", [False, True])
@pytest.mark.parametrize(
    ("offers", "grade", "number"),
    [
        ([offer("A"), offer("B", 9, supersedes="A")], "original", "B"),
        ([offer("A"), offer("B", 9, supersedes="A"), offer("C", 9, supersedes="B")], "original", "C"),
        ([offer("A"), offer("E", grade="economy", supersedes="A")], "original", "A"),  # another grade replaces nothing
        ([offer("A", 9), offer("B", 5, from_date=date(2020, 1, 1))], "original", "B"),
        ([offer("A", 9), offer("B", 5)], "original", "B"),
        ([offer("A"), offer("U", grade="upgrade")], "upgrade", "U"),
        ([offer("A", 9), offer("E", 2, grade="economy")], "upgrade", "A"),
        ([offer("Q", 9, grade="equivalent"), offer("E", 2, grade="economy")], "upgrade", "E"),
        ([offer("A", variants=["other"]), offer("B", 9)], "original", "B"),
        ([offer("A", to_date=date(2018, 1, 1)), offer("B", 9)], "original", "B"),
        ([offer("A", supersedes="B"), offer("B", 2, supersedes="A")], "original", "A"),  # a ring still leaves an offer
    ],
)
def test_offer_bought(offers, grade, number, backwards):
    """The order in which the book lists offers says nothing."""
    assert bought(offers[::-1] if backwards else offers, grade) == number


def test_successor_that_does_not_fit_replaces_nothing():
    offers = [offer("A"), offer("B", supersedes="A", from_date=date(2020, 1, 1))]
    assert (bought(offers, built=OLD), bought(offers, built=NEW)) == ("A", "B")


def test_nothing_that_fits_is_none():
    assert bought([offer("A", variants=["other"])]) is None
