"""The interface for programs: the answers of the commands, problems in words, and nothing lost between two editors."""

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import schemathesis
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from schemathesis import GenerationMode

from tests.web.inside import Inside, inside
from tests.web.shop import TODAY, lay_out
from wearlore import cli
from wearlore.errors import StoreBusy
from wearlore.records.store import Store
from wearlore.web.api.records import label_of
from wearlore.web.desk import Desk
from wearlore.web.password import Password
from wearlore.web.security import Guard, Place
from wearlore.web.server import interface
from wearlore.web.sessions import Sessions

CSV = {"content-type": "text/csv"}


def bench_of(folder: Path) -> Any:
    guard = Guard(Place(port=80), Sessions(Password(folder)))
    return interface(Desk(folder, today=lambda: TODAY), guard)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return lay_out(tmp_path_factory.mktemp("api") / "shop")


@pytest.fixture(scope="module")
def bench(folder: Path) -> Iterator[Inside]:
    """For tests that leave the vehicles C001 to C009 and the counts alone."""
    with inside(bench_of(folder)) as asked:
        yield asked


# ------------------------------------------------------------------------------------------------------------- answers
@pytest.mark.parametrize(
    ("path", "command"),
    [
        ("family", "lives"),
        ("weak-points/water-pump-seep?by=variant", "lives water-pump-seep --by variant"),
        ("weak-points/front-seal-leak/comparison?by=variant", "compare front-seal-leak --by variant"),
        ("components/water-pump/repeats", "repeats water-pump"),
        ("plan?variant=turbo&horizon=60000", "plan --variant turbo --horizon 60000"),
        ("vehicles/C001/trace?saw=coolant-falls&codes-read=true", "trace C001 --saw coolant-falls --codes-read"),
        pytest.param(
            "vehicles/C002/scope?fault=water-pump-seep&probable=front-seal-leak%3D0.3&rate=90",
            "scope C002 --fault water-pump-seep --probable front-seal-leak=0.3 --rate 90",
            marks=pytest.mark.slow,
        ),
        ("records", "records list"),
        ("calibration", "calibration"),
    ],
)
def test_an_answer_is_what_the_command_prints(
    bench: Inside, folder: Path, capsys: pytest.CaptureFixture[str], path: str, command: str
) -> None:
    answered = bench.get(f"/api/{path}")
    assert cli.run([*command.split(), "--json", "--in", str(folder)]) == 0
    assert answered.status_code == 200
    assert answered.text + "\n" == capsys.readouterr().out


def test_vehicles_are_found_and_their_version_is_told(bench: Inside) -> None:
    found = bench.get("/api/vehicles?search=C00&limit=5").json()
    assert (found["matching"], len(found["vehicles"])) == (9, 5)
    vehicle = bench.get("/api/vehicles/C003")
    assert vehicle.headers["etag"] == f'"{vehicle.json()["version"]}"'


def test_a_job_card_follows_its_scope(bench: Inside) -> None:
    job = bench.get("/api/vehicles/C002/job-card?fault=front-seal-leak").json()
    assert job["visit"]["vehicle"]["id"] == "C002"
    assert bench.get("/api/vehicles/C002/job-card?fault=front-seal-leak&bound=true").status_code == 422  # of the scope


def test_the_interface_is_listed_without_scripts(bench: Inside) -> None:
    page = bench.get("/api/docs")
    assert "<script" not in page.text
    for path in bench.get("/api/openapi.json").json()["paths"]:
        assert f" {path}</code>" in page.text


# ------------------------------------------------------------------------------------------------------------ problems
@pytest.mark.parametrize(
    ("path", "status", "said"),
    [
        ("weak-points/water-pump-sep", 404, "Did you mean water-pump-seep"),
        ("vehicles/C099", 404, "no vehicle is called 'C099'"),
        ("vehicles/C001/trace?saw=no-such-thing", 404, "no-such-thing"),
        ("vehicles/C001/trace?odometer=5", 422, "read at the last visit"),
        ("vehicles/C001/trace?odometr=5", 422, "query odometr: Extra inputs are not permitted"),
        ("vehicles/C001/scope?probable=front-seal-leak", 422, "names no chance"),
        ("vehicles/C001/scope?horizon=nan", 422, "query horizon: Input should be a finite number"),
        ("vehicles/C001/appraisal", 422, "query price: Field required"),
        ("components/water-pump/interval?change-cost=90", 422, ""),
        ("hindsight?hold-out=soon", 422, "soon"),
        ("nothing", 404, ""),
    ],
)
def test_what_cannot_be_is_told_as_a_problem(bench: Inside, path: str, status: int, said: str) -> None:
    refused = bench.get(f"/api/{path}")
    assert (refused.status_code, refused.headers["content-type"]) == (status, "application/problem+json")
    assert refused.json()["status"] == status
    assert said in refused.json()["detail"]


def test_a_store_held_by_another_process_is_told_as_busy(bench: Inside, monkeypatch: pytest.MonkeyPatch) -> None:
    def busy(*_: object, **__: object) -> Store:
        raise StoreBusy("records.duckdb", "the store is open elsewhere", "Close it there.")

    monkeypatch.setattr(Store, "open", busy)
    refused = bench.get("/api/records")
    assert (refused.status_code, refused.headers["retry-after"]) == (503, "1")


# ------------------------------------------------------------------------------------------------------------- writing
def test_two_editors_of_one_vehicle_lose_nothing(bench: Inside) -> None:
    before = bench.get("/api/vehicles/C010").headers["etag"]
    here = {"date": "2025-03-01", "odometer": 150_000, "lines": [{"text": "belt looked at"}]}
    there = {"odometer": 150_000, "confirmed": ["front-seal-leak"]}
    assert bench.post("/api/vehicles/C010/visits", json=here).status_code == 428
    assert bench.post("/api/vehicles/C010/visits", json=here, headers={"if-match": before}).status_code == 201
    late = bench.post("/api/vehicles/C010/found", json=there, headers={"if-match": before})
    assert (late.status_code, late.json()["kind"]) == (412, "ChangedSince")
    now = bench.get("/api/vehicles/C010")
    assert "front-seal-leak" not in {fault["cause"] for fault in now.json()["open"]}  # nothing is written yet
    assert (
        bench.post("/api/vehicles/C010/found", json=there, headers={"if-match": now.headers["etag"]}).status_code == 201
    )
    after = bench.get("/api/vehicles/C010").json()
    assert "front-seal-leak" in {fault["cause"] for fault in after["open"]}
    assert "belt looked at" in {line["text"] for visit in after["visits"] for line in visit["lines"]}


def test_whoever_does_not_mind_says_so(bench: Inside) -> None:
    found = {"odometer": 150_000, "refuted": ["front-seal-leak"]}
    assert bench.post("/api/vehicles/C011/found", json=found, headers={"if-match": "*"}).status_code == 201


def test_a_vehicle_is_added_once(bench: Inside) -> None:
    new = {"vehicle": "N 1", "variant": "base", "built": "2020-02-02", "odometer": 12_000}
    assert bench.post("/api/vehicles", json=new).status_code == 201
    assert bench.get("/api/vehicles/N%201").json()["km"] == 12_000
    again = bench.post("/api/vehicles", json=new)
    assert again.status_code == 422
    assert "N 1 is" in again.json()["detail"]


def test_files_are_taken_whole_or_not_at_all(bench: Inside, folder: Path) -> None:
    good = "vehicle,variant,built\nF1,base,2019-01-01\n"
    taken = bench.post("/api/records", params={"called": "../../etc/cars.csv"}, content=good, headers=CSV)
    assert taken.status_code == 201
    assert (taken.json()["file"], taken.json()["stored"]) == ("cars.csv", 1)
    bad = good + "F2,base,2019-01-01\nF3,nonesuch,2019-01-01\n"
    refused = bench.post("/api/records", params={"called": "more.csv"}, content=bad, headers=CSV)
    assert refused.status_code == 422
    assert refused.json()["detail"].startswith("more.csv:4: variant: expected a variant of the book")
    assert bench.get("/api/vehicles/F2").status_code == 404
    kept = bench.post("/api/records?called=more.csv&quarantine=true", content=bad, headers=CSV).json()
    assert (kept["read"], kept["stored"], kept["quarantined"]) == (3, 2, 1)
    assert bench.post("/api/records", content=good, headers={"content-type": "text/plain"}).status_code == 415
    assert not list(folder.parent.rglob("*cars*"))


@given(st.text(), st.sampled_from([".csv", ".parquet"]))
def test_what_a_file_is_called_is_a_harmless_label(called: str, suffix: str) -> None:
    label = label_of(called, suffix)
    assert label.endswith(suffix)
    assert len(label) > len(suffix)
    assert not set(label) & set("/\\<>\"'\x00\n\r")
    assert not label.startswith(".")


# ---------------------------------------------------------------------------------------------------- whatever is asked
SCHEMA = schemathesis.openapi.from_dict(bench_of(Path("nowhere")).openapi())
OPERATIONS = {each.ok().label: each.ok() for each in SCHEMA.get_all_operations()}
KNOWN = {
    "vehicle": "C012", "mode": "water-pump-seep", "other": "front-seal-leak", "component": "water-pump",
    "reading": "coolant-level",
}  # fmt: skip
EASY = settings(max_examples=10, suppress_health_check=list(HealthCheck))


@pytest.fixture(scope="module")
def trampled(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Inside]:
    """For whatever is written."""
    with inside(bench_of(lay_out(tmp_path_factory.mktemp("api") / "trampled"))) as asked:
        yield asked


@pytest.mark.slow
@pytest.mark.parametrize("label", OPERATIONS)
@EASY
@given(data=st.data())
def test_whatever_is_asked_is_answered_as_described(trampled: Inside, label: str, data: st.DataObject) -> None:
    mode = data.draw(st.sampled_from([GenerationMode.POSITIVE, GenerationMode.POSITIVE, GenerationMode.NEGATIVE]))
    case = data.draw(OPERATIONS[label].as_strategy(generation_mode=mode))
    if case.path_parameters and data.draw(st.booleans()):
        case.path_parameters = {name: KNOWN[name] for name in case.path_parameters}
    case.validate_response(trampled.send(case), checks=list(CHECKS))


CHECKS = (
    schemathesis.checks.not_a_server_error,
    schemathesis.specs.openapi.checks.status_code_conformance,
    schemathesis.specs.openapi.checks.content_type_conformance,
    schemathesis.specs.openapi.checks.response_schema_conformance,
)


def test_the_description_can_be_read_by_programs(bench: Inside) -> None:
    described = json.loads(bench.get("/api/openapi.json").text)
    for path, methods in described["paths"].items():
        for operation in methods.values():
            assert operation["description"].endswith((".", "?")), path
            for parameter in operation.get("parameters", ()):
                assert parameter.get("description") or parameter["name"] in ("odometer", "rate"), (path, parameter)
