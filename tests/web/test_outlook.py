"""The outlook in a browser: what it costs is said first, and wishes change it."""

from playwright.sync_api import Page, expect

from tests.web.conftest import Opener

OUTLOOK = "/vehicles/V00003/outlook"
LONG = 240_000  # ms: it is simulated, on a machine that may be busy


def patient(page: Page) -> Page:
    """The page when its answer is there."""
    expect(page.locator(".waiting")).to_have_count(0, timeout=LONG)
    return page


def test_what_it_costs_comes_first_and_what_drives_it_leads_on(open_page: Opener):
    page = patient(open_page(OUTLOOK))
    expect(page.locator("p.lead").first).to_contain_text("8 in 10 vehicles like this one pay between")
    expect(page.locator(".key-figures")).to_contain_text("Stranded at least once")
    expect(page.locator(".rival")).to_have_count(4)
    expect(page.locator(".rival.here")).to_contain_text("Follow the advice")
    assert page.locator(".drivers a").first.get_attribute("href").startswith("/weak-points/")
    page.locator(".rival", has_text="Cure only what failed").get_by_role("button").click()
    expect(page.locator(".rival.here")).to_contain_text("Cure only what failed")
    expect(page.locator("p.lead").first).to_contain_text("Curing only what failed")
    page.wait_for_url("**policy=only-failed**")


def test_the_earlier_answer_stays_in_sight_until_the_new_one_is_there(open_page: Opener):
    page = patient(open_page(OUTLOOK))
    page.get_by_label("Years ahead").focus()
    page.keyboard.press("ArrowLeft")
    expect(page.locator(".latest.stale .lead").first).to_contain_text("the next 5 years")
    page.wait_for_url("**years=4**")
    expect(patient(page).locator("p.lead").first).to_contain_text("the next 4 years")
    expect(page.locator(".latest.stale")).to_have_count(0)


def test_what_cannot_be_is_said_where_the_answer_would_stand(open_page: Opener):
    page = patient(open_page("/vehicles/V00003/outlook?per-year=much"))
    expect(page.get_by_role("alert")).to_contain_text("Give a number")
    nobody = patient(open_page("/vehicles/nobody/outlook"))
    expect(nobody.get_by_role("alert")).to_contain_text("nobody")
