"""A vehicle for sale as an address describes it: the vehicle, what is asked for it, what was found on it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date

from wearlore.appraisal import Renewed
from wearlore.book.model import Book, Observation
from wearlore.errors import AppraisalError
from wearlore.trace import Told, told
from wearlore.units import DAYS_PER_YEAR, Units
from wearlore.vehicle import Vehicle
from wearlore.web.desk import Key
from wearlore.web.said import Said
from wearlore.workbench import Workbench
from wearlore.workbench.appraisals import RECORDED, asked_for
from wearlore.workbench.appraising import Appraising, ForSale

HISTORY = {"unknown": "not known", "complete": "known from new"}
OF_THE_VEHICLE = ("variant", "built", "odometer", "history", "done", "per-year", "horizon", "rate", "missing-tool")


@dataclass(frozen=True)
class Buying:
    """``vehicle``: one of the store, or empty: then the address says what it is."""

    vehicle: str
    said: Said
    units: Units
    today: date

    @property
    def lacking(self) -> tuple[str, ...]:
        """What must still be said before anything can be answered."""
        wanted = ("price",) if self.vehicle else ("variant", "built", "odometer", "price")
        return tuple(name for name in wanted if not self.said.one(name))

    # ---------------------------------------------------------------------------------------------------- the slow part
    @property
    def key(self) -> Key:
        """Of the vehicle, whatever is asked for it or found on it."""
        return ("appraising", self.vehicle, self.units, *((name, self.said.many(name)) for name in OF_THE_VEHICLE))

    @property
    def question(self) -> Callable[[Workbench], Appraising]:
        """The vehicle simulated, to be asked of as findings come in. Raises WearloreError."""

        def ask(bench: Workbench) -> Appraising:
            said, units = self.said, self.units
            found = bench.appraising(
                self.vehicle or self._for_sale(bench),
                km=said.km("odometer", units),
                missing_tools=said.many("missing-tool"),
                labour_rate=said.number("rate"),
                horizon=said.km("horizon", units),
                per_year=said.km("per-year", units),
                history=RECORDED if self.vehicle else HISTORY[self._history],
            )
            found.simulated  # noqa: B018  (the slow part, done here)
            return found

        return ask

    @property
    def _history(self) -> str:
        said = self.said.one("history", "unknown")
        if said not in HISTORY:
            raise AppraisalError(f"history is {said!r}", f"Say {' or '.join(HISTORY)}.")
        return said

    def _for_sale(self, bench: Workbench) -> Vehicle:
        built, km = self.said.day("built"), self.said.km("odometer", self.units)
        if built is None or km is None:
            raise AppraisalError("there is too little to appraise", "Say variant, date built and odometer.")
        return bench.for_sale(
            self.said.one("variant"), built, km, [self._renewed(one) for one in self.said.many("done")],
            complete=self._history == "complete", today=self.today,
        )  # fmt: skip

    def _renewed(self, written: str) -> Renewed:
        unit, _, odometer = written.rpartition("@")
        try:
            return Renewed(unit, self.units.to_km(float(odometer)))
        except ValueError:
            mend = "Write the component, @ and the odometer: water-pump@90000."
            raise AppraisalError(f"done is {written!r}", mend) from None

    # -------------------------------------------------------------------------------------------------------- each time
    def asked(self, appraising: Appraising) -> ForSale:
        """Raises WearloreError."""
        stands = appraising.vehicle
        price = self.said.number("price")
        if price is None:
            raise AppraisalError("nothing is said of the price", "Say what is asked for it.")
        age = (self.today - stands.built).days / DAYS_PER_YEAR
        said = self.said
        return asked_for(price, said.number("comparable-price"), None, said.number("minutes"), age, stands.km)

    def told(self, book: Book) -> tuple[Told, ...]:
        """What was found so far. Raises WearloreError."""
        said = self.said
        return told(
            book, saw=said.many("saw"), absent=said.many("absent"), dry=said.many("dry"), codes=said.many("code"),
            codes_read=bool(said.one("codes-read")), readings=said.many("read"), found=said.many("found"),
            good=said.many("good"),
        )  # fmt: skip

    def answer(self, sight: str, inspection: str) -> str:
        """What was said of a sight: ``there``, ``not there``, a reading's number, or nothing."""
        names = {sight, f"{sight}:{inspection}"}
        if names & set(self.said.many("saw")):
            return "there"
        if names & set(self.said.many("absent")):
            return "not there"
        return next((one.partition("=")[2] for one in self.said.many("read") if one.partition("=")[0] == sight), "")

    def with_answer(self, sight: str, inspection: str, answer: str) -> Said:
        """The address when that is said of a sight; nothing: not looked."""
        names = {sight, f"{sight}:{inspection}"}
        saw, absent = ([one for one in self.said.many(name) if one not in names] for name in ("saw", "absent"))
        read = [one for one in self.said.many("read") if one.partition("=")[0] != sight]
        match answer:
            case "":
                pass
            case "there":
                saw.append(f"{sight}:{inspection}")
            case "not there":
                absent.append(f"{sight}:{inspection}")
            case number:
                read.append(f"{sight}={number}")
        return self.said.but(saw=saw, absent=absent, read=read)


def is_read(observation: Observation | None) -> bool:
    """Whether a number is told of it, which the book can weigh."""
    if observation is None or observation.kind != "reading":
        return False
    return observation.limit is not None or observation.sound is not None
