"""The day's thaw at a tablet and a phone: planning, scanning cartons, tending batches."""

import re
from typing import Any

import pytest
from playwright.sync_api import Page, ViewportSize

from tests.browser.conftest import PHONE, TABLET, Served, look
from tests.kitchen import Kitchen

DAY = "2026-11-26"
BOTH = pytest.mark.parametrize("size", [TABLET, PHONE])


def stocked(kitchen: Kitchen) -> dict[str, str]:
    """Herring and capelin, and a diet of both."""
    lots = {species: kitchen.a_lot(species)["code"] for species in ("HER", "CAP")}
    items = [{"species": "HER", "mass": "12 kg"}, {"species": "CAP", "mass": "3 kg"}]
    diet = {"from": "2026-11-25", "items": items, "feeds_per_day": 2}
    kitchen.nutritionist.made("/animals/BRINE/diets", diet)
    return lots


def planned(kitchen: Kitchen, **more: Any) -> Any:
    return kitchen.keeper.made("/thaw-requests", {"day": DAY, "thaw_place": "TANK1", **more})


def type_label(page: Page, text: str) -> None:
    """As a scanner does: it types, and ends with Enter. The field has the focus already."""
    page.locator("#f-scanned:focus").wait_for()
    page.keyboard.type(text)
    page.keyboard.press("Enter")


@BOTH
def test_a_day_is_asked_for_and_its_plan_is_shown(served: Served, size: ViewportSize) -> None:
    stocked(served.kitchen)
    with served.page("keeper", size) as page:
        page.goto("/thaw")
        look(page, "thaw-empty")
        page.get_by_role("link", name="Tomorrow").click()
        page.get_by_role("link", name="Plan a thaw").click()
        look(page, "thaw-new")
        page.get_by_label("Where does it thaw?").first.select_option("TANK1")
        page.get_by_role("button", name="Plan this day").click()
        page.get_by_text("meets every clock").first.wait_for()
        page.get_by_text("2 cartons").wait_for()
        look(page, "thaw-plan")


@BOTH
def test_cartons_are_scanned_from_the_list_until_all_is_pulled_with_the_keyboard_alone(
    served: Served, size: ViewportSize
) -> None:
    lots = stocked(served.kitchen)
    planned(served.kitchen)
    with served.page("keeper", size) as page:
        page.goto(f"/thaw/pulls?day={DAY}")
        look(page, "thaw-pulls")
        type_label(page, lots["HER"])
        page.get_by_text("1 of 2 cartons").wait_for()
        look(page, "thaw-pull")
        type_label(page, lots["HER"])
        page.get_by_text("2 of 2 cartons").wait_for()
        page.locator("button:focus", has_text="Pulled").wait_for()
        page.keyboard.press("Enter")
        page.get_by_text("Pulled 20.0 kg: thaw batch").wait_for()
        type_label(page, lots["CAP"])
        page.get_by_text("1 carton", exact=True).wait_for()
        page.get_by_role("button", name="Pulled").focus()
        page.keyboard.press("Enter")
        page.get_by_text("Everything is pulled.").wait_for()
        look(page, "thaw-pulls-done")
    found = served.kitchen.keeper.shown("/thaw-batches")["items"]
    assert [each["mass"]["g"] for each in found] == [20_000, 3_000]


@BOTH
def test_a_wrong_carton_is_told_over_the_line_with_what_to_take_instead(
    served: Served, size: ViewportSize
) -> None:
    lots = stocked(served.kitchen)
    wrong = served.kitchen.a_lot("HER")["code"]
    plan = planned(served.kitchen)
    number = next(pull["number"] for pull in plan["pulls"] if pull["lot"] == lots["HER"])
    with served.page("keeper", size) as page:
        page.goto(f"/thaw/plans/{plan['id']}/pulls/{number}")
        type_label(page, wrong)
        page.get_by_role("dialog").get_by_text(f"take {lots['HER']}").first.wait_for()
        look(page, "thaw-wrong-carton")
        page.keyboard.press("Escape")
        assert page.locator("#f-scanned").input_value() == wrong


@BOTH
def test_a_batch_is_found_thawed_moved_and_discarded(served: Served, size: ViewportSize) -> None:
    lots = stocked(served.kitchen)
    code = served.kitchen.pulled(lots["CAP"], "12 kg", to="COOL")["code"]
    served.kitchen.pulled(lots["HER"], "20 kg")
    served.kitchen.clock.forward(hours=20)
    with served.page("keeper", size) as page:
        page.goto("/thaw")
        page.get_by_role("link", name=code).last.click()
        look(page, "thaw-batch")
        page.get_by_text("Thawed through").click()
        page.get_by_text("By thermometer").click()
        page.locator(".pad[data-for=f-core_temperature]").get_by_role(
            "button", name="1", exact=True
        ).click()
        page.get_by_role("button", name="Note it").first.click()
        page.get_by_text("Thawed: noted.").wait_for()
        page.get_by_text("Move all of it").click()
        page.get_by_text("Kitchen (KITCHEN)").locator("visible=true").first.click()
        page.get_by_role("button", name="Move", exact=True).click()
        page.get_by_text("Moved to KITCHEN.").wait_for()
        look(page, "thaw-batch-thawed")
        page.goto("/thaw")
        look(page, "thaw")
        page.get_by_role("link", name=code).last.click()
        page.locator("summary", has_text="Discard").click()
        page.get_by_label("Why?").fill("the tank broke down")
        page.get_by_role("button", name="Discard").click()
        page.get_by_text("nothing left").first.wait_for()
        look(page, "thaw-batch-finished")


@BOTH
def test_hard_frozen_fish_goes_back_while_the_minutes_last(
    served: Served, size: ViewportSize
) -> None:
    code = served.kitchen.pulled(stocked(served.kitchen)["CAP"], "12 kg")["code"]
    served.kitchen.clock.forward(minutes=10)
    with served.page("keeper", size) as page:
        page.goto(f"/thaw/batches/{code}")
        page.get_by_text(re.compile("^(50|49) min left")).wait_for()
        look(page, "thaw-put-back")
        page.locator("#back-core").fill("-19")
        page.get_by_role("button", name="Put back").click()
        page.get_by_text("Put back into FZ1.").wait_for()


def test_a_plan_that_fails_is_planned_again_in_the_best_way(served: Served) -> None:
    stocked(served.kitchen)
    plan = planned(served.kitchen, thaw_place="COOL")
    with served.page("nutritionist") as page:
        page.goto(f"/thaw/plans/{plan['id']}")
        look(page, "thaw-plan-fails")
    with served.page("keeper") as page:
        page.goto(f"/thaw/plans/{plan['id']}")
        page.get_by_role("button", name="Plan again in the best way").click()
        page.get_by_text("Planned again.").wait_for()
        look(page, "thaw-plan-best")


def test_the_pull_list_follows_what_others_pull(served: Served) -> None:
    lots = stocked(served.kitchen)
    plan = planned(served.kitchen)
    with served.page("keeper") as page:
        page.goto(f"/thaw/pulls?day={DAY}")
        page.get_by_text("Up to date at").wait_for()
        page.wait_for_timeout(1000)  # the first look only learns how things stand
        body = {"lot": lots["HER"], "from_place": "FZ1", "to_place": "TANK1", "mass": "20 kg"}
        served.kitchen.keeper.made("/pulls", body | {"thaw_request": plan["id"]})
        page.evaluate("document.activeElement.blur()")
        page.get_by_role("heading", name="Done").wait_for()


@BOTH
def test_a_bucket_is_weighed_out_and_weighed_back(served: Served, size: ViewportSize) -> None:
    kitchen = served.kitchen
    batch = kitchen.pulled(stocked(kitchen)["CAP"], "12 kg")["code"]
    bucket = {
        "animal": "BRINE",
        "feed_at": "2026-11-25T08:00:00Z",
        "items": [{"thaw_batch": batch, "mass": "2 kg"}],
    }
    kitchen.keeper.made("/buckets", bucket)
    with served.page("keeper", size) as page:
        page.goto("/thaw/buckets")
        look(page, "thaw-buckets")
        page.get_by_role("link", name="08:00 Brine").click()
        look(page, "thaw-bucket")
        page.get_by_label("With the fish").fill("2.1")
        page.get_by_text("Under ice").click()
        page.get_by_role("button", name="Weighed out").click()
        page.get_by_label("Bucket with what was left").fill("0.5")
        look(page, "thaw-bucket-weighed")
        page.get_by_role("button", name="Record the feed").click()
        page.get_by_text("The feed is recorded.").wait_for()
