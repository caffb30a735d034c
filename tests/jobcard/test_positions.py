"""Work at each position is done and paid for at each; the way to it is opened once."""

from datetime import date

import pytest

from wearlore.access import Access
from wearlore.jobcard import Chosen, compose


@pytest.fixture
def by_cylinder(book):
    """The small book with the injector's own exchange done anew at each cylinder."""
    own = book.remedies["renew-injector"].operations[-1]
    operations = {**book.operations, own: book.operations[own].model_copy(update={"each_position": True})}
    return book.model_copy(update={"operations": operations}), own


def test_two_injectors_take_the_exchange_twice_and_the_way_once(by_cylinder, van):
    book, own = by_cylinder
    one = compose(book, van, [Chosen("renew-injector", "cylinder 1")])
    both = compose(book, van, [Chosen("renew-injector", place) for place in ("cylinder 1", "cylinder 2")])
    assert both.hours == pytest.approx(one.hours + book.operations[own].total_hours)
    titles = sorted(step.title for step in both.steps if step.operation.startswith(own))
    assert titles == [
        f"{act} the injector{out} (cylinder {n})" for act, out in (("Fit", ""), ("Take", " out")) for n in (1, 2)
    ]
    assert both.estimate.hours == pytest.approx(both.hours)


def test_without_the_mark_the_work_is_done_once(book, van):
    one = compose(book, van, [Chosen("renew-injector", "cylinder 1")])
    both = compose(book, van, [Chosen("renew-injector", place) for place in ("cylinder 1", "cylinder 2")])
    assert both.hours == pytest.approx(one.hours)


def test_the_access_of_a_remedy_is_that_of_its_position(by_cylinder):
    book, own = by_cylinder
    access = Access.of(book, "long", date(2019, 5, 1))
    remedy = book.remedies["renew-injector"]
    assert access.of_remedy(remedy, "cylinder 2")[-1] == f"{own}@cylinder 2"
    assert access.of_remedy(remedy, "") == remedy.operations
