"""The board at a tablet and at a phone: it follows what happens, and says when it cannot."""

from datetime import timedelta

import pytest
from playwright.sync_api import ViewportSize, expect

from service.pages import live
from service.welfare.models import WelfareConcern
from tests.browser.conftest import PHONE, TABLET, Served, look, weight_of
from tests.chores.test_chores import all_done
from tests.kitchen import Kitchen
from tests.pages.test_board import measured, noted, told


@pytest.fixture(autouse=True)
def quickly(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(live, "LOOK_EVERY_S", 0.2)
    monkeypatch.setattr(live, "ALIVE_EVERY_S", 1.0)


def busy(kitchen: Kitchen) -> str:
    """A morning with something of each kind; the code of a thaw batch past its time."""
    lot = kitchen.a_lot()["code"]
    measured(kitchen, FZ2=-9.0)
    kitchen.clock.forward(hours=-22)
    old: str = kitchen.pulled(lot, "10 kg")["code"]
    kitchen.clock.forward(hours=12)
    thawed = kitchen.pulled(lot, "10 kg", to="COOL")["code"]
    kitchen.clock.forward(hours=9)
    kitchen.keeper.made(f"/thaw-batches/{thawed}/thawed", {"method": "touch"})
    kitchen.pulled(lot, "20 kg")
    kitchen.clock.forward(hours=4)
    measured(kitchen, FZ2=-9.0)
    kitchen.keeper.made(f"/lots/{lot}/holds", {"reason": "smells of ammonia"})
    with kitchen.writing() as session:
        session.add(
            WelfareConcern(
                site_id=1,
                animal_id=1,
                kind="off_food",
                since=kitchen.clock() - timedelta(days=2),
                because="has eaten nothing for 2 days",
                numbers={},
                told_at=kitchen.clock(),
            )
        )
        noted(session, kitchen)
    told(kitchen, "FZ2 is warmer than −18 °C")
    return old


@pytest.mark.parametrize("size", [TABLET, PHONE])
def test_the_morning_is_read_from_the_most_urgent_down(served: Served, size: ViewportSize) -> None:
    old = busy(served.kitchen)
    with served.page("commissary", size) as page:
        page.goto("/")
        expect(page.get_by_role("heading", name="At once")).to_be_visible()
        card = page.locator(f"#batch-{old}")
        expect(card).to_contain_text("Discard what is left")
        expect(card).to_contain_text("over since")
        expect(page.locator("[data-live-status]")).to_contain_text("Up to date")
        look(page, "board")


def test_a_board_where_nothing_waits_says_so(served: Served) -> None:
    all_done(served.kitchen)
    measured(served.kitchen)
    with served.page("keeper") as page:
        page.goto("/")
        expect(page.get_by_text("All is well.")).to_be_visible()
        look(page, "board-all-well")


def test_a_pull_by_somebody_else_appears_without_a_touch(served: Served) -> None:
    lot = served.kitchen.a_lot()["code"]
    with served.page("keeper") as page:
        page.goto("/")
        expect(page.locator("[data-live-status]")).to_contain_text("Up to date")
        batch = served.kitchen.pulled(lot, "10 kg")["code"]
        expect(page.locator(f"#batch-{batch}")).to_be_visible()


def test_without_a_connection_the_board_stays_and_says_from_when_it_is(served: Served) -> None:
    lot = served.kitchen.a_lot()["code"]
    batch = served.kitchen.pulled(lot, "10 kg")["code"]
    with served.page("keeper") as page:
        page.goto("/")
        status = page.locator("[data-live-status]")
        expect(status).to_contain_text("Up to date")
        page.context.set_offline(True)
        expect(status).to_contain_text("No connection: this is how things stood at", timeout=20_000)
        expect(page.locator(f"#batch-{batch}")).to_be_visible()
        look(page, "board-no-connection")
        page.context.set_offline(False)
        other = served.kitchen.pulled(lot, "10 kg")["code"]
        expect(status).to_contain_text("Up to date", timeout=20_000)
        expect(page.locator(f"#batch-{other}")).to_be_visible(timeout=20_000)


def test_with_the_keyboard_alone_somebody_says_that_they_know(served: Served) -> None:
    told(served.kitchen, "FZ2 is warmer than −18 °C")
    with served.page("keeper") as page:
        page.goto("/")
        for _ in range(60):
            page.keyboard.press("Tab")
            if page.evaluate("document.activeElement.textContent") == "I know":
                break
        page.keyboard.press("Enter")
        expect(page.get_by_text("Kept: you know of it.")).to_be_visible()
        expect(page.get_by_text("FZ2 is warmer")).to_have_count(0)


def test_the_board_is_light(served: Served) -> None:
    busy(served.kitchen)
    with served.page("keeper") as page:
        script, whole = weight_of(page, "/")
        assert script <= 150_000 and whole <= 300_000
