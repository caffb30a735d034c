"""The family book as pydantic models: a description, no I/O.

What a person types in km or miles, N·m or lbf·ft is km and N·m in these objects: the loader hands the book's units
to the validators as context (``model_validate(data, context=units)``). Shape is checked here, sense by `review`.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import date
from math import log
from typing import Annotated, Literal

from pydantic import (
    AfterValidator,
    BaseModel,
    ConfigDict,
    Field,
    StringConstraints,
    ValidationInfo,
    field_validator,
    model_validator,
)

from wearlore.estimate import NORMAL_90
from wearlore.units import KM_PER, NEWTON_METRE_PER, DistanceUnit, TorqueUnit, Units

Id = Annotated[str, StringConstraints(pattern=r"^[a-z0-9][a-z0-9-]*$", max_length=60)]
Text = Annotated[str, StringConstraints(min_length=1, strip_whitespace=True)]
Share = Annotated[float, Field(gt=0, lt=1)]
Hours = Annotated[float, Field(ge=0, le=100)]
Price = Annotated[float, Field(ge=0, le=1e9)]
Quantity = Annotated[float, Field(gt=0, le=1e6)]
Factor = Annotated[float, Field(gt=0, le=100)]
Chance = Annotated[float, Field(gt=0, le=1)]


def _to_km(value: float, info: ValidationInfo) -> float:
    return value * KM_PER[info.context.distance] if isinstance(info.context, Units) else value


def _to_newton_metres(value: float, info: ValidationInfo) -> float:
    return value * NEWTON_METRE_PER[info.context.torque] if isinstance(info.context, Units) else value


Distance = Annotated[float, Field(gt=0, le=1e7), AfterValidator(_to_km)]
TorqueValue = Annotated[float, Field(gt=0, le=1e4), AfterValidator(_to_newton_metres)]

Grade = Literal["original", "equivalent", "economy", "upgrade"]
Severity = Literal["nuisance", "degraded", "stranded", "engine-damage", "injury"]
Signal = Literal["DANGER", "WARNING", "CAUTION", "NOTICE"]
EngineState = Literal["any", "warm", "cold", "drained"]


class Entry(BaseModel):
    """Anything a person writes in the book."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class BookUnits(Entry):
    """The units this book is written in."""

    distance: DistanceUnit = Field("km", description="the unit of every distance typed in this book")
    torque: TorqueUnit = Field("N·m", description="the unit of every torque typed in this book")
    currency: Annotated[str, StringConstraints(pattern=r"^[A-Z]{3}$")] = "EUR"


class Family(Entry):
    """An engine family: variants that share most components."""

    id: Id
    name: Text
    maker: Text = "not named"
    description: str = ""
    units: BookUnits = BookUnits()


class Variant(Entry):
    """What a vehicle has."""

    name: Text
    built_from: date | None = None
    built_to: date | None = None


class Zone(Entry):
    """A face or area of the engine; fluid runs from a zone to those below it."""

    name: Text
    runs_to: dict[Id, Chance] = Field(
        {}, description="zone below -> chance that fluid which wets this one wets that one"
    )

    @field_validator("runs_to", mode="before")
    @classmethod
    def _each_with_its_chance(cls, value: object) -> object:
        if isinstance(value, list | tuple):
            raise ValueError("each zone below with the chance that fluid from here wets it: {sump: 0.6}")
        return value


class Revision(Entry):
    """A design level of a component, fitted to engines built ``from_date`` on; supersedes another."""

    note: str = ""
    from_date: date | None = None
    supersedes: str | None = None
    life_factor: Factor = Field(
        1.0, description="judgement: ratio of lives to the first revision, used while records are thin"
    )


class Component(Entry):
    """What fails; it sits in a zone, at one or several positions."""

    name: Text
    system: Text
    zone: Id
    positions: tuple[Text, ...] = ()
    variants: tuple[Id, ...] = Field((), description="only on these; empty: on all")
    revisions: dict[str, Revision] = {}
    aliases: tuple[Text, ...] = Field((), description="other words for it in records")

    @property
    def places(self) -> tuple[str, ...]:
        """Its positions; one nameless place when it has a single one."""
        return self.positions or ("",)

    def revision_at(self, built: date) -> str:
        """The design level fitted to an engine built on ``built``; empty when the component has only one.

        Of levels from the same day (or from none) the one that the book names last.
        """
        since = {name: revision.from_date or date.min for name, revision in reversed(self.revisions.items())}
        fitted = [name for name, day in since.items() if day <= built]
        return max(fitted, key=lambda name: since[name], default=next(iter(self.revisions), ""))


class Consequence(Entry):
    """What a failure brings beyond its own cure; ``cost`` is the mean extra money (recovery, hire, damage)."""

    severity: Severity
    cost: Price = Field(0.0, description="mean extra money beyond the repair: recovery, hire, damage")
    stranded: Annotated[float, Field(ge=0, le=1)] = Field(0.0, description="chance that the vehicle stops where it is")
    note: str = ""


class Quantile(Entry):
    """A judgement: a ``share`` of units has failed by ``at``; ``between`` holds it with 90 % confidence."""

    share: Share = Field(description="this share of units has failed …")
    at: Distance = Field(description="… by this distance")
    between: tuple[Distance, Distance] = Field(
        description="[low, high]: you are 90 % sure that the distance lies in between"
    )


class Belief(Entry):
    """The specialist's own judgement of a mode's life, as two quantile statements."""

    life: Literal["weibull", "lognormal"] = "weibull"
    quantiles: Annotated[tuple[Quantile, ...], Field(min_length=2, max_length=2)]
    note: str = ""


class Lead(Entry):
    """How far a vehicle runs between the point at which a failure can be seen coming and the failure (P-F interval).

    Of an evident mode: before it fails. Of a hidden one: from where it is there, until it makes itself known and brings
    its consequence. Lognormal, ``at`` its median.
    """

    at: Distance = Field(description="half of them run so far …")
    between: tuple[Distance, Distance] = Field(description="[low, high]: … and 9 in 10 between these")

    @model_validator(mode="after")
    def _in_order(self) -> Lead:
        if not self.between[0] < self.at < self.between[1]:
            raise ValueError("'between' as [low, high], with 'at' in between")
        return self

    @property
    def lognormal(self) -> tuple[float, float]:
        """Median, km, and the standard deviation of the logarithm."""
        low, high = self.between
        return self.at, log(high / low) / (2 * NORMAL_90)


class Mode(Entry):
    """A failure mode: how a component fails (IEC 60050-192 / ISO 14224 sense)."""

    name: Text
    component: Id
    noticed: Literal["evident", "hidden"] = Field(
        description="hidden: found only when somebody looks; evident: it makes itself known"
    )
    cause: Literal["wear", "random", "outside"] = Field(
        "wear", description="wear: more often with age; random: at any age; outside: an impact, a wrong fuel"
    )
    code: Annotated[str, StringConstraints(pattern=r"^[A-Z]{3}$")] | None = Field(
        None, description="ISO 14224 failure-mode code"
    )
    mechanism: Annotated[str, StringConstraints(pattern=r"^\d\.\d$")] | None = Field(
        None, description="failure mechanism, ISO 14224 Table B.2"
    )
    variants: tuple[Id, ...] = ()
    revisions: tuple[str, ...] = Field((), description="only on these; empty: on all")
    consequence: Consequence
    belief: Belief | None = None
    lead: Lead | None = Field(None, description="distance over which it can be seen coming; none: it cannot")
    observations: dict[Id, Share] = Field({}, description="observation -> chance that this mode alone brings it about")
    accelerates: dict[Id, Factor] = Field(
        {}, description="mode -> factor on its rate of ageing while this one is present"
    )
    note: str = ""
    told: str = Field("", description="the specialist's own words in the guide, as Markdown")

    def applies(self, variant: str, revision: str) -> bool:
        return (not self.variants or variant in self.variants) and (not self.revisions or revision in self.revisions)


class ChainStage(Entry):
    """A chain drive on the way from crank to cam."""

    links: Annotated[float, Field(gt=0, le=1000)] = Field(
        description="links of the taut strand between the sprockets, its way along the guide counted"
    )
    teeth: Annotated[int, Field(ge=6, le=300)] = Field(description="teeth of the driven sprocket")
    turns: Factor = Field(1.0, description="turns of the driven sprocket in one turn of the cam")


class Chain(Entry):
    """The timing chain whose elongation a reading in degrees shows."""

    stages: Annotated[tuple[ChainStage, ...], Field(min_length=1)]
    measured: Literal["cam", "crank"] = Field("cam", description="whose degrees the reading counts")


class Observation(Entry):
    """What can be seen, heard, read or measured."""

    name: Text
    kind: Literal["wet", "code", "lamp", "noise", "level-loss", "reading", "smoke", "smell", "behaviour", "visible"]
    zone: Id | None = None
    fluid: Text | None = None
    code: str | None = Field(None, description="trouble code, SAE J2012 / ISO 15031-6")
    circumstance: str = ""
    unit: str | None = None
    limit: float | None = None
    worse: Literal["higher", "lower"] = Field("higher", description="which way a reading goes as things get worse")
    sound: tuple[float, float] | None = Field(None, description="[low, high]: 9 in 10 sound pieces read in between")
    faulty: tuple[float, float] | None = Field(None, description="[low, high]: 9 in 10 faulty pieces read in between")
    leak: Annotated[float, Field(ge=0, lt=1)] = Field(
        0.01, description="chance of seeing it with none of its modes present"
    )
    chain: Chain | None = Field(None, description="for a reading of how far the cam lags: the chain that elongates")

    @model_validator(mode="after")
    def _chain_is_read(self) -> Observation:
        if self.chain and self.kind != "reading":
            raise ValueError(f"only an observation of kind 'reading' has a chain, not one of kind '{self.kind}'")
        return self

    @model_validator(mode="after")
    def _ranges_are_of_a_reading(self) -> Observation:
        if (self.sound is None) != (self.faulty is None):
            raise ValueError("'sound' and 'faulty' together, or neither")
        for name, between in (("sound", self.sound), ("faulty", self.faulty)):
            if between and self.kind != "reading":
                raise ValueError(f"only an observation of kind 'reading' has '{name}', not one of kind '{self.kind}'")
            if between and not between[0] < between[1]:
                raise ValueError(f"'{name}' as [low, high], low below high")
        return self


class Accuracy(Entry):
    """How well an inspection tells: P(seen | there) and P(not seen | not there)."""

    sensitivity: Annotated[float, Field(gt=0, le=1)]
    specificity: Annotated[float, Field(gt=0, le=1)]


class Inspection(Entry):
    """An act that yields observations."""

    name: Text
    minutes: Annotated[float, Field(gt=0)]
    needs: tuple[Id, ...] = Field((), description="operations that must be done first")
    tools: tuple[Id, ...] = ()
    hazards: tuple[Id, ...] = ()
    observes: dict[Id, Accuracy] = Field({}, description="observation -> how well it shows it")
    tells: dict[Id, Accuracy] = Field(
        {}, description="failure mode -> how well it shows this directly: opened, or swapped and seen"
    )


class Torque(Entry):
    """Tightening: torque stages in order, then angles in degrees."""

    stages: Annotated[tuple[TorqueValue, ...], Field(min_length=1)]
    angles: tuple[Annotated[float, Field(gt=0, le=360)], ...] = ()


class Fastener(Entry):
    """Fasteners undone and tightened by an operation."""

    name: Text
    count: Annotated[int, Field(ge=1)] = 1
    size: Annotated[str, StringConstraints(pattern=r"^M\d+(\.\d+)?(x\d+(\.\d+)?)?$")] | None = None
    property_class: Literal["4.6", "5.8", "8.8", "9.8", "10.9", "12.9"] | None = Field(None, description="ISO 898-1")
    torque: Torque | None = None
    one_time_use: bool = False
    left_hand: bool = Field(False, description="left-hand thread")
    part: Id | None = Field(None, description="needed when one_time_use")


class Refit(Entry):
    """The build-up half of an operation that takes something off."""

    name: Text
    hours: Hours
    steps: tuple[Text, ...] = ()
    tools: tuple[Id, ...] = ()
    consumables: dict[Id, Quantity] = {}
    hazards: tuple[Id, ...] = ()


class Operation(Entry):
    """A labour operation. With ``refit`` it takes something off now and puts it back in build-up."""

    name: Text
    hours: Hours
    refit: Refit | None = None
    needs: tuple[Id, ...] = Field((), description="operations that must be done before")
    then: tuple[Id, ...] = Field(
        (), description="operations that must follow, after build-up: bleed, leak test, clear codes"
    )
    closing: bool = Field(False, description="belongs to the closing checks")
    each_position: bool = Field(False, description="done anew at each position that a remedy is done to")
    steps: tuple[Text, ...] = ()
    fasteners: tuple[Fastener, ...] = ()
    tools: tuple[Id, ...] = ()
    consumables: dict[Id, Quantity] = {}
    spoils: dict[Id, Quantity] = Field({}, description="parts that cannot be used again afterwards")
    hazards: tuple[Id, ...] = ()
    state: EngineState = Field("any", description="the engine it wants")
    licensed: str = Field("", description="the licensed trade or local code that this is left to")
    procedure: str = Field("", description="title of the maker's procedure; never a copy of it")
    variants: tuple[Id, ...] = ()

    @property
    def total_hours(self) -> float:
        return self.hours + (self.refit.hours if self.refit else 0.0)

    @property
    def all_tools(self) -> tuple[str, ...]:
        """The special tools that it takes, build-up included."""
        return self.tools + (self.refit.tools if self.refit else ())


class Remedy(Entry):
    """A way to cure or hold off failure modes of one component.

    renew: the modes in ``cures`` start again at age 0. clean: their age falls by the share ``restores`` (Kijima).
    guard: the rate of their outside cause is multiplied by ``lowers``; nothing is renewed.
    """

    name: Text
    component: Id
    cures: Annotated[tuple[Id, ...], Field(min_length=1)]
    kind: Literal["renew", "clean", "guard"] = "renew"
    operations: Annotated[tuple[Id, ...], Field(min_length=1)]
    parts: dict[Id, Quantity] = {}
    companions: tuple[Id, ...] = Field((), description="remedies always done with it")
    restores: Annotated[float, Field(ge=0, le=1)] | None = Field(
        None, description="share of the age that a clean gives back; 0: as old as before (minimal repair)"
    )
    lowers: Share | None = Field(None, description="the outside cause strikes so many times as often")
    variants: tuple[Id, ...] = ()
    procedure: str = ""
    note: str = ""

    @model_validator(mode="after")
    def _kind_has_its_number(self) -> Remedy:
        if (self.kind == "clean") != (self.restores is not None):
            raise ValueError("'restores' with kind: clean, and only there")
        if (self.kind == "guard") != (self.lowers is not None):
            raise ValueError("'lowers' with kind: guard, and only there")
        return self


class Offer(Entry):
    """A part one can buy: its number, source grade, design level and price."""

    number: Text
    grade: Grade = "original"
    price: Price
    revision: str | None = None
    variants: tuple[Id, ...] = ()
    from_date: date | None = Field(None, description="for engines built from this day on …")
    to_date: date | None = Field(None, description="… up to this day")
    supersedes: Text | None = None
    life_factor: Factor = Field(
        1.0, description="judgement: ratio of lives to the original part, used while records are thin"
    )

    def fits(self, variant: str, built: date) -> bool:
        return (
            (not self.variants or variant in self.variants)
            and (self.from_date or date.min) <= built
            and built <= (self.to_date or date.max)
        )


class Part(Entry):
    """A part by function; ``component`` when it is the piece of that component which ages."""

    name: Text
    component: Id | None = None
    offers: Annotated[tuple[Offer, ...], Field(min_length=1)]

    def offer_for(self, grade: Grade, variant: str, built: date) -> Offer | None:
        """What to buy for an engine of ``variant`` built on ``built``; None when no offer fits it.

        The newest offer of ``grade`` that no other of that grade supersedes, else the original, else the cheapest that
        fits.
        """
        fitting = [offer for offer in self.offers if offer.fits(variant, built)]
        gone = {(offer.grade, offer.supersedes) for offer in fitting}
        current = [offer for offer in fitting if (offer.grade, offer.number) not in gone] or fitting
        for asked in (grade, "original"):
            if graded := [offer for offer in current if offer.grade == asked]:
                newest = max(offer.from_date or date.min for offer in graded)
                graded = [offer for offer in graded if (offer.from_date or date.min) == newest]
                return min(graded, key=lambda offer: (offer.price, offer.number))
        return min(current, key=lambda offer: (offer.price, offer.number), default=None)


class Tool(Entry):
    """A special tool: bought, hired by the visit, or missing."""

    name: Text
    price: Price | None = None
    hire: Price | None = Field(None, description="hire charge for a visit")
    owned: bool = Field(True, description="whether this workshop has it")


class Consumable(Entry):
    """A sealant, fluid or cleaner, priced by its unit."""

    name: Text
    unit: Text
    price: Price
    fluid: Text | None = None
    sae: str | None = Field(None, description="engine-oil grade, SAE J300")
    note: str = ""


class Hazard(Entry):
    """What can hurt someone or something, and the caution for it (signal words: ANSI Z535.6, ISO 3864-2)."""

    name: Text
    signal: Signal
    caution: str = ""


class Rule(Entry):
    """What must be done at once when something is seen, whatever its cause; it comes before every chance."""

    name: Text
    signal: Signal = "DANGER"
    when: Annotated[tuple[Id, ...], Field(min_length=1, description="observations, any of which brings the rule")]
    text: Text = Field(description="what to do, at once")
    bars: tuple[Id, ...] = Field((), description="hazards: inspections that have one are withheld while the rule holds")


class Economics(Entry):
    """What money and distance mean in this workshop, unless a command says otherwise."""

    labour_rate: Price = Field(description="money per hour")
    visit_fixed: Price = Field(0.0, description="what any visit costs its owner beside labour and parts")
    discount: Annotated[float, Field(ge=0, lt=1)] = Field(0.04, description="per year")
    per_year: Distance = Field(20_000.0, description="distance a vehicle covers in a year")
    spread: Annotated[float, Field(ge=0, le=2)] = Field(
        0.25, description="standard deviation of the logarithm of that distance, from one vehicle to another"
    )
    service_every: Distance = Field(20_000.0, description="service interval: what is planned falls on its multiples")
    horizon: Distance = Field(100_000.0, description="how far ahead the advice looks")
    tax: Annotated[float, Field(ge=0, lt=1)] = Field(0.0, description="share added to the customer's price")


class Guide(Entry):
    """The specialist's own words in the published guide, beside the numbers; Markdown."""

    author: str = Field("", description="whose words they are")
    owners: str = Field("", description="to those who have a vehicle of the family")
    buyers: str = Field("", description="to those who think of buying one")


class Book(Entry):
    """The description of one family, written by the specialist."""

    wearlore: Literal[1]
    family: Family
    economics: Economics
    guide: Guide = Guide()
    variants: Annotated[dict[Id, Variant], Field(min_length=1)]
    zones: dict[Id, Zone]
    components: Annotated[dict[Id, Component], Field(min_length=1)]
    modes: Annotated[dict[Id, Mode], Field(min_length=1)]
    observations: dict[Id, Observation] = {}
    inspections: dict[Id, Inspection] = {}
    rules: dict[Id, Rule] = Field({}, description="what outranks every chance: stop driving, stop the engine")
    operations: dict[Id, Operation] = {}
    remedies: dict[Id, Remedy] = {}
    parts: dict[Id, Part] = {}
    tools: dict[Id, Tool] = {}
    consumables: dict[Id, Consumable] = {}
    hazards: dict[Id, Hazard] = {}

    @property
    def units(self) -> Units:
        return Units(**self.family.units.model_dump())

    def modes_of(self, component: str) -> Iterator[tuple[str, Mode]]:
        return ((id_, mode) for id_, mode in self.modes.items() if mode.component == component)

    def variants_with(self, mode: str) -> Iterator[str]:
        """The variants that can have ``mode``: their component, and the mode itself, is not for others alone."""
        entry = self.modes[mode]
        limits = [names for names in (entry.variants, self.components[entry.component].variants) if names]
        return (id_ for id_ in self.variants if all(id_ in names for names in limits))

    def remedies_for(self, mode: str, variant: str = "") -> Iterator[tuple[str, Remedy]]:
        """The remedies that cure or hold off ``mode`` (on ``variant``, when one is named)."""
        for id_, remedy in self.remedies.items():
            if mode in remedy.cures and (not variant or not remedy.variants or variant in remedy.variants):
                yield id_, remedy


TROUBLE_CODE = re.compile(r"^[PCBU][0-3][0-9A-F]{3}$")  # SAE J2012 / ISO 15031-6
