"""Logging in, at a tablet and at a phone."""

import pytest
from playwright.sync_api import ViewportSize

from service.security import users
from service.security.rules import Role
from tests.browser.conftest import PHONE, TABLET, Served, look

PASSWORD = "cold-fish-at-six"


def with_password(served: Served, name: str = "Ana") -> None:
    with served.kitchen.writing() as session:
        users.add_user(session, name, Role.KEEPER, at=served.kitchen.clock(), password=PASSWORD)


@pytest.mark.parametrize("size", [TABLET, PHONE])
def test_a_keeper_logs_in_with_the_keyboard_and_out_again(
    served: Served, size: ViewportSize
) -> None:
    with_password(served)
    with served.page(None, size) as page:
        page.goto("/")
        look(page, "log-in")
        page.keyboard.type("Ana")
        page.keyboard.press("Tab")
        page.keyboard.type(PASSWORD)
        page.keyboard.press("Enter")
        page.get_by_role("heading", name="Now").wait_for()
        look(page, "board-empty")
        page.get_by_text("Ana").first.click()
        page.get_by_role("button", name="Log out").click()
        page.get_by_role("heading", name="Who is there?").wait_for()
