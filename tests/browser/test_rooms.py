"""Cold rooms, at a tablet and at a phone."""

from datetime import timedelta

import pytest
from playwright.sync_api import ViewportSize, expect

from tests.assessments.outages import NIGHT, assessed, readings, watched
from tests.browser.conftest import PHONE, TABLET, Served, look, weight_of
from tests.kitchen import START

SHORT = {2: -14.0, 2.5: -9.0, 3: -8.0, 9: -15.0, 9.5: -20.0, 10: -22.0}
SIZES = pytest.mark.parametrize("size", [TABLET, PHONE], ids=["tablet", "phone"])


def a_warm_night(served: Served, until: float = 12.0) -> int:
    """A freezer that is warm from the evening on, another that fell silent, a refrigerator; as
    things stand so many hours after the evening began."""
    kitchen = served.kitchen
    kitchen.clock.at = NIGHT - timedelta(hours=1)
    lot = str(kitchen.a_lot(mass="480 kg")["code"])
    kitchen.a_lot(species="CAP", mass="96 kg", caught="2026-07-01")
    kitchen.a_lot(mass="60 kg", place="FZ2")
    kitchen.pulled(lot, "20 kg")
    kitchen.clock.at = NIGHT + timedelta(hours=until)
    readings(kitchen, SHORT, until=until)
    day_before = kitchen.clock() - timedelta(hours=25)
    kitchen.temperatures("FZ2-AIR", day_before, [-20.5] * 260, 300)
    kitchen.temperatures("COOL-AIR", day_before, [2.1, 2.4, 1.9] * 100, 300)
    watched(kitchen)
    shown = kitchen.keeper.shown("/excursions?place=FZ1")["items"]
    return int(shown[0]["id"])


def the_morning_after(served: Served) -> None:
    kitchen = served.kitchen
    begin = kitchen.clock() + timedelta(minutes=5)
    kitchen.clock.at = START
    steps = int((START - begin) / timedelta(minutes=5)) + 1
    kitchen.temperatures("FZ1-AIR", begin, [-21.0] * steps, 300)
    watched(kitchen)


@SIZES
def test_from_every_place_to_one_and_through_its_years(served: Served, size: ViewportSize) -> None:
    a_warm_night(served, until=8.5)
    with served.page("keeper", size) as page:
        page.goto("/rooms")
        expect(page.get_by_role("region", name="Fz1")).to_contain_text("warm since")
        look(page, "rooms")
        page.get_by_role("link", name="FZ1", exact=True).click()
        page.get_by_role("heading", name="FZ1", exact=True).wait_for()
        look(page, "rooms-place")
        page.get_by_role("link", name="Week").click()
        expect(page.get_by_role("link", name="Week")).to_have_attribute("aria-current", "page")
        page.get_by_text("The same as a table").click()
        look(page, "rooms-place-week")
        page.get_by_role("link", name="5 years").click()
        page.get_by_role("link", name="Earlier").click()
        page.get_by_role("link", name="Later").wait_for()
        look(page, "rooms-place-nothing")


@SIZES
def test_a_core_is_typed_on_the_keypad_beside_the_carton_and_the_lot_is_decided_on(
    served: Served, size: ViewportSize
) -> None:
    number = a_warm_night(served, until=8.9)
    with served.page("vet", size) as page:
        page.goto(f"/rooms/excursions/{number}")
        page.get_by_role("heading", name="Probe these cartons first").wait_for()
        look(page, "rooms-excursion-open")
        first = page.locator(".probe-cards li").first
        first.get_by_text("Write down its core").click()
        for key in ("1", "3", ".", "4", "−"):
            first.get_by_role(
                "button", name="Below zero" if key == "−" else key, exact=True
            ).click()
        expect(first.get_by_label("Core")).to_have_value("-13.4")
        first.get_by_role("button", name="Write it down").click()
        expect(page.get_by_role("status")).to_contain_text(
            "It counts in the assessment at once.", timeout=30_000
        )
    the_morning_after(served)
    with served.page("vet", size) as page:
        page.goto(f"/rooms/excursions/{number}")
        for group in page.locator("fieldset.choice").all():
            group.get_by_role("radio", name="use first").check()
        page.get_by_label("Reason").fill("corner cartons probed, still hard")
        page.get_by_label("What was done about the cause").fill("the door has a spring now")
        look(page, "rooms-excursion-decide")
        page.get_by_role("button", name="Sign").click()
        expect(page.get_by_role("status")).to_contain_text("Signed.", timeout=30_000)
        look(page, "rooms-excursion-decided")
    assert assessed(served.kitchen, number)["undecided"] == []


def test_a_refused_decision_stays_on_the_page_with_its_rule_and_what_was_typed(
    served: Served,
) -> None:
    number = a_warm_night(served)
    with served.page("commissary", TABLET) as page:
        page.goto(f"/rooms/excursions/{number}")
        page.locator("fieldset.choice").first.get_by_role("radio", name="use as usual").check()
        page.get_by_label("Reason").fill("it felt cold")
        page.get_by_label("What was done about the cause").fill("nothing yet")
        page.get_by_role("button", name="Sign").click()
        dialog = page.get_by_role("dialog")
        expect(dialog).to_contain_text("excursion-open", timeout=30_000)
        expect(dialog).to_contain_text("a vet decides")
        look(page, "rooms-excursion-refused")
        dialog.get_by_role("link", name="Back to the form").click()
        expect(page.get_by_label("Reason")).to_have_value("it felt cold")
    assert len(assessed(served.kitchen, number)["undecided"]) > 0


@SIZES
def test_the_air_is_measured_by_hand_with_the_keyboard_alone(
    served: Served, size: ViewportSize
) -> None:
    served.kitchen.a_lot()
    with served.page("keeper", size) as page:
        page.goto("/rooms/FZ1/check?kind=core")
        look(page, "rooms-check-core")
        page.goto("/rooms/FZ1/check")
        look(page, "rooms-check")
        page.get_by_label("Temperature").focus()
        page.keyboard.type("-19.5")
        page.keyboard.press("Enter")
        expect(page.get_by_role("status").first).to_contain_text("Written down: the air, −19.5 °C.")
    (check,) = served.kitchen.keeper.shown("/checks")["items"]
    assert (check["place"], check["temperature"]["c"]) == ("FZ1", -19.5)


def test_the_heaviest_page_of_a_room_weighs_little(served: Served) -> None:
    served.kitchen.a_lot()
    values = [-21.0 + (n * 7 % 13) / 10 for n in range(1440)]
    served.kitchen.temperatures("FZ1-AIR", START - timedelta(days=1), values, 60)
    with served.page("keeper", TABLET) as page:
        script, whole = weight_of(page, "/rooms/FZ1?span=day")
        assert script <= 150_000 and whole <= 300_000
