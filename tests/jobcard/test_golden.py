"""One visit on the small book, worked out by hand: order, hours, parts and price."""

from dataclasses import replace
from datetime import date

import pytest

from wearlore.errors import NameNotKnown, ScopeError
from wearlore.jobcard import Chosen, Need, Reason, compose, owner_page

ALL_THREE = (Chosen("renew-pump"), Chosen("renew-idler"), Chosen("change-oil"))


@pytest.fixture(scope="module")
def card(book, van):
    return compose(book, van, ALL_THREE)


def test_order_of_work(card):
    """Oil is drained while warm, coolant once cold; build-up mirrors strip-down; the tray stays off for the check."""
    assert [(step.stage, step.title) for step in card.steps] == [
        ("warm", "Take the undertray off"),
        ("warm", "Drain the oil"),
        ("strip-down", "Take the auxiliary belt off"),
        ("strip-down", "Let the engine cool down"),
        ("strip-down", "Drain the coolant"),
        ("strip-down", "Take the water pump off"),
        ("strip-down", "Take the idler off"),
        ("remedy", "Renew the thermostat insert"),
        ("build-up", "Fit the idler"),
        ("build-up", "Fit the water pump"),
        ("build-up", "Fit the auxiliary belt"),
        ("closing", "Fill the oil"),
        ("closing", "Fill the coolant"),
        ("closing", "Bleed the cooling system"),
        ("closing", "Look for leaks from below"),
        ("closing", "Fit the undertray"),
    ]
    assert [step.number for step in card.steps] == list(range(1, 17))


def test_closing_work_follows_the_books_list(book, van):
    """Nothing but the list says which fill comes first; the specialist orders them by listing them."""
    ids = [*book.operations]
    first, second = ids.index("fill-oil"), ids.index("fill-coolant")
    ids[first], ids[second] = ids[second], ids[first]
    other = book.model_copy(update={"operations": {id_: book.operations[id_] for id_ in ids}})
    closing = [step.title for step in compose(other, van, ALL_THREE).steps if step.stage == "closing"]
    assert closing[:2] == ["Fill the coolant", "Fill the oil"]


def test_closing_check_that_wants_a_warm_engine_comes_last(book, van):
    """Bleeding and the leak check stand before it in the book, but only a running engine warms up."""
    codes = book.operations["bleed"].model_copy(update={"name": "Read the codes", "state": "any", "then": ()})
    drain = book.operations["drain-coolant"].model_copy(update={"then": ("fill-coolant", "codes")})
    check = book.operations["leak-check"].model_copy(update={"needs": ()})
    changed = {"drain-coolant": drain, "leak-check": check, "codes": codes}
    other = book.model_copy(update={"operations": book.operations | changed})
    closing = [step.title for step in compose(other, van, ALL_THREE).steps if step.stage == "closing"]
    assert closing[2:5] == ["Read the codes", "Bleed the cooling system", "Look for leaks from below"]


def test_hours_are_the_union_and_the_overlap_is_shown(card):
    """Undertray .4, belt .5, coolant .3 + .2, pump 1.7, idler .25, thermostat .25, oil .3 + .15, bleed .3, look .1."""
    assert card.hours == pytest.approx(4.45)
    alone = {item.name: item.hours_alone for item in card.items}
    assert alone == pytest.approx(
        {"Renew water pump": 3.5, "Renew thermostat": 3.75, "Renew idler": 1.15, "Change oil": 0.95}
    )
    assert card.hours_saved == pytest.approx(9.35 - 4.45)
    shared = {one.name: (one.hours, one.items, one.saved) for one in card.shared}
    assert shared["Take the auxiliary belt off"] == (
        pytest.approx(0.5),
        ("Renew water pump", "Renew idler", "Renew thermostat"),
        pytest.approx(1.0),
    )
    assert sum(one.saved for one in card.shared) == pytest.approx(4.9)


def test_companion_comes_along_once_and_says_with_what(card, book, van):
    companion = next(item for item in card.items if item.remedy == "renew-thermostat")
    assert companion.with_item == "Renew water pump"
    both = compose(book, van, (Chosen("renew-thermostat"), Chosen("renew-pump")))
    assert [item.with_item for item in both.items] == ["", ""]


def test_parts_with_number_quantity_and_why(card):
    """Every spoiled part and one-time-use fastener comes from the operations; nothing typed in a remedy repeats it."""
    assert {line.number: (line.quantity, line.needs) for line in card.parts} == {
        "WP-2": (1, (Need("remedy", "Renew water pump", 1),)),
        "T-1": (1, (Need("remedy", "Renew thermostat", 1),)),
        "I-1": (1, (Need("remedy", "Renew idler", 1),)),
        "W-1": (1, (Need("spoiled", "Drain the oil", 1),)),
        "R-32": (
            2,
            (Need("spoiled", "Take the water pump off", 1), Need("spoiled", "Renew the thermostat insert", 1)),
        ),
        "B-1": (6, (Need("one-time use", "Take the water pump off", 6),)),
    }


@pytest.mark.parametrize(
    ("built", "grade", "number"),
    [
        (date(2019, 5, 1), "original", "WP-2"),  # WP-1 is superseded, WP-3 is for later engines
        (date(2022, 5, 1), "original", "WP-3"),
        (date(2019, 5, 1), "equivalent", "EQ-7"),
        (date(2019, 5, 1), "upgrade", "WP-2"),  # not offered: the original
    ],
)
def test_part_of_the_right_revision_and_grade(book, van, built, grade, number):
    card = compose(book, replace(van, built=built), (Chosen("renew-pump", grade=grade),))
    assert next(line.number for line in card.parts if line.part == "pump") == number


def test_named_offer_is_the_one_fitted(book, van):
    first = book.parts["pump"].offers[0]
    card = compose(book, van, (Chosen("renew-pump", offers={"pump": first}),))
    assert next(line for line in card.parts if line.part == "pump").number == "WP-1"


def test_fasteners_show_torque_when_tightened_and_care_when_undone(card):
    off, on = (next(step for step in card.steps if step.title.endswith(f"the water pump{end}")) for end in (" off", ""))
    (bolts,) = off.fasteners
    assert (bolts.torque, bolts.one_time_use) == ((), True)
    bolts, clip = on.fasteners
    assert (bolts.count, bolts.size, bolts.torque, bolts.angles) == (6, "M8", (20.0,), (90.0,))
    assert clip.name == "pipe clip"
    idler = next(step for step in card.steps if step.title == "Take the idler off")
    assert idler.fasteners[0].left_hand


def test_new_parts_go_in_where_the_work_puts_them(card):
    at = {step.title: {supply.id: supply.quantity for supply in step.parts} for step in card.steps}
    assert at["Fit the water pump"] == {"pump": 1, "ring-32": 1, "pump-bolt": 6}
    assert at["Renew the thermostat insert"] == {"thermostat": 1, "ring-32": 1}
    assert at["Fit the idler"] == {"idler": 1}
    assert at["Drain the oil"] == {"plug-washer": 1}
    assert at["Take the water pump off"] == {}


def test_estimate_to_the_cent(card):
    """Labour 124.00 + 41.60 + 46.40 + 144.00, parts 173.77, consumables 88.30, hire 12, visit 25; tax 20 %."""
    kinds = {}
    for line in card.estimate.lines:
        kinds.setdefault(line.kind, []).append(line.amount)
    assert kinds["labour"] == [124.0, 41.6, 46.4, 144.0]
    assert round(sum(kinds["part"]), 2) == 173.77
    assert round(sum(kinds["consumable"]), 2) == 88.3
    assert (kinds["hire"], kinds["fixed"]) == ([12.0], [25.0])
    assert (card.estimate.subtotal, card.estimate.tax, card.estimate.total) == (655.07, 131.01, 786.08)


def test_terms_given_replace_the_books(book, van):
    card = compose(book, van, (Chosen("renew-idler"),), labour_rate=100.0, visit_fixed=0.0, tax=0.0)
    assert [(line.kind, line.amount) for line in card.estimate.lines] == [("labour", 115.0), ("part", 27.4)]
    assert card.estimate.total == 142.4


def test_same_remedy_on_two_positions(book, van):
    """The operation is one, the parts are two."""
    card = compose(book, van, (Chosen("renew-injector", "cylinder 1"), Chosen("renew-injector", "cylinder 2")))
    assert card.hours == pytest.approx(0.7)
    assert [line.quantity for line in card.parts] == [2]
    assert [item.title for item in card.items] == ["Renew injector (cylinder 1)", "Renew injector (cylinder 2)"]
    assert card.steps[0].licensed == "Fuel under high pressure; trained persons only"


def test_tools_say_whether_they_are_here(card, book, van):
    (bleeder,) = card.tools
    assert (bleeder.ownership, bleeder.charge) == ("hire", 12.0)
    assert [card.steps[number - 1].title for number in bleeder.steps] == ["Bleed the cooling system"]
    puller = compose(book, van, (Chosen("renew-injector", "cylinder 1"),)).tools[0]
    assert (puller.ownership, puller.charge) == ("owned", 0.0)


@pytest.mark.parametrize(
    ("chosen", "error", "says"),
    [
        (Chosen("renew-pmp"), NameNotKnown, "renew-pump"),
        (Chosen("renew-injector"), NameNotKnown, "cylinder 1"),
        (Chosen("renew-injector", "cylinder 9"), NameNotKnown, "cylinder 1"),
        (Chosen("renew-injector", "cylinder 1"), ScopeError, "not for variant 'short'"),
    ],
)
def test_what_cannot_be_done_is_said(book, van, chosen, error, says):
    with pytest.raises(error, match=says):
        compose(book, replace(van, variant="short"), (chosen,))


def test_operations_in_a_ring_are_named(book, van):
    ring = {
        "belt-off": book.operations["belt-off"].model_copy(update={"needs": ("idler-off",)}),
    }
    tangled = book.model_copy(update={"operations": book.operations | ring})
    with pytest.raises(ScopeError, match=r"belt off → .*idler off → |idler off → .*belt off → "):
        compose(tangled, van, (Chosen("renew-idler"),))


def test_no_work_is_an_empty_card(book, van):
    card = compose(book, van, (), visit_fixed=0.0)
    assert (card.steps, card.parts, card.hours, card.estimate.total) == ((), (), 0.0, 0.0)


def test_owner_page_parts_now_from_later(card):
    now, later = Reason("Water pump", True), Reason("Injector", False, wait_until_km=180_000.0)
    page = owner_page(card, found=("The water pump leaks.",), reasons=(later, now), horizon_km=100_000.0)
    assert (page.advised, page.waiting) == ((now,), (later,))
    assert page.estimate is card.estimate
