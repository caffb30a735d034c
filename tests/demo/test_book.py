"""The demo book holds what a demonstration of every part of the tool needs, and a mechanic would believe it."""

from __future__ import annotations

from math import log
from pathlib import Path

import pytest

from wearlore import demo
from wearlore.book.load import read
from wearlore.book.model import Book, Operation
from wearlore.book.review import review


def closure(book: Book, ids: tuple[str, ...]) -> set[str]:
    """Operations reached over ``needs``, told apart from the tool's own access graph."""
    reached: set[str] = set()
    waiting = list(ids)
    while waiting:
        if (one := waiting.pop()) not in reached:
            reached.add(one)
            waiting += book.operations[one].needs
    return reached


def cures(book: Book, mode: str) -> list[set[str]]:
    return [closure(book, remedy.operations) for _, remedy in book.remedies_for(mode)]


def test_review_finds_nothing_but_what_stands_there_on_purpose():
    tool, oil = sorted(review(*read(demo.BOOK)), key=lambda finding: finding.path, reverse=True)
    assert "balance-pin" in str(tool)
    assert (oil.severity, oil.path) == ("note", "components.engine-oil")


def test_it_holds_what_the_demonstration_names(book):
    assert len(book.modes) >= 34
    assert len(book.variants) == 2
    assert len([c for c in book.components.values() if c.revisions]) == 3
    assert sum(1 for op in book.operations.values() if not op.closing) >= 70
    assert sum(1 for mode in book.modes.values() if mode.noticed == "hidden") >= 10
    assert len(book.parts) >= 60
    systems = {component.system for component in book.components.values()}
    assert systems >= {
        "lubrication", "cooling", "induction", "exhaust-gas recirculation", "timing", "fuel", "turbo", "electrics",
        "belts", "mounts",
    }  # fmt: skip


def test_parts_come_in_all_source_grades(book):
    grades = [{offer.grade for offer in part.offers} for part in book.parts.values()]
    assert set.union(*grades) == {"original", "equivalent", "economy", "upgrade"}
    assert sum(len(g) > 1 for g in grades) >= 20


def test_fasteners_show_every_kind(book):
    fasteners = [f for op in book.operations.values() for f in op.fasteners]
    assert any(f.left_hand for f in fasteners)
    assert any(f.torque and len(f.torque.stages) > 1 for f in fasteners)
    assert any(f.torque and len(f.torque.angles) > 1 for f in fasteners)
    assert sum(f.one_time_use for f in fasteners) >= 10
    assert {f.property_class for f in fasteners} >= {"8.8", "10.9"}


def test_engine_states_and_signal_words_all_occur(book):
    assert {op.state for op in book.operations.values()} == {"any", "warm", "cold", "drained"}
    assert {hazard.signal for hazard in book.hazards.values()} == {"DANGER", "WARNING", "CAUTION", "NOTICE"}
    assert [id_ for id_, op in book.operations.items() if op.licensed] == ["recover-refrigerant"]


def test_one_special_tool_is_hired_and_one_is_missing(book):
    not_owned = {id_: tool for id_, tool in book.tools.items() if not tool.owned}
    assert any(tool.hire is not None for tool in not_owned.values())
    assert any(tool.hire is None for tool in not_owned.values())


@pytest.mark.parametrize(
    "mode", ["chain-stretch", "rear-seal-leak", "flywheel-play", "clutch-worn", "slave-leak", "tensioner-rattle"]
)
def test_the_gearbox_end_shares_the_removal_of_the_gearbox(book, mode):
    assert all("gearbox-off" in operations for operations in cures(book, mode))


@pytest.mark.parametrize("mode", ["water-pump-leak", "glow-plug-open", "belt-cracks", "egr-valve-sticks"])
def test_other_work_leaves_the_gearbox_in_place(book, mode):
    assert not any("gearbox-off" in operations for operations in cures(book, mode))


def test_a_revision_removes_a_mode_and_a_variant_lacks_components(book):
    crack = book.modes["filter-housing-crack"]
    assert crack.applies("m96", "A")
    assert not crack.applies("m96", "B")
    only = {id_ for id_, component in book.components.items() if component.variants == ("m118",)}
    assert only == {"balance-shafts", "second-egr-cooler"}


def test_every_kind_of_remedy_occurs(book):
    assert {remedy.kind for remedy in book.remedies.values()} == {"renew", "clean", "guard"}
    assert any(remedy.companions for remedy in book.remedies.values())
    outside = [id_ for id_, mode in book.modes.items() if mode.cause == "outside"]
    guarded = {mode for r in book.remedies.values() if r.kind == "guard" for mode in r.cures}
    assert guarded
    assert guarded <= set(outside)


def test_every_mode_can_be_seen_by_some_inspection(book):
    for id_, mode in book.modes.items():
        assert mode.belief is not None, id_
        assert any(set(i.observes) & set(mode.observations) for i in book.inspections.values()), id_


def test_work_that_can_hurt_names_its_hazard(book):
    def hazards(op: Operation) -> set[str]:
        return {*op.hazards, *(op.refit.hazards if op.refit else ())}

    for op, hazard in {
        "gearbox-off": "heavy-gearbox", "engine-support": "engine-hanging", "raise-van": "lift",
        "drain-coolant": "hot-coolant", "high-pressure-lines-off": "fuel-pressure", "blast-ports": "blasting",
        "prime-oil-pressure": "no-oil-pressure", "recover-refrigerant": "refrigerant", "battery-off": "battery",
    }.items():  # fmt: skip
        assert hazard in hazards(book.operations[op]), op


@pytest.mark.parametrize(
    ("opened", "closing"),
    [
        ("drain-coolant", {"bleed-cooling", "pressure-test-cooling"}),
        ("drain-oil", {"prime-oil-pressure", "oil-leak-check"}),
        ("gearbox-off", {"bleed-clutch"}),
        ("boost-pipes-off", {"boost-leak-test"}),
        ("exhaust-front-off", {"read-and-clear-codes"}),
        ("depressurise-fuel", {"bleed-fuel", "read-and-clear-codes"}),
    ],
)
def test_what_is_opened_is_checked_and_driven_before_it_leaves(book, opened, closing):
    followed: set[str] = set()
    waiting = [opened]
    while waiting:
        for one in book.operations[waiting.pop()].then:
            assert book.operations[one].closing
            followed.add(one)
            waiting.append(one)
    assert closing | {"road-test", "look-again"} <= followed


def test_beliefs_are_plausible_and_are_not_the_truth(book, truth):
    held = 0
    for id_, mode in book.modes.items():
        for quantile in mode.belief.quantiles:
            true = truth.modes[id_].quantile(quantile.share)
            assert abs(log(quantile.at / true)) > 0.01, id_
            held += quantile.between[0] <= true <= quantile.between[1]
    assert held >= 0.75 * 2 * len(book.modes)


def test_the_page_tells_the_counts_of_the_book(book):
    page = (Path(__file__).parents[2] / "docs" / "demo-family.md").read_text(encoding="utf-8")
    hidden = sum(mode.noticed == "hidden" for mode in book.modes.values())
    for told in (
        f"{len(book.components)} components", f"{len(book.modes)} failure modes ({hidden} hidden)",
        f"{len(book.observations)} observations and {len(book.inspections)} inspections",
        f"{len(book.operations)} labour operations", f"{len(book.remedies)} remedies", f"{len(book.parts)} parts",
    ):  # fmt: skip
        assert told in page, told
