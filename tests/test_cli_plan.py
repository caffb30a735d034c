"""The command that plans: what it says of the demo, what it refuses, and the plan as a policy to simulate."""

import json
from math import inf
from types import SimpleNamespace

import pytest

from tests.plan.family import planned
from wearlore import cli
from wearlore.book.load import load, starter
from wearlore.errors import PlanError
from wearlore.plan import Asked
from wearlore.workbench import Workbench
from wearlore.workbench.plans import schedule_of


@pytest.fixture(scope="module")
def bench(demo_folder) -> Workbench:
    return Workbench(demo_folder)


@pytest.fixture(scope="module")
def plan(bench):
    return bench.plan("V00003")


def run(capsys, *words: str) -> tuple[int, str, str]:
    capsys.readouterr()
    code = cli.run(["plan", *words])
    printed = capsys.readouterr()
    return code, printed.out, printed.err


# the demo ------------------------------------------------------------------------------------------------------------


def test_a_vehicle_has_a_calendar_from_its_odometer_on(plan, bench):
    km = bench.vehicle("V00003").km
    services = [service.km for service in plan.services]
    assert services[0] >= km
    assert services[-1] <= km + 101_000
    assert all(at % 20_000 == 0 for at in services)
    looks = {job.inspection for service in plan.services for job in service.jobs if job.kind == "inspect"}
    assert "read-live-data" in looks  # the chain


def test_what_harms_the_engine_keeps_to_its_ceiling(plan):
    capped = [mode for mode in plan.plan.modes if mode.ceiling is not None]
    assert capped
    assert all(mode.chosen.held or mode.unheld for mode in capped)


def test_a_mode_that_its_cure_ends_is_named(plan):
    assert plan.ended == ("filter-housing-crack",)
    assert plan.unknown == plan.uncured == ()


@pytest.mark.slow
def test_the_effect_of_the_oil_is_found_where_it_is(bench):
    """In truth two modes of the demo age with the oil interval."""
    found = bench.fluid_interval("engine-oil", change=190.0)
    told = {effect.mode for effect in found.choice.modes}
    assert "turbo-shaft-play" in told or "chain-stretch" in told
    assert told <= {"turbo-shaft-play", "chain-stretch"}
    assert all(effect.ratio.high < 1 for effect in found.choice.modes)
    assert 10_000 < found.choice.best.value < 35_000


@pytest.mark.slow
def test_the_plan_is_a_policy_of_the_outlook(bench):
    told = bench.outlook("V00003", policies=["plan"], years=2, paths=300)
    assert told is not None


def test_json_holds_the_whole_plan(demo_folder, capsys):
    code, out, _ = run(capsys, "--mode", "belt-cracks", "--json", "--in", str(demo_folder))
    assert code == 0
    found = json.loads(out)
    assert found["mode"]["mode"] == "belt-cracks"
    kinds = {option["kind"] for option in found["mode"]["options"]}
    assert kinds == {"run-to-failure", "renew", "inspect"}
    assert len(found["curves"]) == 2


# refusals ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["--interval", "engine-oil"], "--interval and --change-cost go together"),
        (["--mode", "belt-cracks", "--interval", "engine-oil", "--change-cost", "5"], "--interval is of a variant"),
        (["--odometer", "5"], "--odometer is for the plan of one vehicle"),
        (["--strategy", "belt-cracks=clean"], "no strategy is called 'clean'"),
        (["--strategy", "belt-cracks=renew"], "cannot be read"),
        (["--strategy", "belt-cracks=run-to-failure@5"], "cannot be read"),
        (["--strategy", "belt-cracks=renew@far"], "names no number above 0"),
        (["--strategy", "a=renew@5", "--strategy", "a=renew@6"], "names a twice"),
        (["--strategy", "a=renew@5", "--mode", "b"], "--strategy names a, --mode b"),
        (["--ceiling", "harm=0.1"], "no severity is called 'harm'"),
        (["--ceiling", "injury=2"], "the ceiling of injury is 2. It must be above 0, 1 at most."),
        (["--horizon", "0"], "the horizon is 0. It must be above 0."),
        (["--service-every", "-3"], "the service interval is -3"),
        (["--variant", "m97"], "Did you mean m96"),
        (["V00003", "--variant", "m96"], "a vehicle has its own variant"),
        (["--mode", "belt-crack"], "Did you mean belt-cracks"),
        (["--interval", "engine-oils", "--change-cost", "5"], "Did you mean engine-oil"),
        (
            ["--mode", "chain-stretch", "--strategy", "chain-stretch=run-to-failure"],
            "chain-stretch (engine-damage): run to failure breaks the ceiling",
        ),
    ],
    ids=lambda value: " ".join(value)[:60] if isinstance(value, list) else "",
)
def test_what_makes_no_sense_is_refused_with_the_reason(demo_folder, capsys, words, says):
    code, out, error = run(capsys, *words, "--in", str(demo_folder))
    assert code == 2
    assert out == ""
    assert says in error


def test_ages_in_hours_want_a_service_interval_of_their_own(tmp_path):
    text = starter().replace("distance: km ", "distance: hours ").replace("per_year: 15000", "per_year: 1500")
    text = text.replace("  service_every: 15000            # what is planned falls on its multiples\n", "")
    (tmp_path / "book.yaml").write_text(text, encoding="utf-8")
    assert load(tmp_path / "book.yaml").units.distance == "hours"
    with pytest.raises(PlanError, match="run in hours, and it states no service interval"):
        Workbench(tmp_path).plan_terms()


def test_a_book_without_records_is_planned_by_judgement(tmp_path):
    (tmp_path / "book.yaml").write_text(starter(), encoding="utf-8")
    found = Workbench(tmp_path).plan()
    assert {mode.mode for mode in found.plan.modes} >= {"water-pump-seep", "timing-belt-breaks"}
    assert all(mode.record_share == 0 for mode in found.plan.modes)


# a plan to simulate --------------------------------------------------------------------------------------------------


def care(*modes: tuple[str, ...]) -> SimpleNamespace:
    return SimpleNamespace(renewables=tuple(SimpleNamespace(modes=each) for each in modes))


def test_schedule_has_the_plan_s_turns():
    plan = planned(leaks=Asked("renew", 100_000), stretches=Asked("inspect", 20_000), cracks=Asked("inspect", 60_000))
    found = schedule_of(care(("leaks",), ("unplanned", "cracks"), ("stretches",), ("burns",)), plan, 47_000.0)  # type: ignore[arg-type]
    assert (found.every, found.first) == (20_000, 13_000)
    assert found.renew_at.tolist() == [100_000, inf, inf, inf]
    belt, chain = found.looks
    assert (belt.item, belt.mode, belt.each, belt.skip) == (1, 1, 3, 0)  # the next service, at 60,000 km, is its turn
    assert (chain.item, chain.mode, chain.each, chain.skip) == (2, 0, 1, 0)
    assert belt.sensitivity == pytest.approx(0.81)
    assert belt.cost > 0
    assert "(visit)" in found.opens


@pytest.mark.parametrize(("km", "skip"), [(0.0, 2), (20_000.0, 1), (39_000.0, 1), (59_000.0, 0)])
def test_looks_keep_their_turn_by_the_odometer(km, skip):
    plan = planned(cracks=Asked("inspect", 60_000))
    (look,) = (one for one in schedule_of(care(("cracks",)), plan, km).looks)  # type: ignore[arg-type]
    assert look.skip == skip
