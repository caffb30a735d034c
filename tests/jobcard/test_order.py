"""The order of work where a wrong one would hurt: small graphs, each with the one order that is right."""

import pytest

from wearlore.book.model import Operation, Refit
from wearlore.errors import ScopeError
from wearlore.jobcard.order import arrange


def operation(*, back=False, **fields):
    return Operation(name="op", hours=0.1, refit=Refit(name="back", hours=0.1) if back else None, **fields)


def order(operations, *own):
    marks = {"off": "-", "on": "+", "do": ""}
    return [marks[act.half] + act.operation for act, _ in arrange(operations, [[id_] for id_ in own])]


def test_vehicle_is_lowered_after_the_look_from_below_and_before_the_road_test():
    """The road test needs nothing that is off, yet nothing may be off on the road; the book lists it first."""
    operations = {
        "road-test": operation(closing=True),
        "look": operation(closing=True, needs=("lift",)),
        "lift": operation(back=True),
        "work": operation(needs=("lift",), then=("road-test", "look")),
    }
    assert order(operations, "work") == ["-lift", "work", "look", "+lift", "road-test"]


def test_what_others_need_off_stays_off_until_they_are_back():
    """A warm test wants the cover back on (``then``), and the pump still sits behind that cover."""
    operations = {
        "cover": operation(back=True, then=("seal-check",)),
        "seal-check": operation(),
        "warm-test": operation(needs=("seal-check",), state="warm"),
        "pump": operation(back=True, needs=("cover",)),
    }
    assert order(operations, "warm-test", "pump") == ["-cover", "-pump", "+pump", "+cover", "seal-check", "warm-test"]


def test_check_follows_the_thing_put_back_even_when_it_needs_it():
    """``needs`` and ``then`` on the same thing: the check is of the thing put back."""
    operations = {"pipe": operation(back=True, then=("leak-test",)), "leak-test": operation(needs=("pipe",))}
    assert order(operations, "pipe") == ["-pipe", "+pipe", "leak-test"]


def test_warm_work_comes_first_with_what_must_come_off_for_it():
    operations = {
        "tray": operation(back=True),
        "drain-coolant": operation(state="cold", needs=("tray",)),
        "drain-oil": operation(state="warm", needs=("tray", "cover")),
        "cover": operation(back=True),
    }
    expected = ["-tray", "-cover", "drain-oil", "drain-coolant", "+cover", "+tray"]
    assert order(operations, "drain-coolant", "drain-oil") == expected


def test_warm_work_behind_cold_work_waits_for_it():
    operations = {"cold": operation(state="cold"), "warm": operation(state="warm", needs=("cold",))}
    assert order(operations, "warm") == ["cold", "warm"]


@pytest.mark.parametrize(
    "operations",
    [
        {"a": operation(needs=("a",))},
        {"a": operation(needs=("b",)), "b": operation(needs=("a",))},
        {"a": operation(then=("b",)), "b": operation(then=("a",))},
        {"a": operation(needs=("b",), then=("b",)), "b": operation()},
    ],
    ids=["itself", "needs", "then", "before and after"],
)
def test_a_ring_is_refused(operations):
    with pytest.raises(ScopeError, match="wait for each other: op → "):
        order(operations, "a")
