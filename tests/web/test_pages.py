"""Every page, wide and on a phone, light and dark: it loads, fits, can be used and breaks no rule of accessibility."""

import pytest
from playwright.sync_api import expect

from tests.web.conftest import PHONE, WIDE, Opener, assert_accessible, assert_fits, assert_touchable, settled

VAN = "/vehicles/V00003"
OF_A_VAN = ("", "/trace", "/visit", "/visit?fault=rear-seal-leak", "/outlook", "/appraisal?price=9500")
WHOLE = ("/", "/weak-points/chain-stretch", "/vehicles", "/appraisal", "/due", "/records", "/hindsight", "/guide")
PAGES = (*WHOLE, *(VAN + page for page in OF_A_VAN))


@pytest.mark.parametrize("path", PAGES)
@pytest.mark.parametrize(("size", "dark"), [(WIDE, False), (PHONE, True)], ids=["wide-light", "phone-dark"])
def test_page_can_be_used_by_everybody(open_page: Opener, path: str, size: tuple[int, int], dark: bool) -> None:
    page = settled(open_page(path, size, dark=dark))
    expect(page.locator("main h1")).to_be_visible()
    assert_fits(page)
    assert_touchable(page)
    assert_accessible(page)
