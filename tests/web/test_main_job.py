"""The main job from beginning to end: a van at the counter, what it is, what to do in a visit, the job card in hand."""

import re
from io import BytesIO

from playwright.sync_api import expect
from pypdf import PdfReader

from tests.web.conftest import Opener


def test_from_a_vehicle_to_its_job_card(open_page: Opener) -> None:
    page = open_page("/vehicles")
    page.get_by_role("searchbox").first.fill("V00003")
    page.locator("main").get_by_role("link", name=re.compile("V00003")).first.click()
    expect(page.get_by_role("heading", name="Likely now")).to_be_visible()

    page.get_by_role("navigation", name="Of this vehicle").get_by_role("link", name="Trace").click()
    page.locator(".engine button.zone").first.click()
    expect(page.locator(".source").first).to_contain_text("Camshaft cover gasket")
    expect(page).to_have_url(re.compile("saw="))
    page.get_by_role("link", name=re.compile("^Plan the visit with th")).first.click()

    expect(page).to_have_url(re.compile(r"/visit\?(fault|probable)="))
    expect(page.locator(".visit-head .key-figures")).to_contain_text("EUR")
    address = page.get_by_role("link", name="Job card, PDF").get_attribute("href")
    card = page.request.get(page.url.split("/vehicles")[0] + str(address))
    assert card.headers["content-type"] == "application/pdf"
    text = "".join(each.extract_text() for each in PdfReader(BytesIO(card.body())).pages)
    assert "V00003" in text
    assert "WARNING" in text
    assert "Camshaft cover gasket" in text
