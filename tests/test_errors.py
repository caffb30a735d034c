"""What an error tells a person beyond what the parts that raise it decide."""

from __future__ import annotations

import pickle

import pytest

from wearlore.errors import NameNotKnown


@pytest.mark.parametrize(
    ("name", "known", "hint"),
    [
        ("van-7", ["van-77", "lorry-1"], "Did you mean van-77?"),
        ("VAN-7", ["van-7", "lorry-1"], "Did you mean van-7?"),
        ("pump", ["PUMP"], "Did you mean PUMP?"),
        ("x", ["van-7", "lorry-1"], "Did you mean lorry-1, van-7?"),
        ("x", [], "There is no vehicle yet."),
    ],
)
def test_a_name_that_is_not_known_brings_the_nearest_whatever_their_case(name, known, hint):
    error = NameNotKnown("vehicle", name, known)
    assert str(error) == f"no vehicle is called {name!r}. {hint}"
    assert str(pickle.loads(pickle.dumps(error))) == str(error)
