"""What may be asked with: the parameters of the interface, named like the options of the commands. Distances in km."""

from __future__ import annotations

from datetime import date
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from wearlore.book.model import Book
from wearlore.plan import Asked as Strategy
from wearlore.plan import Terms
from wearlore.trace import Told, told
from wearlore.units import Units
from wearlore.workbench import Workbench
from wearlore.workbench.said import ceilings, strategies

KM_ONLY = Units()  # what the interface counts distances in
MANY = 60  # values of one parameter at most
FAR = 5e6  # km
Name = Annotated[str, Field(min_length=1, max_length=200)]
Names = Annotated[tuple[Name, ...], Field(max_length=MANY)]
Odometer = Annotated[float | None, Field(ge=0, le=FAR, allow_inf_nan=False, description="Odometer now, km.")]
Distance = Annotated[float | None, Field(gt=0, le=FAR, allow_inf_nan=False)]
Rate = Annotated[float | None, Field(ge=0, le=1e5, allow_inf_nan=False, description="Labour rate per hour.")]
Share = Annotated[float | None, Field(ge=0, le=1, allow_inf_nan=False)]
Money = Annotated[float | None, Field(gt=0, le=1e9, allow_inf_nan=False)]


def several(description: str) -> Any:
    return Field((), description=f"{description} May be repeated.")


class Asked(BaseModel):
    """A set of parameters; one that is not of it is refused."""

    model_config = ConfigDict(
        frozen=True, extra="forbid", alias_generator=lambda name: name.rstrip("_").replace("_", "-")
    )


class Seen(Asked):
    """What is said of the vehicle and of this workshop."""

    saw: Names = several("Seen, heard, smelt: an observation, or NAME:INSPECTION that showed it.")
    absent: Names = several("Looked for and not there; as ``saw``.")
    dry: Names = several("A zone that is dry, or a wet observation.")
    code: Names = several("A trouble code that is stored.")
    codes_read: bool = Field(False, description="All codes were read: those not named are not there.")
    read: Names = several("A reading: NAME=VALUE.")
    found: Names = several("A failure mode opened and confirmed: MODE or MODE@POSITION.")
    good: Names = several("A failure mode opened and not there.")
    off: Names = several("An operation that is done already, so open.")
    missing_tool: Names = several("A special tool that is not to be had today.")
    odometer: Odometer = None
    rate: Rate = None

    def told(self, book: Book) -> tuple[Told, ...]:
        return told(
            book, saw=self.saw, absent=self.absent, dry=self.dry, codes=self.code, codes_read=self.codes_read,
            readings=self.read, found=self.found, good=self.good,
        )  # fmt: skip


class Visit(Asked):
    """What a visit is weighed with; what is not given is as the book's economics have it."""

    fault: Names = several("A confirmed failure mode: MODE or MODE@POSITION.")
    probable: Names = several("A fault that may be there, with the chance: MODE=0.3.")
    refuse: Names = several("A unit, component or remedy the owner says no to.")
    missing_tool: Names = several("A special tool that is not to be had today.")
    odometer: Odometer = None
    horizon: Distance = Field(None, description="Distance to look ahead, km.")
    per_year: Distance = Field(None, description="Distance driven in a year, km.")
    rate: Rate = None
    discount: Share = Field(None, description="Discount per year, as a share.")


class BoundedVisit(Visit):
    bound: bool = Field(False, description="Also say how far the advice is from the best possible; takes some seconds.")


class Years(Asked):
    """How far to look, under which policies."""

    years: int | None = Field(None, ge=1, le=30, description="Years to look ahead; 5 unless given.")
    horizon: Distance = Field(None, description="Distance to look ahead instead of years, km.")
    per_year: Distance = Field(None, description="Distance driven in a year, km; unless given, by the own record.")
    spread: Annotated[float | None, Field(ge=0, le=2, allow_inf_nan=False)] = Field(
        None, description="How far that may differ: standard deviation of its logarithm."
    )
    odometer: Odometer = None
    fault: Names = several("A confirmed failure mode: MODE or MODE@POSITION.")
    probable: Names = several("A fault that may be there, with the chance: MODE=0.3.")
    policy: Annotated[tuple[Literal["advice", "plan", "only-failed", "all-in-reach"], ...], Field(max_length=MANY)] = (
        several("The first is told in detail; all of them unless given.")
    )
    missing_tool: Names = several("A special tool that is not to be had.")
    rate: Rate = None
    paths: int = Field(20_000, ge=200, le=20_000, description="Courses of events to simulate.")


class Planning(Asked):
    """What a plan is made with."""

    strategy: Names = several("MODE=run-to-failure, MODE=renew@KM or MODE=inspect@KM instead of the cheapest.")
    ceiling: Names = several("Greatest chance of a failure within the horizon: engine-damage=0.05.")
    horizon: Distance = Field(None, description="Distance over which risks count, km.")
    service_every: Distance = Field(None, description="Service interval, km.")
    rate: Rate = None

    def strategies(self) -> dict[str, Strategy]:
        return strategies(self.strategy, KM_ONLY)

    def terms(self, bench: Workbench) -> Terms:
        return bench.plan_terms(
            labour_rate=self.rate,
            horizon=self.horizon,
            service_every=self.service_every,
            ceilings=ceilings(self.ceiling),
        )


class Plan(Planning):
    """The plan of a variant."""

    variant: Name | None = Field(None, description="Plan for this variant from new; unless given, the first.")


class VehiclePlan(Planning):
    """The plan of a vehicle."""

    odometer: Odometer = None


class Buying(Seen):
    """What a vehicle for sale is weighed with."""

    price: float = Field(gt=0, le=1e9, allow_inf_nan=False, description="What is asked for it.")
    comparable_price: Money = Field(None, description="What one of the same kind costs that was kept well.")
    minutes: Annotated[float | None, Field(gt=0, le=1e5, allow_inf_nan=False)] = Field(
        None, description="Minutes that there are for looking."
    )
    horizon: Distance = Field(None, description="Distance to look ahead, km.")
    per_year: Distance = Field(None, description="Distance driven in a year, km.")


class BuyingUnknown(Buying):
    """What is known of a vehicle for sale that is in no store."""

    variant: Name = Field(description="Its variant.")
    built: date = Field(description="The date it was built.")
    odometer: float = Field(ge=0, le=FAR, allow_inf_nan=False, description="Its odometer, km.")
    history: Literal["complete", "unknown"] = Field(
        "unknown", description="complete: what is not ``done`` is still the first piece."
    )
    done: Names = several("A renewal that is shown: COMPONENT@KM or COMPONENT/POSITION@KM.")


class Fleet(Asked):
    """Which vehicles, and how they are ranked."""

    top: int = Field(20, ge=1, le=5000, description="How many vehicles.")
    by: Literal["saving", "risk"] = Field("saving", description="Rank by what acting saves, or by the risk of leaving.")
    variant: Name | None = Field(None, description="Only vehicles of this variant.")
    months: float = Field(
        18, gt=0, le=600, allow_inf_nan=False, description="Not seen for so long before the newest record: gone."
    )
    driven: Annotated[float | None, Field(ge=0, le=FAR, allow_inf_nan=False)] = Field(
        None, description="Distance each has run since its last visit, km; unless given, its usual one."
    )
    horizon: Distance = Field(None, description="Distance to look ahead, km.")
    rate: Rate = None


class Component(Asked):
    """On what, and how far ahead, the remedies of a component are held against each other."""

    variant: Name | None = Field(None, description="On vehicles of this variant; unless given, the first.")
    position: str = Field("", max_length=200, description="At this position; unless given, the first.")
    rate: Rate = None
    per_year: Distance = Field(None, description="Distance driven in a year, km.")
    horizon: Distance = Field(None, description="Distance to look ahead from the fitting, km.")


class Drifting(Asked):
    """Of what a reading is."""

    vehicle: Name | None = Field(None, description="For the distance left on this vehicle.")
    odometer: Odometer = None
    mode: Name | None = Field(None, description="The failure mode it belongs to, where several name it.")
    position: Name | None = Field(None, description="The position read, where the component has several.")
