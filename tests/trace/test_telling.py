"""Words of the book -> what is told."""

from __future__ import annotations

from copy import deepcopy

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.trace.family import WHOLE, case
from wearlore.book.model import Book
from wearlore.errors import NameNotKnown, TraceError
from wearlore.trace import Told, told, written

CODED = deepcopy(WHOLE)
CODED["observations"] |= {
    "code-low": {"name": "Pressure low", "kind": "code", "code": "P0524"},
    "code-range": {"name": "Sensor range", "kind": "code", "code": "P0521"},
}
BOOK = Book.model_validate(CODED)


def test_what_was_seen_and_what_was_not():
    assert told(BOOK, saw=["knock", "oil-back:dye", "knock"], absent=["oil-top:glance"]) == (
        Told("knock"), Told("oil-back", by="dye"), Told("oil-top", False, by="glance"),
    )  # fmt: skip


def test_a_dry_zone_is_dry_of_every_fluid():
    assert told(BOOK, dry=["top", "oil-back"]) == tuple(Told(x, False) for x in ("oil-top", "water-top", "oil-back"))


def test_codes_by_their_letters_and_digits():
    assert told(BOOK, codes=["p0524"]) == told(BOOK, codes=["code-low"]) == (Told("code-low"),)
    assert told(BOOK, codes=["P0524"], codes_read=True) == (Told("code-low"), Told("code-range", False))
    assert told(BOOK, codes_read=True) == (Told("code-low", False), Told("code-range", False))


def test_readings_and_causes():
    assert told(BOOK, readings=["pressure=-0.5"], found=["mount-torn@left"], good=["seal-leaks"]) == (
        Told("pressure", value=-0.5), Told("mount-torn@left"), Told("seal-leaks", False),
    )  # fmt: skip


@pytest.mark.parametrize(
    ("said", "error", "words"),
    [
        ({"saw": ["nock"]}, NameNotKnown, "no observation is called 'nock'. Did you mean knock"),
        ({"absent": ["knock:dyee"]}, NameNotKnown, "no inspection is called 'dyee'. Did you mean dye"),
        ({"dry": ["sup"]}, NameNotKnown, "no zone or wet observation is called 'sup'. Did you mean sump"),
        ({"dry": ["z"]}, TraceError, "nothing in zone z can be wet in this book. Zones where it can: top, back, sump"),
        ({"codes": ["P0525"]}, NameNotKnown, "no trouble code is called 'P0525'. Did you mean P0524"),
        ({"codes": ["knock"]}, NameNotKnown, "no trouble code is called 'knock'"),
        ({"readings": ["presure=2"]}, NameNotKnown, "no reading is called 'presure'. Did you mean pressure"),
        ({"readings": ["pressure"]}, TraceError, "'' is no value of pressure. Give a number: pressure=1.5"),
        ({"readings": ["pressure=low"]}, TraceError, "'low' is no value"),
        ({"readings": ["pressure=nan"]}, TraceError, "'nan' is no value"),
        ({"readings": ["pressure=inf"]}, TraceError, "'inf' is no value"),
        ({"found": ["seal-leak"]}, NameNotKnown, "no failure mode is called 'seal-leak'. Did you mean seal-leaks"),
        ({"good": ["knock"]}, NameNotKnown, "no failure mode is called 'knock'"),
    ],
)
def test_what_is_not_in_the_book_is_named(said, error, words):
    with pytest.raises(error) as caught:
        told(BOOK, **said)
    assert words in str(caught.value)


ANY = st.one_of(
    st.builds(Told, st.sampled_from(["knock", "oil-back", "seal-leaks"]), st.booleans()),
    st.builds(lambda present: Told("oil-back", present, by="dye"), st.booleans()),
    st.builds(lambda value: Told("pressure", value=value), st.integers(-99, 99).map(lambda n: n / 8)),
)


@given(ANY)
def test_what_was_said_can_be_said_again(one):
    option, word = written(one)
    again = {"--saw": "saw", "--absent": "absent", "--read": "readings"}[option]
    assert told(BOOK, **{again: [word]}) == (one,)
    case(book=BOOK).facts([one])
