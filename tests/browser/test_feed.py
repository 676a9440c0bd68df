"""The round with a tablet: few touches, no network, nothing twice and nothing lost."""

import asyncio
import time
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import pytest
from playwright.sync_api import BrowserContext, Page, Route, ViewportSize

from service.pages import static
from service.security import sessions
from tests.browser.conftest import PHONE, TABLET, Served, look, watch_failures, weight_of
from tests.buckets import test_buckets
from tests.buckets.test_buckets import an_order, on_a_diet
from tests.kitchen import START, Kitchen
from tests.pages.visiting import cookie_of


def a_batch(kitchen: Kitchen, mass: str = "40 kg") -> str:
    """A thaw batch that was found thawed."""
    code = test_buckets.a_batch(kitchen, mass=mass)
    kitchen.keeper.made(f"/thaw-batches/{code}/thawed", {"method": "touch"})
    return code


def animals(kitchen: Kitchen, number: int) -> list[str]:
    """So many animals that get two kilograms of capelin at one feed."""
    codes = [f"SEAL{n:02d}" for n in range(1, number + 1)]
    for code in codes:
        name = f"Seal {code[-2:]}"
        body = {"code": code, "name": name, "taxon": "Phoca vitulina", "group": "pinniped"}
        kitchen.manager.made("/animals", body)
        on_a_diet(kitchen, code, feeds=1, CAP=2000)
    return codes


def fed(kitchen: Kitchen) -> list[Any]:
    """The feeds that stand, in the order in which they were stored."""
    rows = kitchen.keeper.shown("/feeds")["items"]
    return [each for each in reversed(rows) if not each["taken_back"]]


def eaten_g(kitchen: Kitchen) -> int:
    return kitchen.balance().get("eaten", 0)


@contextmanager
def at_the_round(
    served: Served, size: ViewportSize = TABLET, role: str = "keeper"
) -> Iterator[tuple[BrowserContext, Page]]:
    """A tablet with the round on it, and its worker in charge; the service's clock is its own."""
    context = served.context(role, size)
    context.set_default_timeout(60_000)
    page = context.new_page()
    failures = watch_failures(page)
    page.clock.install(time=START)
    open_round(page)
    page.wait_for_function("() => navigator.serviceWorker.controller !== null")
    page.reload()  # now by way of the worker, which keeps a copy
    yield context, page
    assert failures == []
    context.close()


def open_round(page: Page) -> None:
    page.goto("/feed")


def card(page: Page) -> Any:
    """The one card that is shown, once it takes touches."""
    return page.locator("[data-card]:not([hidden]):not([inert])")


def touch(page: Page, name: str) -> None:
    """Touch a button of the card, once the card takes touches."""
    page.clock.run_for(400)
    card(page).get_by_role("button", name=name, exact=True).click()


def all_sent(page: Page, number: int) -> None:
    """So many entries were made on this tablet, and none of them waits any more."""
    until = time.monotonic() + 30
    while states_of(page) != (number, 0):
        assert time.monotonic() < until, states_of(page)
        page.wait_for_timeout(50)
    page.get_by_text("All is sent.").wait_for()


def states_of(page: Page) -> tuple[int, int]:
    """How many entries are on this tablet, and how many of them wait."""
    entries = page.evaluate("feedQueue.all()")
    return len(entries), sum(entry["state"] == "waits" for entry in entries)


@pytest.mark.parametrize("size", [TABLET, PHONE])
def test_a_round_of_twelve_animals_is_twelve_touches(served: Served, size: ViewportSize) -> None:
    codes = animals(served.kitchen, 12)
    a_batch(served.kitchen)
    with at_the_round(served, size) as (_, page):
        look(page, "feed")
        begun = time.monotonic()  # not the page's clock, which the tests set
        for _ in codes:
            card(page).get_by_role("button", name="Ate all", exact=True).click()
        page.get_by_text("The round is done.").wait_for()
        all_sent(page, 12)
        assert time.monotonic() - begun < 12 * (10 - 5)  # five seconds of each ten are a person's
        assert [each["animal"] for each in fed(served.kitchen)] == codes
        assert eaten_g(served.kitchen) == 12 * 2000
        look(page, "feed-done")


def test_what_was_left_is_pressed_on_the_keypad_in_five_touches(served: Served) -> None:
    animals(served.kitchen, 2)
    a_batch(served.kitchen)
    with at_the_round(served, PHONE) as (_, page):
        touch(page, "Ate some")
        for key in (".", "5"):
            card(page).locator(".pad").get_by_role("button", name=key, exact=True).click()
        assert card(page).locator("[data-eaten]").inner_text() == "1.5"
        look(page, "feed-some")
        touch(page, "Store")
        touch(page, "Not offered")
        touch(page, "Store")
        page.get_by_text("Say why nothing was offered.").wait_for()
        card(page).get_by_label("Note").fill("Not at the station")
        touch(page, "Store")
        all_sent(page, 2)
        first, second = fed(served.kitchen)
        assert first["items"][0]["left"]["g"] == 500
        assert (second["outcome"], second["note"]) == ("not_offered", "Not at the station")


def test_medicine_in_a_bucket_asks_what_became_of_it(served: Served) -> None:
    on_a_diet(served.kitchen)
    an_order(served.kitchen)
    a_batch(served.kitchen)
    served.kitchen.keeper.made("/buckets", {"day": "2026-11-25"})
    with at_the_round(served) as (_, page):
        touch(page, "Ate all")  # the browser asks for the answer that is missing
        assert fed(served.kitchen) == []
        page.get_by_text("Spat out", exact=True).click()
        look(page, "feed-medicine")
        touch(page, "Ate all")
        all_sent(page, 1)
    bucket = served.kitchen.keeper.shown("/buckets")["items"][0]
    assert (bucket["state"], bucket["carries"][0]["outcome"]) == ("fed", "spat_out")


def test_a_round_with_the_keyboard_only(served: Served) -> None:
    codes = animals(served.kitchen, 3)
    a_batch(served.kitchen)
    with at_the_round(served) as (_, page):
        card(page).focus()
        for _ in codes:
            page.locator("[data-card]:focus").wait_for()
            for _ in range(2):  # the thaw batch, then "ate all"
                page.keyboard.press("Tab")
            page.keyboard.press("Enter")
        page.get_by_text("The round is done.").wait_for()
        all_sent(page, 3)
    assert [each["animal"] for each in fed(served.kitchen)] == codes


def test_without_a_network_the_round_goes_on_and_is_stored_once(served: Served) -> None:
    """Reloaded from the worker's copy, three fed, the tab closed; sent when there is a network."""
    codes = animals(served.kitchen, 3)
    a_batch(served.kitchen)
    with at_the_round(served) as (context, page):
        context.set_offline(True)
        page.reload()
        for _ in codes:
            touch(page, "Ate all")
        page.get_by_text("3 wait to be sent.").wait_for()
        page.get_by_text("No connection: go on").wait_for()
        look(page, "feed-offline")
        page.reload()
        page.get_by_text("The round is done.").wait_for()
        page.close()
        assert fed(served.kitchen) == []
        served.kitchen.clock.forward(hours=1)
        context.set_offline(False)
        opened = context.new_page()
        opened.clock.install(time=served.kitchen.clock())
        open_round(opened)
        all_sent(opened, 3)
        opened.reload()
    stored = fed(served.kitchen)
    assert [each["animal"] for each in stored] == codes and eaten_g(served.kitchen) == 6000
    assert all(each["occurred_at"].startswith("2026-11-25T06:0") for each in stored)


def test_an_answer_that_was_lost_stores_nothing_twice(served: Served) -> None:
    animals(served.kitchen, 1)
    a_batch(served.kitchen)
    lost = []

    def lose(route: Route) -> None:
        route.fetch()  # it arrives and is stored; its answer does not come back
        lost.append(route.request.headers["idempotency-key"])
        route.abort() if len(lost) < 3 else route.continue_()

    with at_the_round(served) as (context, page):
        context.route("**/v1/feeds", lose)
        touch(page, "Ate all")
        page.get_by_text("1 wait to be sent.").wait_for()
        page.get_by_text("No connection: go on").wait_for()
        page.reload()
        for _ in range(4):
            page.clock.run_for(21_000)
        all_sent(page, 1)
    assert len(lost) >= 3 and len(set(lost)) == 1
    assert len(fed(served.kitchen)) == 1 and eaten_g(served.kitchen) == 2000


def test_fish_that_was_thrown_away_meanwhile_is_told_in_words_and_can_be_changed(
    served: Served,
) -> None:
    animals(served.kitchen, 2)
    batch, other = a_batch(served.kitchen, "10 kg"), a_batch(served.kitchen, "10 kg")
    with at_the_round(served) as (_, page):
        discarded = {"reason": "dropped on the floor"}
        served.kitchen.keeper.made(f"/thaw-batches/{batch}/discard", discarded)
        touch(page, "Ate all")
        page.get_by_text("Not stored").first.wait_for()
        assert batch in page.locator("[data-problems] .urgent").inner_text()
        look(page, "feed-conflict")
        page.reload()  # nothing is lost
        page.get_by_role("button", name="Change and send again").click()
        page.get_by_role("dialog").get_by_label("Thaw batch").fill(other)
        page.get_by_role("button", name="Send again", exact=True).click()
        all_sent(page, 1)
        page.get_by_text("Not stored").first.wait_for(state="hidden")
    (feed,) = fed(served.kitchen)
    assert feed["items"][0]["thaw_batch"] == other


def test_what_was_refused_is_stored_as_a_fact_or_given_to_the_paper(served: Served) -> None:
    animals(served.kitchen, 2)
    batch = a_batch(served.kitchen, "10 kg")
    with at_the_round(served) as (_, page):
        served.kitchen.keeper.made(f"/thaw-batches/{batch}/discard", {"reason": "dropped"})
        touch(page, "Ate all")
        page.get_by_role("button", name="It was fed all the same: store it").click()
        page.get_by_text("Stored, against a rule").first.wait_for()
        touch(page, "Ate all")
        page.get_by_role("button", name="Written on paper").click()
        page.get_by_label("Why, and where on paper").fill("Sheet of today, line 2")
        page.get_by_role("dialog").get_by_role("button", name="Written on paper").click()
        page.get_by_text("Entered on this tablet").click()
        page.get_by_text("Sheet of today, line 2").wait_for()
        look(page, "feed-paper")
    assert [each["animal"] for each in fed(served.kitchen)] == ["SEAL01"]


def test_entries_wait_for_whoever_made_them(served: Served) -> None:
    """The session ended; somebody else logs in at the tablet; then the one who fed."""
    animals(served.kitchen, 2)
    a_batch(served.kitchen)
    with at_the_round(served) as (context, page):
        end_sessions(served.kitchen, context)
        touch(page, "Ate all")
        page.get_by_text("Log in as keeper to send what waits.").wait_for()
        log_in_as(served, context, "manager")
        open_round(page)
        page.get_by_text("1 entered by keeper wait until keeper logs in.").wait_for()
        look(page, "feed-others")
        assert fed(served.kitchen) == []
        log_in_as(served, context, "keeper")
        open_round(page)
        all_sent(page, 1)
        page.get_by_text("Entered on this tablet").click()
        page.locator(".entry").get_by_text("Stored", exact=True).wait_for()
    (feed,) = fed(served.kitchen)
    assert feed["by"] == "keeper"


def end_sessions(kitchen: Kitchen, context: BrowserContext) -> None:
    context.clear_cookies()
    kitchen.app.state.visits.forget()


def log_in_as(served: Served, context: BrowserContext, role: str) -> None:
    """Without a password, but the worker sees the form of logging in go, and drops its copy."""
    context.pages[0].evaluate("fetch('/log-in', {method: 'POST'}).then(answer => answer.status)")
    cookie = {
        "name": sessions.COOKIE,
        "value": cookie_of(served.kitchen, role),
        "url": served.address,
    }
    context.add_cookies([cookie])  # type: ignore[list-item]


def test_after_logging_out_nobody_is_shown_the_page_but_what_was_entered_stays(
    served: Served,
) -> None:
    animals(served.kitchen, 2)
    a_batch(served.kitchen)
    with at_the_round(served) as (context, page):
        context.set_offline(True)
        touch(page, "Ate all")
        page.get_by_text("1 wait to be sent.").wait_for()
        context.set_offline(False)
        context.route("**/v1/feeds", lambda route: route.abort())
        page.locator(".me summary").click()
        page.get_by_role("button", name="Log out").click()
        page.get_by_role("heading", name="Who is there?").wait_for()
        context.set_offline(True)
        page.goto("/feed")
        page.get_by_text("no page is kept here").wait_for()
        context.set_offline(False)
        context.unroute("**/v1/feeds")
        log_in_as(served, context, "keeper")
        open_round(page)
        all_sent(page, 1)
    assert len(fed(served.kitchen)) == 1


LATENCY = 12  # seconds; the worker waits for three, an entry for twenty


@contextmanager
def slow(kitchen: Kitchen) -> Iterator[None]:
    """Whatever is asked for takes its time, the page as well as what the worker asks for."""
    whole = kitchen.app.middleware_stack
    assert whole is not None

    async def late(*asked: Any) -> None:
        await asyncio.sleep(LATENCY)
        await whole(*asked)

    kitchen.app.middleware_stack = late
    yield
    kitchen.app.middleware_stack = whole


def test_on_a_slow_network_the_copy_is_shown_and_an_entry_is_stored_once(served: Served) -> None:
    animals(served.kitchen, 1)
    a_batch(served.kitchen)
    with at_the_round(served) as (_, page), slow(served.kitchen):
        begun = time.monotonic()
        page.reload()
        touch(page, "Ate all")
        assert time.monotonic() - begun < LATENCY  # no answer can have come yet
        page.get_by_text("1 wait to be sent.").wait_for()
        page.reload()  # while it is on its way
        page.get_by_text("1 wait to be sent.").wait_for()
        all_sent(page, 1)
    assert len(fed(served.kitchen)) == 1 and eaten_g(served.kitchen) == 2000


def test_a_tablet_that_keeps_nothing_sends_at_once_and_says_so(served: Served) -> None:
    animals(served.kitchen, 1)
    a_batch(served.kitchen)
    broken = served.context("keeper")
    broken.add_init_script("Object.defineProperty(window, 'indexedDB', {value: undefined})")
    page = broken.new_page()
    open_round(page)
    page.get_by_text("This tablet cannot keep entries").wait_for()
    card(page).get_by_role("button", name="Ate all").click()
    page.get_by_text("Stored: SEAL01.").wait_for()
    broken.close()
    assert len(fed(served.kitchen)) == 1


def test_without_scripts_a_card_is_a_form(served: Served) -> None:
    animals(served.kitchen, 1)
    a_batch(served.kitchen)
    with served.page("keeper", java_script_enabled=False) as page:
        page.goto("/feed")
        page.get_by_label("Left over").fill("0.5")
        page.get_by_role("button", name="Ate some").click()
        page.get_by_text("Stored: SEAL01.").wait_for()
        page.get_by_role("link", name="Fed today").click()
        page.get_by_role("link", name="Put right").click()
        page.get_by_label("Why it is taken back").fill("another animal")
        page.get_by_role("button", name="Take it back").click()
        page.get_by_text("Taken back.").wait_for()
    assert fed(served.kitchen) == []


@pytest.mark.parametrize("size", [TABLET, PHONE])
def test_what_was_fed_today_is_put_right(served: Served, size: ViewportSize) -> None:
    animals(served.kitchen, 1)
    a_batch(served.kitchen)
    with at_the_round(served, size) as (_, page):
        touch(page, "Ate all")
        all_sent(page, 1)
        page.get_by_role("link", name="Fed today").click()
        look(page, "feed-today")
        page.get_by_role("link", name="Put right").click()
        look(page, "feed-one")
        page.get_by_label("Eaten").fill("1.5")
        page.get_by_label("Why it is put right").fill("misread the scale")
        page.get_by_role("button", name="Put right").click()
        page.get_by_text("Put right.").wait_for()
    assert eaten_g(served.kitchen) == 1500


def test_the_page_is_light(served: Served) -> None:
    animals(served.kitchen, 40)
    a_batch(served.kitchen, "100 kg")
    with served.page("keeper") as page:
        script, whole = weight_of(page, "/feed")
    assert script < 150_000 and whole < 300_000


def test_a_refusal_is_decided_once_whichever_tab_decides(served: Served) -> None:
    animals(served.kitchen, 1)
    batch = a_batch(served.kitchen, "10 kg")
    with at_the_round(served) as (_, page):
        served.kitchen.keeper.made(f"/thaw-batches/{batch}/discard", {"reason": "dropped"})
        touch(page, "Ate all")
        page.get_by_role("button", name="It was fed all the same: store it").wait_for()
        page.evaluate(
            """async () => {
              const [refused] = await feedQueue.all();
              for (const tab of [1, 2]) await feedQueue.again(refused, { fact: true });
            }"""
        )
        all_sent(page, 1)
    assert len(fed(served.kitchen)) == 1


def test_the_copy_of_the_round_works_after_the_service_was_renewed(
    served: Served, monkeypatch: pytest.MonkeyPatch
) -> None:
    animals(served.kitchen, 1)
    a_batch(served.kitchen)
    with at_the_round(served) as (context, page):
        page.goto("/")  # the round is not open when the new worker comes
        monkeypatch.setattr(static, "address", lambda name: f"/static/{name}?v=renewed")
        page.evaluate("navigator.serviceWorker.getRegistration().then(known => known.update())")
        page.wait_for_function(
            "async () => (await caches.keys()).every(name => !name.startsWith('files') || "
            "name.includes('renewed'))"
        )
        context.set_offline(True)
        open_round(page)
        touch(page, "Ate all")
        page.get_by_text("1 wait to be sent.").wait_for()
        context.set_offline(False)
        all_sent(page, 1)
    assert len(fed(served.kitchen)) == 1
