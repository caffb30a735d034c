"""The trace page as a person uses it: touch, type, keyboard; what it says, what its address holds, what it writes."""

import json
import re
import shlex
import shutil
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import parse_qs, urlsplit

import pytest
from playwright.sync_api import Locator, Page, expect

from tests.web.conftest import PHONE, Opener, assert_accessible, assert_fits, assert_touchable, served, settled
from wearlore import cli
from wearlore.report.trace import show_chance

VAN = "/vehicles/V00003"
TRACE = f"{VAN}/trace"
BELL = "Inside and underneath the bell housing"


def zone(page: Page, name: str) -> Locator:
    return page.get_by_role("button", name=re.compile(f"^{name}"))


def first_source(page: Page) -> Locator:
    return page.locator(".source summary").first


def chance_of(page: Page, cause: str) -> str:
    return page.locator(".source summary").filter(has_text=cause).locator("strong").inner_text()


def said(page: Page) -> dict[str, list[str]]:
    return parse_qs(urlsplit(page.url).query)


def answered(page: Page) -> Page:
    """The page when the newest answer stands on it."""
    settled(page)
    expect(page.locator(".stale")).to_have_count(0)
    return page


def test_a_zone_goes_from_not_looked_at_to_wet_to_dry_and_back_and_the_address_with_it(open_page: Opener) -> None:
    page = answered(open_page(TRACE))
    bell = zone(page, BELL)
    before = first_source(page).inner_text()
    for state, held in (
        ("wet", {"saw": ["oil-at-bell"]}),
        ("dry", {"absent": ["oil-at-bell"]}),
        ("not looked at", {}),
    ):
        bell.click()
        expect(bell).to_have_attribute("aria-label", re.compile(f": {state}$"))
        expect(bell.locator(".state")).to_have_text(state)
        assert said(answered(page)) == held
    assert first_source(page).inner_text() == before


def test_what_is_wet_ranks_the_sources_with_interval_reasons_and_what_is_left_unexplained(open_page: Opener) -> None:
    page = answered(open_page(f"{TRACE}?saw=oil-at-bell&saw=oil-loss"))
    expect(first_source(page)).to_contain_text("Rear crankshaft seal leaks")
    expect(first_source(page)).to_have_text(re.compile(r"\d+ %\(\d.* to \d.*\)"))
    expect(page.get_by_text("None of these:")).to_be_visible()
    expect(zone(page, BELL)).to_contain_text(re.compile(r"Rear crankshaft seal leaks \d+"))
    first_source(page).click()
    why = page.locator(".source-why").first
    expect(why).to_contain_text("Oil at the joint of engine and gearbox: there ×")
    expect(why).to_contain_text("Before anything was told:")
    before = chance_of(page, "Rear crankshaft seal leaks")
    zone(page, "Top of the engine").click()
    zone(page, "Top of the engine").click()  # dry above: it comes from here
    expect(page.locator(".source").first.locator("details")).to_have_attribute("open", "")  # stays as it was left
    answered(page)
    assert int(chance_of(page, "Rear crankshaft seal leaks").split()[0]) > int(before.split()[0])


def test_every_fluid_has_its_own_map_and_a_zone_may_show_several_things(open_page: Opener) -> None:
    page = answered(open_page(TRACE))
    page.get_by_role("button", name="Coolant", exact=True).click()
    spot = page.get_by_role("button", name="Wet behind the oil cooler cover: not looked at")
    spot.click()
    expect(page.get_by_role("button", name="Coolant: 1 wet")).to_have_attribute("aria-pressed", "true")
    page.get_by_role("button", name="All the rest is dry").click()
    expect(page.get_by_role("button", name="Coolant: 1 wet, 4 dry")).to_be_visible()
    expect(page.get_by_role("button", name="All the rest is dry")).to_be_disabled()
    assert len(said(answered(page))["absent"]) == 4


def test_codes_noises_and_readings_are_found_by_words_and_by_group(open_page: Opener) -> None:
    page = answered(open_page(TRACE))
    search = page.get_by_label("Search by words or code")
    search.press_sequentially("p0016")
    group = page.get_by_role("group", name="P0016 Crankshaft and camshaft correlation")
    group.get_by_role("button", name="there", exact=True).click()
    expect(first_source(page)).to_contain_text("hain")
    page.get_by_role("button", name=re.compile("^Trouble codes")).click()
    page.get_by_label("All codes were read").check()
    expect(page.get_by_text("All codes were read: no others are there")).to_be_visible()
    page.get_by_role("button", name=re.compile("^Readings")).click()
    page.get_by_label("Camshaft phase against crankshaft, in deg").fill("7.5")
    page.keyboard.press("Enter")
    expect(page.locator(".chips")).to_contain_text("Camshaft phase against crankshaft: 7.5 deg")
    assert said(answered(page)) == {"code": ["P0016"], "codes-read": ["yes"], "read": ["chain-phase=7.5"]}
    search.fill("ratle")
    expect(page.get_by_text("Nothing in the book is called 'ratle'")).to_contain_text("rattle")


def test_a_reload_and_the_command_say_the_same(open_page: Opener, demo_folder: Path, capsys: pytest.CaptureFixture[str],
                                               monkeypatch: pytest.MonkeyPatch) -> None:  # fmt: skip
    address = f"{TRACE}?saw=oil-at-bell&saw=oil-on-sump:look-underneath&absent=oil-on-top&code=P0016&codes-read=yes"
    page = answered(open_page(f"{address}&off=undertray-off&odometer=400000&missing-tool=borescope"))
    shown = page.locator(".source-name").all_inner_texts(), page.locator(".source strong").all_inner_texts()
    page.get_by_text("The same in a terminal").click()
    command = shlex.split(page.locator("#command").inner_text())
    page.reload()
    page.wait_for_selector("main h1")
    answered(page)
    assert (page.locator(".source-name").all_inner_texts(), page.locator(".source strong").all_inner_texts()) == shown
    monkeypatch.chdir(demo_folder.parent)
    capsys.readouterr()
    assert cli.run([*command[1:], "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    likely = [one for one in told["suspects"] if one["asked"]][: len(shown[0])]
    assert [re.sub(r" \(.*\)$", "", name) for name in shown[0]] == [one["name"] for one in likely]
    assert shown[1] == [show_chance(one["chance"]["value"]) for one in likely]


def test_a_stop_rule_stands_above_everything_and_is_read_out(open_page: Opener) -> None:
    page = answered(open_page(f"{TRACE}?saw=oil-at-bell"))
    banner = page.locator(".stops")
    expect(banner).to_be_empty()
    page.get_by_role("button", name=re.compile("^Lamps")).click()
    lamp = page.get_by_role("group", name="Oil pressure lamp").get_by_role("button", name="there", exact=True)
    lamp.click()
    expect(banner).to_contain_text("Stop the engine now and do not start it again.")
    expect(banner).to_have_attribute("aria-live", "assertive")
    expect(banner).to_be_in_viewport()  # although the page was scrolled to the lamp
    expect(page.get_by_text(re.compile("^Not to be looked at now"))).to_be_visible()
    lamp.click()
    expect(banner).to_be_empty()


@pytest.mark.parametrize("wrong", ["saw=nonsense", "off=nonsense", "odometer=far", "read=chain-phase%3Dx", "dry=cab"])
def test_what_the_book_does_not_know_is_said_and_begun_anew(open_page: Opener, wrong: str) -> None:
    page = open_page(f"{TRACE}?{wrong}")
    expect(page.get_by_role("alert")).to_contain_text(re.compile("nonsense|far|is no value|nothing in zone cab"))
    page.get_by_role("link", name="Start anew").click()
    expect(page.get_by_role("heading", name="Touch the engine")).to_be_visible()
    assert said(page) == {}


def test_what_cannot_be_is_said_and_taken_back(open_page: Opener) -> None:
    page = settled(open_page(f"{TRACE}?found=rear-seal-leak&good=rear-seal-leak"))
    expect(page.locator(".problem")).to_contain_text("Both cannot be")
    page.get_by_role("button", name="Take back what was said last").click()
    expect(page.locator(".problem")).to_have_count(0)
    expect(first_source(page)).to_be_visible()


def test_an_odometer_before_the_last_visit_is_refused_where_it_is_typed(open_page: Opener) -> None:
    page = answered(open_page(f"{TRACE}?saw=oil-at-bell"))
    page.get_by_text("This vehicle and this workshop today").click()
    page.get_by_label("Odometer now").fill("10")
    page.keyboard.press("Enter")
    expect(page.locator(".problem")).to_contain_text("read at the last visit")
    page.get_by_label("Odometer now").fill("400000")
    page.keyboard.press("Enter")
    expect(page.locator(".problem")).to_have_count(0)
    page.get_by_label("borescope", exact=False).check()
    assert said(answered(page))["missing-tool"] == ["borescope"]


# ------------------------------------------------------------------------------------------------------- the whole way
def press_to(page: Page, wanted: Locator) -> None:
    """Go on with the Tab key until the element has the focus."""
    element = wanted.element_handle()
    for _ in range(150):
        page.keyboard.press("Tab")
        if page.evaluate("e => document.activeElement === e", element):
            return
    raise AssertionError(f"no way to it by keyboard: {wanted}")


def test_by_keyboard_alone_from_the_vehicle_to_its_visit(open_page: Opener) -> None:
    page = open_page(VAN)
    press_to(page, page.get_by_role("link", name="Trace", exact=True))
    page.keyboard.press("Enter")
    page.wait_for_url(f"**{TRACE}")
    answered(page)
    before = first_source(page).inner_text()
    press_to(page, zone(page, BELL))
    page.keyboard.press("Space")
    expect(zone(page, BELL)).to_have_attribute("aria-label", re.compile(": wet$"))
    expect(zone(page, BELL)).to_be_focused()
    answered(page)
    assert first_source(page).inner_text() != before
    for _ in range(12):
        head = page.locator("#next-step").inner_text()
        if head.startswith("Act now"):
            break
        rest = page.locator(".results .sign")
        press_to(page, rest.first.get_by_role("button", name="there", exact=True))
        page.keyboard.press("Space")
        expect(rest.first.get_by_role("button", name="there", exact=True)).to_have_attribute("aria-pressed", "true")
        press_to(page, page.get_by_role("button", name="That is what it showed"))
        page.keyboard.press("Enter")
        expect(page.locator("#next-step")).to_be_focused()  # and the keyboard goes on from the next step
        expect(page.locator("#next-step")).not_to_have_text(head)
        answered(page)
    else:
        raise AssertionError("it never comes to act")
    press_to(page, page.get_by_role("link", name="Plan the visit with this"))
    page.keyboard.press("Enter")
    page.wait_for_url(f"**{VAN}/visit?**")
    handed = said(page)
    assert {*handed.get("fault", []), *(one.partition("=")[0] for one in handed.get("probable", []))}


def test_by_touch_on_a_phone(open_page: Opener) -> None:
    page = answered(open_page(TRACE, PHONE))
    zone(page, BELL).tap()
    strip = page.locator(".trace-now")
    expect(strip).to_contain_text(re.compile(r"Rear crankshaft seal leaks \d+ %"))
    expect(strip).to_be_in_viewport()  # although the sources are far below
    answered(page)
    looks = page.locator("#next-step").inner_text()
    strip.get_by_role("link").last.tap()
    page.locator(".results .sign").first.get_by_role("button", name="not there").tap()
    page.get_by_role("button", name="The rest: not there").tap()
    page.get_by_role("button", name="That is what it showed").tap()
    expect(page.locator("#next-step")).not_to_have_text(looks)
    assert said(answered(page))["skip"]
    zone(page, "Top of the engine").tap()
    answered(page)
    assert_fits(page)
    assert_touchable(page)


@pytest.mark.parametrize(("size", "dark"), [((1440, 900), True), (PHONE, False)], ids=["wide-dark", "phone-light"])
def test_with_everything_open_it_can_be_used_by_everybody(open_page: Opener, size: tuple[int, int], dark: bool) -> None:
    address = f"{TRACE}?saw=oil-lamp&saw=coolant-on-intake-side&absent=oil-on-top&found=rear-seal-leak"
    page = answered(open_page(address, size, dark=dark))
    page.get_by_role("button", name=re.compile("^Noises")).click()
    page.evaluate("document.querySelectorAll('details').forEach(e => { e.open = true; })")
    expect(page.locator(".sign").first).to_be_visible()
    assert_fits(page)
    assert_touchable(page)
    assert_accessible(page)


# -------------------------------------------------------------------------------------------------------- what it keeps
@pytest.fixture(scope="module")
def own_site(demo_folder: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    folder = tmp_path_factory.mktemp("own") / "wearlore-demo"
    shutil.copytree(demo_folder, folder)
    with served(folder) as address:
        yield address


def test_chances_are_kept_and_what_was_found_goes_on_record(open_page: Opener, own_site: str) -> None:
    page = answered(open_page(f"{TRACE}?saw=oil-at-bell&odometer=400000", site=own_site))
    page.get_by_text("What was found, and keeping the chances").click()
    outcome = page.locator(".outcome")
    page.get_by_role("button", name="Put on record what was found").click()
    expect(outcome).to_contain_text("nothing was found")
    page.get_by_role("button", name="Keep these chances").click()
    expect(outcome).to_contain_text(re.compile(r"Kept: \d+ chances"))
    page.get_by_role("button", name="Keep these chances").click()
    expect(outcome).to_contain_text("Kept before: nothing is new.")
    name = page.locator(".source-name").first.inner_text()
    first_source(page).click()
    page.get_by_role("button", name="it is there").first.click()
    expect(page.get_by_text(f"{name}: is there")).to_be_visible()
    page.get_by_label("Note, in your words").fill("seen with the gearbox off")
    page.keyboard.press("Tab")
    page.get_by_role("button", name="Put on record what was found").click()
    expect(outcome).to_contain_text("On record: 1 finding.")
    again = answered(open_page(f"{TRACE}?saw=oil-at-bell&odometer=400000", site=own_site))
    row = again.locator(".source").filter(has_text=name)
    row.locator("summary").click()
    expect(row).to_contain_text("It stands on record as found and not cured.")
