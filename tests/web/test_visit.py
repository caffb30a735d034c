"""The visit page as a person uses it: faults in, sliders moved, units left out and taken in, papers opened."""

from __future__ import annotations

import re

import pytest
from playwright.sync_api import Page, expect

from tests.web.conftest import PHONE, WIDE, Opener, assert_accessible, assert_fits, assert_touchable, settled

PATH = "/vehicles/V00003/visit"
LEAKS = f"{PATH}?fault=filter-housing-leak&horizon=50000"


def figure(page: Page, label: str) -> str:
    """A key figure of the page."""
    box = page.locator(".visit-head .key-figures > div").filter(has=page.locator("dt", has_text=label))
    return box.locator("dd").first.inner_text()


def done(page: Page) -> list[str]:
    return (
        page.locator(".panel", has=page.get_by_role("heading", name="Do in this visit"))
        .locator("strong")
        .all_inner_texts()
    )


@pytest.mark.parametrize(("size", "dark"), [(WIDE, False), (PHONE, True)], ids=["wide-light", "phone-dark"])
def test_the_page_with_its_answer_can_be_used_by_everybody(
    open_page: Opener, size: tuple[int, int], dark: bool
) -> None:
    page = settled(open_page(LEAKS, size, dark=dark))
    expect(page.get_by_role("heading", name="Beside two habits")).to_be_visible()
    expect(page.get_by_role("heading", name="The way in")).to_be_visible()
    expect(page.locator(".callout").first).to_be_visible()
    assert_fits(page)
    assert_touchable(page)
    assert_accessible(page)


def test_a_fault_in_brings_the_scope_out(open_page: Opener) -> None:
    page = open_page(f"{PATH}?horizon=50000")
    expect(page.locator(".visit-head")).to_be_visible()
    page.get_by_label("Fault", exact=True).fill("Oil filter housing seal leaks")
    page.get_by_label("Fault", exact=True).press("Enter")
    expect(page.get_by_role("heading", name="Has failed", exact=True)).to_be_visible()
    expect(page).to_have_url(re.compile("fault=filter-housing-leak"))
    assert "Oil filter housing" in done(page)
    page.get_by_role("button", name="Take away: Oil filter housing seal leaks").click()
    expect(page.get_by_role("heading", name="Has failed", exact=True)).to_have_count(0)


def test_a_fault_that_may_be_there_counts_by_its_chance(open_page: Opener) -> None:
    page = open_page(f"{PATH}?horizon=50000")
    expect(page.locator(".visit-head")).to_be_visible()
    page.get_by_label("How sure").select_option("0.5")
    page.get_by_label("Fault", exact=True).fill("Oil filter housing seal leaks")
    page.get_by_label("Fault", exact=True).press("Enter")
    expect(page.locator(".may-be", has_text="may have failed, 50 % sure")).to_be_visible()
    expect(page).to_have_url(re.compile("probable=filter-housing-leak%3D0.5"))


def test_no_such_fault_is_said_beside_the_field(open_page: Opener) -> None:
    page = open_page(f"{PATH}?horizon=50000")
    expect(page.locator(".visit-head")).to_be_visible()
    page.get_by_label("Fault", exact=True).fill("The radio is too loud")
    page.get_by_label("Fault", exact=True).press("Enter")
    expect(page.locator(".visit-wrong")).to_contain_text("no fault called")


def test_figures_follow_a_slider(open_page: Opener) -> None:
    page = settled(open_page(LEAKS))
    before = figure(page, "This visit")
    page.get_by_role("slider", name="Labour rate").focus()
    for _ in range(10):
        page.keyboard.press("ArrowRight")
    expect(page.locator(".visit-head")).to_contain_text("labour at EUR 82 per h")
    expect(page).to_have_url(re.compile("rate=82"))
    assert figure(page, "This visit") != before
    later = figure(page, "Later, expected")
    page.get_by_role("slider", name="Look ahead").focus()
    page.keyboard.press("ArrowRight")
    expect(page.locator(".visit-head")).to_contain_text("over 55,000 km")
    assert figure(page, "Later, expected") != later
    settled(page)  # the share is learned anew
    expect(page.locator(".visit-head")).to_contain_text("as last simulated")
    expect(page.locator(".visit-lines").first).not_to_contain_text("…")


def test_leaving_a_unit_out_is_priced_at_once(open_page: Opener) -> None:
    page = settled(open_page(LEAKS))
    assert "Intake manifold with swirl flaps" in done(page)
    page.get_by_role("button", name="Leave out: Intake manifold with swirl flaps").press("Enter")
    own = page.locator(".visit-own")
    expect(own).to_contain_text(re.compile(r"EUR [\d,]+ less in this visit .* EUR [\d,]+ more \([-\d,]+ to [\d,]+\)"))
    expect(page).to_have_url(re.compile("refuse=intake-manifold"))
    assert "Intake manifold with swirl flaps" not in done(page)
    freed = page.get_by_role("button", name="Leave to the advice: Intake manifold with swirl flaps")
    expect(freed).to_be_focused()
    freed.press("Enter")
    expect(own).to_have_count(0)


def test_demands_that_collide_leave_the_controls_usable(open_page: Opener) -> None:
    page = settled(open_page(f"{LEAKS}&refuse=oil-filter-housing"))
    expect(page.get_by_role("alert").filter(has_text="cannot all hold").first).to_be_visible()
    page.get_by_role("button", name="Take back my choices").first.click()
    expect(page.get_by_role("heading", name="Has failed", exact=True)).to_be_visible()
    expect(page.get_by_role("alert").filter(has_text="cannot all hold")).to_have_count(0)


def test_the_papers_are_those_of_what_is_shown(open_page: Opener) -> None:
    page = open_page(f"{LEAKS}&rate=90&include=water-pump")
    way = page.get_by_role("link", name="Job card, PDF")
    expect(way).to_have_attribute("href", re.compile("/papers/V00003/job-card.pdf\\?.*rate=90"))
    assert "include=water-pump" in (way.get_attribute("href") or "")
