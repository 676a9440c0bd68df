"""Receiving a truck with a tablet, a phone, a scanner, a keyboard, and after a reload."""

import re
from pathlib import Path

import pytest
from playwright.sync_api import Page, ViewportSize, expect

from tests.browser.conftest import PHONE, TABLET, Served, look
from tests.labels.pictures import as_file, barcode, on_a_bench

LABEL = "(01)09506000134352(10)SF-77(7007)260801(7006)260802"


def heading(page: Page, name: str) -> None:
    page.get_by_role("heading", name=name, level=1).wait_for()


def press(page: Page, keys: str) -> None:
    """The keypad on the screen, key by key."""
    names = {"-": "Below zero"}
    for key in keys:
        page.get_by_role("button", name=names.get(key, key), exact=True).first.click()


def go_on(page: Page, name: str = "Go on") -> None:
    page.get_by_role("button", name=name, exact=True).click()


def to_the_label(page: Page) -> None:
    page.goto("/receive")
    page.get_by_role("link", name="A truck is here").click()
    heading(page, "Who brings it?")
    page.get_by_role("button", name="Northern Fish").click()
    heading(page, "How cold is the truck?")
    press(page, "-19.5")
    go_on(page)
    heading(page, "Scan the label of a carton")


def scan(page: Page, text: str) -> None:
    """A scanner is a keyboard that types fast and ends with Enter."""
    page.keyboard.type(text)
    page.keyboard.press("Enter")


def the_fish(page: Page) -> None:
    heading(page, "Is this right?")
    page.get_by_label("Product").select_option("HER-BLOCK-10")
    go_on(page, "This is right")


def amount_and_place(page: Page) -> None:
    heading(page, "How many cartons came?")
    press(page, "12")
    go_on(page)
    heading(page, "Where does it go?")
    page.get_by_role("button", name=re.compile("FZ1")).click()


def measure(page: Page, *cores: str) -> None:
    heading(page, "How cold is it inside?")
    for number, core in enumerate(cores, start=1):
        press(page, core)
        go_on(page, "Keep it")
        expect(page.locator(".cores li")).to_have_count(number)


def answer_all(page: Page, word: str = "Good") -> None:
    """Every question, until the cartons are to be opened."""
    before = ""
    for _ in range(40):
        page.wait_for_function(
            "before => (document.querySelector('h1')?.textContent ?? before) !== before", arg=before
        )
        before = page.locator("h1").text_content() or ""
        if before == "Open these cartons":
            return
        page.get_by_role("button", name=word).first.click()


@pytest.mark.parametrize("size", [TABLET, PHONE])
def test_a_truck_from_the_gate_to_the_labels(served: Served, size: ViewportSize) -> None:
    with served.page("commissary", size) as page:
        to_the_label(page)
        look(page, "receive-label")
        scan(page, LABEL)
        heading(page, "Is this right?")
        look(page, "receive-fish")
        the_fish(page)
        amount_and_place(page)
        measure(page, "-20.1", "-17", "-19.6")
        look(page, "receive-cores")
        go_on(page, "All are measured")
        heading(page, "Is this all?")
        look(page, "receive-whole")
        go_on(page, "This is all: receive it")
        page.get_by_text("is recorded").wait_for()
        look(page, "receive-question")
        answer_all(page)
        look(page, "receive-cartons")
        page.get_by_role("button", name="0", exact=True).first.click()
        go_on(page)
        heading(page, "What becomes of it?")
        look(page, "receive-decision")
        page.get_by_text("Hold", exact=True).click()
        page.get_by_label("Why").fill("one core was warm: the vet looks at it")
        go_on(page, "Sign")
        page.get_by_text("Decided and signed.").wait_for()
        look(page, "receive-delivery")
        page.get_by_role("link", name="Finish").click()
        page.get_by_text("On hold, waiting for a decision").wait_for()
        look(page, "receive")


def test_a_reload_and_another_tablet_stand_where_the_first_one_was(served: Served) -> None:
    with served.page("commissary") as page:
        to_the_label(page)
        scan(page, LABEL)
        the_fish(page)
        heading(page, "How many cartons came?")
        page.get_by_label("Cartons", exact=True).fill("31")
        page.reload()
        expect(page.get_by_label("Cartons", exact=True)).to_have_value("31")
        go_on(page)
        heading(page, "Where does it go?")
    with served.page("manager", PHONE) as other:
        other.goto("/receive")
        look(other, "receive-go-on")
        other.get_by_role("link", name="Go on").click()
        heading(other, "Where does it go?")
        look(other, "receive-place")
        other.get_by_role("link", name="Amount").click()
        expect(other.get_by_label("Cartons", exact=True)).to_have_value("31")


def test_with_the_keyboard_alone(served: Served) -> None:
    with served.page("commissary") as page:
        page.goto("/receive/new")
        look(page, "receive-new")
        page.get_by_role("button", name="Northern Fish").focus()
        page.keyboard.press("Enter")
        heading(page, "How cold is the truck?")
        look(page, "receive-truck")
        page.get_by_label("Air in the vehicle").focus()
        page.keyboard.type("-20")
        page.keyboard.press("Enter")
        heading(page, "Scan the label of a carton")
        expect(page.get_by_label("The code")).to_be_focused()
        scan(page, LABEL)
        heading(page, "Is this right?")
        page.get_by_label("Product").focus()
        page.keyboard.type("Atl")
        page.keyboard.press("ArrowDown")
        page.get_by_label("Product").select_option("HER-BLOCK-10")
        page.get_by_role("button", name="This is right").focus()
        page.keyboard.press("Enter")
        heading(page, "How many cartons came?")
        page.get_by_label("Cartons", exact=True).focus()
        page.keyboard.type("4")
        page.keyboard.press("Enter")
        heading(page, "Where does it go?")
        page.get_by_role("button", name=re.compile("FZ2")).focus()
        page.keyboard.press("Space")
        heading(page, "How cold is it inside?")
        for number in (1, 2, 3):
            expect(page.get_by_label(f"Core of carton {number}")).to_be_focused()
            page.keyboard.type("-21")
            page.keyboard.press("Enter")
            expect(page.locator(".cores li")).to_have_count(number)
        page.get_by_role("button", name="All are measured").focus()
        page.keyboard.press("Enter")
        heading(page, "Is this all?")


def test_a_photo_is_sent_as_soon_as_it_is_taken(served: Served, tmp_path: Path) -> None:
    photo = tmp_path / "label.jpg"
    photo.write_bytes(as_file(on_a_bench(barcode(LABEL), size=(900, 700))))
    empty = tmp_path / "bench.jpg"
    empty.write_bytes(as_file(on_a_bench(size=(300, 200))))
    with served.page("commissary") as page:
        to_the_label(page)
        page.locator("#f-photo").set_input_files(empty)
        page.get_by_text("no barcode was found in the photo").wait_for()
        look(page, "receive-no-barcode")
        page.get_by_role("link", name="Back to the form").click()
        page.locator("#f-photo").set_input_files(photo)
        heading(page, "Is this right?")
        expect(page.get_by_label("Supplier's lot code")).to_have_value("SF-77")


def test_a_misread_code_keeps_the_page_and_says_why(served: Served) -> None:
    with served.page("commissary", PHONE) as page:
        to_the_label(page)
        scan(page, "(01)09506000134353(10)SF-77")
        page.get_by_text("Scan it again").wait_for()
        page.get_by_role("link", name="Back to the form").click()
        expect(page.get_by_label("The code")).to_have_value("(01)09506000134353(10)SF-77")


def test_the_manager_signs_against_a_rule_with_a_reason(served: Served) -> None:
    lot = served.kitchen.a_lot()
    with served.page("manager") as page:
        page.goto("/receive/deliveries/1")
        go_on(page, "Look through it")
        page.get_by_role("link", name="To the decision").click()
        heading(page, "What becomes of it?")
        page.get_by_text("Accept", exact=True).click()
        page.get_by_label("Why").fill("it was looked at on paper")
        go_on(page, "Sign")
        page.get_by_role("heading", name="Not done").wait_for()
        look(page, "receive-refused")
        for reason in page.get_by_label("Your reason to decide against").all():
            reason.fill("the paper is in the folder")
        go_on(page, "Do it all the same")
        page.get_by_text("Decided and signed.").wait_for()
        assert page.get_by_text(lot["code"]).first.is_visible()
