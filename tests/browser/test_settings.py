"""Settings, at a tablet and at a phone: what a figure changes, a place, a probe, somebody new."""

from datetime import timedelta

import pytest
from playwright.sync_api import ViewportSize

from tests.browser.conftest import PHONE, TABLET, Served, look, weight_of

SIZES = [TABLET, PHONE]


@pytest.mark.parametrize("size", SIZES)
def test_a_manager_sees_what_a_figure_would_change_before_setting_it(
    served: Served, size: ViewportSize
) -> None:
    lot = served.kitchen.a_lot(caught="2026-08-01")["code"]
    with served.page("manager", size) as page:
        page.goto("/settings")
        look(page, "settings")
        page.get_by_role("link", name="Figures of the rules").click()
        page.locator("summary", has_text="Age").last.click()
        look(page, "settings-figures")
        page.get_by_role("link", name="Age limit fatty").click()
        page.get_by_label("Here it is to be").fill("3")
        page.get_by_role("button", name="See what it changes").click()
        page.get_by_text(lot).wait_for()
        look(page, "settings-figure-effect")
        page.get_by_label("Your reason").fill("The vet asks for it")
        page.get_by_role("button", name="Set it from now on").click()
        page.get_by_text("is as you set it").wait_for()
        assert page.get_by_text("The vet asks for it").is_visible()


def test_a_figure_out_of_bounds_is_refused_over_the_form_and_stays_typed(served: Served) -> None:
    with served.page("manager") as page:
        page.goto("/settings/figures/clock_freezer_out_h?value=12")
        page.get_by_label("Your reason").fill("x")
        page.get_by_role("button", name="Set it from now on").click()
        page.get_by_role("dialog").get_by_text("reason").first.wait_for()
        look(page, "settings-figure-refused")
        page.get_by_role("dialog").get_by_text("Back to the form").click()
        assert page.get_by_label("Your reason").input_value() == "x"


@pytest.mark.parametrize("size", SIZES)
def test_a_place_is_set_up_with_the_keyboard_alone(served: Served, size: ViewportSize) -> None:
    with served.page("manager", size) as page:
        page.goto("/settings/places")
        look(page, "settings-places")
        page.locator("summary", has_text="Set up a place").focus()
        page.keyboard.press("Enter")
        page.keyboard.press("Tab")
        page.keyboard.press("ArrowDown")
        for said in ("cool2", "Small refrigerator"):
            page.keyboard.press("Tab")
            page.keyboard.type(said)
        page.keyboard.press("Enter")
        page.get_by_text("Small refrigerator is set up.").wait_for()
        assert page.get_by_role("link", name="COOL2 Small refrigerator").is_visible()
        page.goto("/settings/places/COOL2")
        look(page, "settings-place")


@pytest.mark.parametrize("size", SIZES)
def test_a_probe_that_fails_its_calibration_says_what_might_be_done(
    served: Served, size: ViewportSize
) -> None:
    kitchen = served.kitchen
    start = kitchen.clock.at - timedelta(hours=1)
    kitchen.temperatures("FZ1-AIR", start, [-20.5, -20.1])
    with served.page("manager", size) as page:
        page.goto("/settings/probes")
        look(page, "settings-probes")
        page.get_by_role("link", name="FZ1-AIR").click()
        page.locator("summary", has_text="Calibrate it").click()
        page.get_by_label("It showed").fill("1.4")
        look(page, "settings-probe-calibrate")
        page.get_by_role("button", name="Record the calibration").click()
        page.get_by_text("It does not agree.").wait_for()
        assert page.get_by_text("Nothing is changed until somebody decides.").first.is_visible()
        look(page, "settings-probe")


@pytest.mark.parametrize("size", SIZES)
def test_a_keeper_is_let_in_and_a_device_gets_its_token(served: Served, size: ViewportSize) -> None:
    with served.page("manager", size) as page:
        page.goto("/settings/people")
        page.get_by_text("Let somebody in").click()
        page.get_by_label("Name", exact=True).fill("Kim")
        page.get_by_label("Password", exact=True).fill("cold-fish-at-six")
        look(page, "settings-people")
        page.get_by_role("button", name="Let them in").click()
        page.get_by_text("Kim may log in now.").wait_for()
        page.get_by_role("link", name="Kim").click()
        page.get_by_role("heading", name="Kim").wait_for()
        look(page, "settings-person")
        page.get_by_role("button", name="Issue a token").click()
        page.get_by_role("heading", name="A token for Kim").wait_for()
        look(page, "settings-token")


@pytest.mark.parametrize("size", SIZES)
def test_the_other_settings_can_be_read_and_touched(served: Served, size: ViewportSize) -> None:
    with served.page("manager", size) as page:
        for name in ("house", "fish", "supplement-products", "told"):
            page.goto(f"/settings/{name}")
            for summary in page.locator("main > details > summary").all():
                summary.click()
            look(page, f"settings-{name}")


def test_no_page_of_the_settings_weighs_more_than_it_may(served: Served) -> None:
    for path in ("/settings/figures", "/settings/house", "/settings/fish"):
        with served.page("manager") as page:
            script, everything = weight_of(page, path)
            assert script <= 150_000 and everything <= 300_000, (path, script, everything)


@pytest.mark.parametrize("size", [TABLET, PHONE])
def test_a_manager_checks_what_lies_in_the_freezers_and_then_enters_it(
    served: Served, size: ViewportSize
) -> None:
    with served.page("manager", size) as page:
        page.goto("/settings/opening")
        first = page.get_by_role("group", name="Lot 1")
        first.get_by_label("Place").select_option("FZ1")
        first.get_by_label("Product").select_option("HER-BLOCK-10")
        first.get_by_label("Cartons").fill("5")
        look(page, "settings-opening")
        page.get_by_role("button", name="Check it first").click()
        page.get_by_role("heading", name="Checked, nothing is stored").wait_for()
        look(page, "settings-opening-checked")
        page.get_by_role("link", name="Back to the form").click()
        page.get_by_role("button", name="Enter it in the books").click()
        page.get_by_text("1 lots are in the books").wait_for()
