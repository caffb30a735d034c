"""The page of a weak point: sections that have something to say, each with its way, its numbers and its records."""

import json
import re
from urllib.error import HTTPError
from urllib.request import urlopen

import pytest
from playwright.sync_api import Page, expect

from tests.web.conftest import (
    PHONE,
    WIDE,
    Opener,
    assert_accessible,
    assert_fits,
    assert_touchable,
)

PUMP = "/weak-points/water-pump-leak"
LONG = 150_000  # ms: false economy and what lies behind a curve are simulated


def complete(page: Page) -> Page:
    """The page when every section has its answer."""
    expect(page.locator(".waiting")).to_have_count(0, timeout=LONG)
    return page


@pytest.mark.parametrize(("size", "dark"), [(WIDE, False), (PHONE, True)], ids=["wide-light", "phone-dark"])
def test_the_page_can_be_used_by_everybody(open_page: Opener, size: tuple[int, int], dark: bool) -> None:
    page = complete(open_page(PUMP, size, dark=dark))
    assert_fits(page)
    assert_touchable(page)
    assert_accessible(page)


def test_it_says_first_when_it_fails_and_every_way_leads_to_a_section(open_page: Opener) -> None:
    page = complete(open_page(PUMP))
    expect(page.locator("#when p.lead")).to_contain_text(
        re.compile(r"1 in 10 has failed by [\d,]+ km \([\d,]+ to [\d,]+\) and half by")
    )
    ways = page.locator("nav.inner a:visible")
    assert ways.count() >= 6
    for way in ways.all():
        expect(page.locator(way.get_attribute("href") or "")).to_be_visible()
    assert page.locator("section.panel:visible").count() == ways.count()


def test_signs_remedies_and_money_stand_with_their_numbers(open_page: Opener) -> None:
    page = complete(open_page(PUMP))
    expect(page.locator("#signs li").first).to_contain_text("90")
    expect(page.locator("#signs")).to_contain_text("Engine overheated")
    remedies = page.locator("#remedies")
    expect(remedies).to_contain_text("Coolant pump")
    expect(remedies).to_contain_text("original")
    expect(remedies).to_contain_text("DANGER")
    expect(page.locator("#economy p.lead").first).to_contain_text("EUR")
    expect(page.locator("#plan")).to_contain_text("Strategies, cheapest first")


def test_a_weak_point_without_readings_or_revisions_has_no_such_section(open_page: Opener) -> None:
    page = complete(open_page(PUMP))
    expect(page.locator("#readings")).to_be_hidden()
    expect(page.locator("nav.inner a", has_text="Readings that drift")).to_be_hidden()
    expect(page.locator("#apart")).not_to_contain_text("By revision")


def test_the_records_behind_it_are_told_newest_first_and_lead_to_the_vehicle(open_page: Opener) -> None:
    page = complete(open_page(PUMP))
    page.locator("#records summary").click()
    dates = page.locator("#records td[data-label=Date]").all_inner_texts()
    assert dates == sorted(dates, reverse=True)
    vehicle = page.locator("#records td.key a").first
    expect(vehicle).to_have_attribute("href", f"/vehicles/{vehicle.inner_text()}")
    expect(page.locator("#records td[data-label='File and line']").first).to_contain_text(re.compile(r"\.parquet:\d+"))


def test_work_and_money_are_told_for_the_variant_in_the_address(open_page: Opener) -> None:
    page = complete(open_page(PUMP))
    page.locator("#remedies select").select_option("m118")
    page.wait_for_url("**variant=m118**")
    expect(page.locator("#remedies")).to_contain_text("On m118:")


@pytest.mark.slow
def test_what_lies_behind_the_curve_is_asked_when_it_is_opened(open_page: Opener) -> None:
    page = open_page("/weak-points/egr-valve-sticks")
    deeper = page.locator("#when details").last
    expect(deeper.locator("figure")).to_have_count(0)
    deeper.locator("summary").click()
    expect(deeper).to_contain_text("On probability paper", timeout=LONG)
    expect(deeper.locator("figure").first).to_be_visible()


def test_a_fault_that_hastens_it_has_its_section(open_page: Opener) -> None:
    page = open_page("/weak-points/lower-mount-rubber")
    expect(page.locator("#faster")).to_contain_text("Oil filter housing seal leaks", timeout=LONG)
    expect(page.locator("#faster p.lead")).to_contain_text("Does")


def test_an_unknown_name_is_answered_with_the_nearest(open_page: Opener, site: str) -> None:
    with pytest.raises(HTTPError) as refused:
        urlopen(f"{site}/weak-points/chain-stretc")
    with refused.value as answer:
        assert answer.code == 404
        assert "Did you mean chain-stretch" in json.dumps(answer.read().decode())
