"""Supplements in a real browser: sign what has changed, read why, give, keep the stock."""

import pytest
from playwright.sync_api import Page, ViewportSize, expect

from tests.browser.conftest import PHONE, TABLET, Served, look
from tests.kitchen import Kitchen
from tests.pages.test_supplements import brine_fed, lapsed
from tests.supplements.test_plans import require
from tests.supplements.test_standing import orders, signed

both = pytest.mark.parametrize("size", [TABLET, PHONE], ids=["tablet", "phone"])


def a_second_animal(kitchen: Kitchen) -> None:
    kitchen.manager.made(
        "/animals",
        {
            "code": "PEARL",
            "name": "Pearl",
            "taxon": "Zalophus californianus",
            "group": "pinniped",
            "sex": "female",
        },
    )
    kitchen.nutritionist.made(
        "/animals/PEARL/diets",
        {"from": "2026-11-01", "items": [{"species": "HER", "mass": "4 kg"}]},
    )
    kitchen.nutritionist.made("/supplement-plans", {"animal": "PEARL", "day": "2026-11-25"})


@both
def test_the_vet_signs_many_with_one_signature(served: Served, size: ViewportSize) -> None:
    kitchen = brine_fed(served.kitchen)
    lapsed(kitchen)
    a_second_animal(kitchen)
    with served.page("vet", size) as page:
        page.goto("/supplements")
        look(page, "supplements")
        page.get_by_role("button", name="Tick all on this page").click()
        page.get_by_role("button", name="Sign what is ticked").click()
        expect(page.get_by_role("status")).to_have_text("Signed: 2.")
        look(page, "supplements-signed")
    assert {order["state"] for order in orders(kitchen)} == {"in_force"}


@both
def test_why_so_many_opens_to_every_step(served: Served, size: ViewportSize) -> None:
    kitchen = brine_fed(served.kitchen)
    require(kitchen, "VITE", 100, "IU", mode="total", limit=900)
    lapsed(kitchen)
    with served.page("nutritionist", size) as page:
        page.goto("/supplements/BRINE")
        page.get_by_text("vitamin E", exact=True).click()
        page.locator(".why").first.locator("summary").click()
        expect(page.get_by_text("Geraci 1972").first).to_be_visible()
        look(page, "supplements-animal")
        page.get_by_text("vitamin E in Atlantic herring").click()
        picture = page.locator("details[open] img.over-time")
        picture.scroll_into_view_if_needed()
        expect(picture).to_have_js_property("complete", True)
        expect(picture).not_to_have_js_property("naturalWidth", 0)
        look(page, "supplements-chart")


@both
def test_a_keeper_gives_and_records_what_was_spat_out(served: Served, size: ViewportSize) -> None:
    kitchen = brine_fed(served.kitchen)
    require(kitchen, "VITE", 100, "IU")
    signed(kitchen)
    with served.page("keeper", size) as page:
        page.goto("/supplements/kitchen")
        look(page, "supplements-kitchen")
        page.get_by_role("link", name="Record B1-100 tablet").click()
        look(page, "supplements-keeper")
        first = page.locator("#today ~ ul > li").first
        first.get_by_role("button", name="Given: 2 ×").click()
        expect(page.get_by_role("status")).to_have_text("Recorded.")
        second = page.locator("#today ~ ul > li").nth(1)
        second.get_by_text("It went otherwise").click()
        second.get_by_text("Spat out").click()
        second.get_by_label("Why, unless given").fill("spat into the pool")
        look(page, "supplements-otherwise")
        second.get_by_role("button", name="Record", exact=True).click()
        expect(page.get_by_text("spat into the pool")).to_be_visible()
        look(page, "supplements-given")


@both
def test_a_batch_is_received_and_counted(served: Served, size: ViewportSize) -> None:
    brine_fed(served.kitchen)
    with served.page("commissary", size) as page:
        page.goto("/supplements/stock")
        page.get_by_label("Product").select_option("B1-100")
        page.get_by_label("Batch code, as printed").fill("L-7")
        page.get_by_label("Last day").fill("2027-06")
        page.get_by_label("How many (grams, millilitres)").fill("100")
        look(page, "supplements-receive")
        page.get_by_role("button", name="Receive", exact=True).click()
        expect(page.get_by_role("status")).to_have_text("Booked.")
        for key in "96":
            page.locator(f'.pad [data-press="{key}"]').click()
        page.get_by_role("button", name="Record the count").click()
        expect(page.locator("p .figure")).to_have_text("96 pieces")
        look(page, "supplements-batch")
        page.goto("/supplements/stock")
        look(page, "supplements-stock")


def test_signing_needs_no_more_than_a_keyboard(served: Served) -> None:
    kitchen = brine_fed(served.kitchen)
    lapsed(kitchen)
    with served.page("vet") as page:
        page.goto("/supplements")
        page.locator("[data-sign]").focus()
        page.keyboard.press("Space")
        to_button(page, "Sign what is ticked")
        page.keyboard.press("Enter")
        expect(page.get_by_role("status")).to_have_text("Signed: 1.")


def to_button(page: Page, words: str) -> None:
    """Tab until a button has the focus."""
    for _ in range(20):
        page.keyboard.press("Tab")
        if words in page.evaluate("document.activeElement.textContent"):
            return
    raise AssertionError(f"no way to {words} by keyboard")


@both
def test_a_requirement_is_set_and_what_it_would_change_is_asked_first(
    served: Served, size: ViewportSize
) -> None:
    kitchen = brine_fed(served.kitchen)
    signed(kitchen)
    with served.page("nutritionist", size) as page:
        page.goto("/supplements/BRINE/what-if")
        page.get_by_label("Instead of").select_option("HER")
        page.get_by_label("as much energy of").select_option("CAP")
        page.get_by_role("button", name="Show what that would do").click()
        expect(page.get_by_role("heading", name="As it would be")).to_be_visible()
        look(page, "supplements-what-if")
        page.goto("/supplements/BRINE/requirements")
        page.get_by_text("Set a requirement").click()
        page.get_by_label("Nutrient").select_option("VITE")
        page.get_by_label("How much").fill("120")
        page.get_by_label("Unit").select_option("IU")
        page.get_by_label("Source: who says so, where").fill("our vet, diet review")
        look(page, "supplements-requirement")
        page.get_by_role("button", name="Set it").click()
        expect(page.get_by_text("120 IU", exact=True)).to_be_visible()
