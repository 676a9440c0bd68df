"""What is typed comes back, and comes back once."""

from playwright.sync_api import Page

from service.security import users
from service.security.rules import Role
from tests.browser.conftest import Served
from tests.browser.test_feed import end_sessions

PASSWORD = "cold-fish-at-six"


def type_into(page: Page, label: str, text: str) -> None:
    page.get_by_label(label, exact=True).fill(text)


def test_what_was_typed_comes_back_and_what_was_not_is_as_it_stands_now(served: Served) -> None:
    with served.page("manager") as page:
        page.goto("/settings/house")
        type_into(page, "Name", "Typed, not sent")
        served.kitchen.manager.put("/sites/MAIN", {"name": "Main", "timezone": "Europe/Lisbon"})
        page.reload()
        assert page.get_by_label("Name", exact=True).input_value() == "Typed, not sent"
        assert page.locator("[name=timezone]").input_value() == "Europe/Lisbon"


def test_a_tick_that_was_taken_away_stays_away(served: Served) -> None:
    with served.page("manager") as page:
        page.goto("/settings/first/places")
        tick = page.locator("[type=checkbox]:checked").first
        name = tick.get_attribute("name")
        tick.uncheck()
        page.reload()
        assert not page.locator(f"[name='{name}']").is_checked()


def test_what_was_held_while_somebody_logged_in_again_is_no_draft_once_it_is_sent(
    served: Served,
) -> None:
    with served.kitchen.writing() as session:
        users.add_user(session, "Ana", Role.MANAGER, at=served.kitchen.clock(), password=PASSWORD)
    with served.page(None) as page:
        page.goto("/settings/places")
        log_in(page)
        form = page.locator("form[action='/settings/places']")
        page.locator("details:has(form[action='/settings/places']) > summary").click()
        form.locator("[name=kind]").first.check(force=True)
        form.locator("[name=code]").fill("FZ9")
        form.locator("[name=name]").fill("Nine")
        end_sessions(served.kitchen, page.context)
        form.get_by_role("button", name="Set up this place").click()
        page.get_by_text("What you had entered is kept.").wait_for()
        log_in(page)
        page.get_by_role("button", name="Send it now").click()
        page.get_by_text("Nine is set up.").wait_for()
        assert form.locator("[name=code]").input_value() == ""


def log_in(page: Page) -> None:
    form = page.locator("form[action='/log-in']")
    form.locator("[name=name]").fill("Ana")
    form.locator("[name=password]").fill(PASSWORD)
    form.get_by_role("button", name="Log in").click()
