"""Records, chosen and taken away."""

import pytest
from playwright.sync_api import ViewportSize, expect

from tests.browser.conftest import PHONE, TABLET, Served, look
from tests.pages.test_board import measured


@pytest.mark.parametrize("size", [TABLET, PHONE])
def test_an_inspector_takes_the_temperatures_of_a_freezer_on_paper(
    served: Served, size: ViewportSize
) -> None:
    measured(served.kitchen)
    with served.page("inspector", size) as page:
        page.goto("/records")
        look(page, "records")
        page.get_by_text("Temperatures of a place").click()
        page.locator("#f-place").select_option("FZ1")
        with page.expect_download() as paper:
            page.get_by_role("button", name="On paper (PDF)").click()
        assert paper.value.suggested_filename.endswith("-temperatures-2026-11-25-2026-11-25.pdf")
        with page.expect_download() as table:
            page.get_by_role("button", name="As a table (CSV)").click()
        assert "coldest" in table.value.path().read_text()


def test_with_the_keyboard_alone_and_a_place_forgotten_the_page_says_so(served: Served) -> None:
    with served.page("vet") as page:
        page.goto("/records")
        page.get_by_role("radio").first.focus()
        page.keyboard.press("ArrowDown")
        expect(page.get_by_role("radio").nth(1)).to_be_checked()
        page.get_by_role("button", name="On paper (PDF)").focus()
        page.keyboard.press("Enter")
        expect(page.get_by_text("choose a place").first).to_be_visible()
        look(page, "records-refused")
