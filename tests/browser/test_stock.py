"""Lots on a tablet and a phone: found, held, moved, recalled, watched."""

import pytest
from playwright.sync_api import ViewportSize

from tests.browser.conftest import PHONE, TABLET, Served, look
from tests.pages.test_stock import fed

BOTH = pytest.mark.parametrize("size", [TABLET, PHONE], ids=["tablet", "phone"])


@BOTH
def test_a_scanner_leads_to_a_lot_and_its_story(served: Served, size: ViewportSize) -> None:
    kitchen = served.kitchen
    old = kitchen.a_lot(caught="2026-05-28", supplier_lot="A-77")["code"]
    held = kitchen.a_lot(caught="2026-06-01", place="FZ2")["code"]
    kitchen.a_lot(species="CAP", caught="2026-07-01", mass="120 kg")
    kitchen.keeper.made(f"/lots/{held}/holds", {"reason": "torn carton"})
    fed(kitchen, old)
    with served.page("manager", size) as page:
        page.goto("/stock")
        look(page, "stock")
        page.keyboard.type(old)  # a scanner types and presses Enter: the field has the focus
        page.keyboard.press("Enter")
        page.get_by_role("heading", name=old).wait_for()
        look(page, "stock-lot")
        assert page.get_by_text("Fed: 2.50 kg eaten").is_visible()
        page.get_by_role("link", name="vitamin E").click()
        page.get_by_role("heading", name="vitamin E over time").wait_for()
        look(page, "stock-over-time")


@BOTH
def test_a_lot_is_put_on_hold_and_released_again(served: Served, size: ViewportSize) -> None:
    lot = served.kitchen.a_lot()["code"]
    with served.page("vet", size) as page:
        page.goto(f"/stock/{lot}")
        page.get_by_role("link", name="Put on hold").click()
        page.get_by_label("Why?").fill("smells of ammonia")
        look(page, "stock-hold")
        page.get_by_role("button", name="Put on hold").click()
        page.get_by_text("smells of ammonia").first.wait_for()
        look(page, "stock-held")
        page.get_by_text("Release this hold").click()
        page.get_by_label("Why may it be used?").fill("looked at it, sound")
        page.get_by_role("button", name="Release").click()
        page.get_by_text("may be used").wait_for()


def test_fish_is_moved_with_the_keyboard_alone_and_a_refusal_keeps_what_was_typed(
    served: Served,
) -> None:
    lot = served.kitchen.a_lot()["code"]
    with served.page("commissary", TABLET) as page:
        page.goto(f"/stock/{lot}/move")
        page.get_by_label("How much?").focus()
        page.keyboard.type("900")
        page.get_by_label("To where?").focus()
        page.keyboard.type("FZ2")
        look(page, "stock-move")
        page.get_by_role("button", name="Move").press("Enter")
        page.get_by_text("not-enough-stock").wait_for()
        look(page, "stock-refused")
        page.keyboard.press("Escape")
        assert page.get_by_label("How much?").input_value() == "900"
        page.get_by_label("How much?").focus()
        page.keyboard.press("Control+A")
        page.keyboard.type("30")
        page.get_by_role("button", name="Move").press("Enter")
        page.get_by_text("30.0 kg moved to FZ2").wait_for()
    assert served.kitchen.balance()["parcels"] == 100_000


@BOTH
def test_a_recall_holds_everything_and_those_who_ate_are_watched(
    served: Served, size: ViewportSize
) -> None:
    kitchen = served.kitchen
    lot = kitchen.a_lot(supplier_lot="A-77", caught="2026-05-28")["code"]
    other = kitchen.a_lot(supplier_lot="a 77", place="FZ2")["code"]
    fed(kitchen, lot)
    with served.page("vet", size) as page:
        page.goto(f"/stock/{lot}/recall")
        look(page, "stock-recall")
        page.get_by_role("button", name="Hold everything").click()
        page.get_by_text("All of it is on hold").wait_for()
        assert page.get_by_text(f"On hold: {lot}, {other}").is_visible()
        page.locator("#watch-reason").fill("smelled of ammonia")
        page.get_by_label("What may be wrong with it?").select_option("spoilage")
        page.get_by_role("button", name="Open a watch").click()
        page.get_by_role("heading", name=f"Those who ate of {lot}").wait_for()
        look(page, "stock-watch")
        page.get_by_role("link", name="Record a look").click()
        page.get_by_label("vomiting").check()
        look(page, "stock-look")
        page.get_by_role("button", name="Record the look").click()
        page.get_by_text("the vet is told").wait_for()
        page.goto("/stock/watches")
        look(page, "stock-watches")


def test_a_laboratory_result_is_recorded(served: Served) -> None:
    lot = served.kitchen.a_lot()["code"]
    with served.page("nutritionist", TABLET) as page:
        page.goto(f"/stock/{lot}/assay")
        page.get_by_label("Laboratory").fill("Coast Laboratory")
        page.get_by_label("Nutrient").first.select_option("FAT")
        page.get_by_label("Amount").first.fill("9.8")
        look(page, "stock-assay")
        page.get_by_role("button", name="Laboratory result").click()
        page.get_by_text("Laboratory result recorded").wait_for()
        page.goto("/stock/trace?animal=BRINE")
        look(page, "stock-trace")
