"""The first run, in a browser: an empty house is set up in five steps."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, ViewportSize

from service.security.first_manager import setup_code
from tests.browser.conftest import PHONE, TABLET, Served, look, serving
from tests.conftest import Templates, fresh_address
from tests.kitchen import Kitchen

PASSWORD = "cold-fish-at-six"


@pytest.fixture
def empty(templates: Templates, tmp_path: Path, browser: Browser) -> Iterator[Served]:
    """A house with its tables and nobody in it, served to a browser."""
    for address in fresh_address("sqlite", templates, tmp_path):
        house = Kitchen(address, tmp_path)
        with serving(house) as port:
            yield Served(house, browser, f"http://localhost:{port}")
        house.close()


def begin(page: Page, served: Served) -> None:
    """The first step, with the code of the house."""
    page.goto("/")
    page.get_by_role("heading", name="Who are you?").wait_for()
    page.get_by_label("Code of this house").fill(setup_code(served.kitchen.folder))
    page.get_by_label("Your name").fill("Ana")
    page.get_by_label("A password").fill(PASSWORD)
    page.get_by_role("button", name="Begin").click()
    page.get_by_role("heading", name="What is the house called").wait_for()


@pytest.mark.parametrize("size", [TABLET, PHONE])
def test_an_empty_house_is_set_up_in_five_steps(empty: Served, size: ViewportSize) -> None:
    with empty.page(None, size) as page:
        page.goto("/")
        look(page, "first-run-1")
        begin(page, empty)
        page.get_by_label("Name", exact=True).fill("Harbour")
        page.get_by_label("Time zone").fill("Europe/Oslo")
        look(page, "first-run-2")
        page.get_by_role("button", name="Go on").click()
        page.get_by_role("heading", name="Where is fish kept").wait_for()
        look(page, "first-run-3")
        page.get_by_role("button", name="Set these up").click()
        page.get_by_role("heading", name="What do you buy").wait_for()
        page.get_by_label("The supplier", exact=True).fill("Northern Fish")
        page.get_by_label("A short code for the supplier").fill("NORD")
        page.get_by_label("Which fish?").select_option("HER")
        page.get_by_text("frozen block").click()
        page.get_by_label("One carton weighs").fill("10")
        page.get_by_label("A short code for this product").fill("HER-10")
        look(page, "first-run-4")
        page.get_by_role("button", name="Go on").click()
        page.get_by_role("heading", name="Who works here?").wait_for()
        page.locator("#f-people-0-name").fill("Kim")
        page.locator("#f-people-0-password").fill(PASSWORD)
        look(page, "first-run-5")
        page.get_by_role("button", name="Let them in").click()
        page.get_by_role("heading", name="What comes next").wait_for()
        look(page, "first-run-next")
    with empty.page(None, size) as page:
        page.goto("/")
        page.get_by_label("Name").fill("Kim")
        page.get_by_label("Password").fill(PASSWORD)
        page.keyboard.press("Enter")
        page.get_by_role("link", name="Harbour").wait_for()


def test_a_wrong_code_keeps_what_was_typed_and_says_where_the_right_one_is(empty: Served) -> None:
    with empty.page(None) as page:
        page.goto("/first-run")
        page.get_by_label("Code of this house").focus()
        for said in ("AAAA-BBBB-CCCC", "Ana", PASSWORD):
            page.keyboard.type(said)
            page.keyboard.press("Tab")
        page.keyboard.press("Enter")
        page.get_by_text("This is not the code of this house.").wait_for()
        look(page, "first-run-wrong-code")
        assert page.get_by_label("Your name").input_value() == "Ana"


def test_a_step_may_be_left_out_and_come_back_to(empty: Served) -> None:
    with empty.page(None) as page:
        begin(page, empty)
        for _ in range(4):
            page.get_by_role("link", name="Leave this out for now").click()
        page.get_by_role("heading", name="What comes next").wait_for()
        look(page, "first-run-next-left-out")
        page.get_by_role("link", name="Places").click()
        page.get_by_role("heading", name="Where is fish kept").wait_for()
