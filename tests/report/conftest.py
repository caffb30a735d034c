"""A job card, estimate and owner's page to render: the small book of the job-card tests."""

from datetime import date
from pathlib import Path

import pytest
from ruamel.yaml import YAML

from wearlore.book.model import Book
from wearlore.estimate import Estimate
from wearlore.jobcard import Chosen, Reason, compose, owner_page
from wearlore.report import card as card_sheet
from wearlore.report import owner as owner_sheet
from wearlore.units import Units
from wearlore.vehicle import Vehicle

SMALL_BOOK = Path(__file__).parent.parent / "jobcard" / "small-book.yaml"
MADE_ON = date(2026, 11, 25)


@pytest.fixture(scope="session")
def book() -> Book:
    return Book.model_validate(YAML(typ="safe").load(SMALL_BOOK.read_text(encoding="utf-8")))


@pytest.fixture(scope="session")
def job(book):
    van = Vehicle("van 12", "long", date(2019, 5, 1), 142_318.0)
    return compose(book, van, (Chosen("renew-pump"), Chosen("renew-idler"), Chosen("change-oil")))


@pytest.fixture(scope="session")
def told(job):
    reasons = (
        Reason("Water pump", True, "It leaks now.", 1.0, 240.0, 900.0),
        Reason("Thermostat", True, "It sits behind the pump.", Estimate(0.31, 0.22, 0.41), 62.0, 310.0),
        Reason("Injector", False, "It shows no sign of trouble.", 0.12, 310.0, 95.0, 185_000.0),
    )
    return owner_page(job, found=("The water pump leaks.",), reasons=reasons, horizon_km=100_000.0)


@pytest.fixture(scope="session")
def sheets_in(job, told):
    """The three documents in given units."""

    def sheets(units=Units()):  # noqa: B008 - a frozen value
        return (
            card_sheet.job_card(job, units, MADE_ON),
            owner_sheet.estimate(job.estimate, units, MADE_ON),
            owner_sheet.owner_page(told, units, MADE_ON),
        )

    return sheets


@pytest.fixture(scope="session")
def sheets(sheets_in):
    return sheets_in()
