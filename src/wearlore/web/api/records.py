"""What the store holds, and putting more on record: who had another version before them is told first."""

from __future__ import annotations

import re
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from pathlib import Path as FilePath
from tempfile import TemporaryDirectory
from typing import Annotated, Any, Literal, TypeVar

from fastapi import APIRouter, Body, Header, HTTPException, Path, Query, Request, Response
from pydantic import BaseModel, ConfigDict, Field

from wearlore.errors import ChangedSince
from wearlore.web.api.answering import answered, ask, problems, result
from wearlore.web.api.asked import FAR, MANY, Name, Names
from wearlore.web.desk import Desk
from wearlore.workbench import Workbench
from wearlore.workbench.vehicles import NewVehicle, NotedLine, NotedVisit

T = TypeVar("T")
Vehicle = Annotated[str, Path(min_length=1, max_length=200, description="A vehicle of the store.")]
Version = Annotated[
    str | None,
    Header(description='The version that one had before one, "…" as ETag says it; or * for whatever is there.'),
]
Text = Annotated[str, Field(max_length=2000)]
Word = Annotated[str, Field(max_length=200)]
KINDS = {"text/csv": ".csv", "application/vnd.apache.parquet": ".parquet"}
TAKEN: dict[int | str, dict[str, Any]] = {201: {"description": "What became of it: read = stored + in quarantine"}}


class Given(BaseModel):
    """A body; what it does not know is refused."""

    model_config = ConfigDict(frozen=True, extra="forbid")


class Adding(Given):
    """A vehicle that is not on record yet."""

    vehicle: Name
    variant: Word
    built: Word = Field(description="The date it was built: 2016-05-01.")
    history: Literal["complete", "unknown"] = Field("unknown", description="complete: the records reach back to new.")
    duty: Word = ""
    odometer: float | None = Field(None, ge=0, le=FAR, allow_inf_nan=False, description="As it is today, km.")


class Line(Given):
    """One thing found or done, as the columns of a file of lines have it."""

    component: Word = ""
    position: Word = ""
    finding: Word = ""
    mode: Word = ""
    action: Word = ""
    revision: Word = ""
    grade: Word = ""
    text: Text = ""


class Noting(Given):
    """A visit."""

    date: Word = Field(description="2026-01-15")
    odometer: float = Field(ge=0, le=FAR, allow_inf_nan=False, description="km")
    lines: tuple[Line, ...] = Field((), max_length=MANY)
    readings: dict[Word, float] = Field({}, max_length=MANY)


class Finding(Given):
    """What was found today."""

    odometer: float = Field(ge=0, le=FAR, allow_inf_nan=False, description="km")
    confirmed: Names = Field((), description="Failure modes that are there: MODE or MODE@POSITION.")
    refuted: Names = Field((), description="Failure modes looked for that are not there.")
    note: Text = ""


def add(routes: APIRouter, desk: Desk) -> None:
    """All of it over one desk."""
    _store(routes, desk)
    _vehicles(routes, desk)


def _store(routes: APIRouter, desk: Desk) -> None:
    @routes.get("/records", responses=result("Counts, files, quarantine (wearlore records list)") | problems())
    async def records() -> Response:
        """What the store holds."""
        return await ask(desk, lambda bench: bench.records())

    body = {"content": {kind: {"schema": {"type": "string", "format": "binary"}} for kind in KINDS}, "required": True}

    @routes.post("/records", status_code=201, responses=TAKEN | problems(413, 415), openapi_extra={"requestBody": body})
    async def take(
        request: Request,
        called: Annotated[str, Query(max_length=200, description="What the file is called; only a label.")] = "sent",
        quarantine: Annotated[bool, Query(description="Keep bad lines apart instead of refusing the file.")] = False,
    ) -> Response:
        """Load a file of vehicles, lines or readings (CSV or Parquet), all of it or nothing."""
        async with received(request) as file:
            label = f"{label_of(called, file.suffix)}"
            taken = await desk.change(
                lambda bench: bench.take_as(file, label, today=desk.today(), quarantine=quarantine)
            )
        return answered(taken, status=201)


def _vehicles(routes: APIRouter, desk: Desk) -> None:
    @routes.post("/vehicles", status_code=201, responses=TAKEN | problems(400))
    async def new(adding: Annotated[Adding, Body()]) -> Response:
        """Put a vehicle on record that is not there yet."""
        said = NewVehicle(
            adding.vehicle, adding.variant, adding.built, adding.history, adding.duty, _digits(adding.odometer)
        )
        return answered(await desk.change(lambda bench: bench.add(said, today=desk.today())), status=201)

    @routes.post("/vehicles/{vehicle}/visits", status_code=201, responses=TAKEN | problems(400, 404, 412, 428))
    async def visit(vehicle: Vehicle, noting: Annotated[Noting, Body()], if_match: Version = None) -> Response:
        """Put a visit on record, with what was found, done and read in it."""
        noted = NotedVisit(
            noting.date,
            _digits(noting.odometer),
            "km",
            tuple(NotedLine(**line.model_dump()) for line in noting.lines),
            tuple((reading, _digits(value)) for reading, value in noting.readings.items()),
        )
        expected = _version(if_match)
        return answered(
            await desk.change(lambda bench: bench.note(vehicle, noted, today=desk.today(), expected=expected)),
            status=201,
        )

    @routes.post("/vehicles/{vehicle}/found", status_code=201, responses=TAKEN | problems(400, 404, 412, 428))
    async def found(vehicle: Vehicle, finding: Annotated[Finding, Body()], if_match: Version = None) -> Response:
        """Put on record what was found today: what is there, and what was looked for and is not (wearlore found)."""

        def act(bench: Workbench) -> object:
            return bench.found(
                vehicle, confirmed=finding.confirmed, refuted=finding.refuted, km=finding.odometer,
                today=desk.today(), text=finding.note,
            )  # fmt: skip

        return answered(await desk.change(unless_changed(vehicle, _version(if_match), act)), status=201)


def unless_changed(vehicle: str, expected: str | None, act: Callable[[Workbench], T]) -> Callable[[Workbench], T]:
    """``act``, if the vehicle's history still has the version that one had before one (None: whatever it has)."""

    def acting(bench: Workbench) -> T:
        if expected is not None and (now := bench.history(vehicle).version) != expected:
            raise ChangedSince(vehicle, expected, now)
        return act(bench)

    return acting


def _version(if_match: str | None) -> str | None:
    """The version that is said, None for any."""
    if if_match is None:
        raise HTTPException(428, "Say which version you had before you: If-Match, with the ETag of the vehicle, or *.")
    return None if if_match.strip() == "*" else if_match.strip().removeprefix("W/").strip('"')


def _digits(number: float | None) -> str:
    """As a file of records has it."""
    return "" if number is None else repr(float(number)).removesuffix(".0")


@asynccontextmanager
async def received(request: Request) -> AsyncIterator[FilePath]:
    """The body in a file of its own, in a folder that nobody else can read and that goes again."""
    kind = request.headers.get("content-type", "").partition(";")[0].strip().casefold()
    if kind not in KINDS:
        raise HTTPException(415, f"The Content-Type of a file is {' or '.join(KINDS)}, not {kind or 'nothing'}.")
    with TemporaryDirectory(prefix="wearlore-") as folder:
        file = FilePath(folder) / f"sent{KINDS[kind]}"
        with file.open("wb") as out:
            async for piece in request.stream():
                out.write(piece)
        yield file


def label_of(called: str, suffix: str) -> str:
    """What a file that was sent is called on record: its last name, of harmless characters."""
    name = re.sub(r"[^\w .()+-]+", "-", re.split(r"[/\\]", called)[-1]).strip(" .-")[:120]
    return f"{name.removesuffix(suffix) or 'sent'}{suffix}"
