"""The first run: an empty house is taken once, by whoever has its code."""

import stat
import threading
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest

from service.security.first_manager import FILE, setup_code
from service.security.sessions import MOST_FAILURES_OF_A_NAME
from tests.kitchen import Kitchen
from tests.pages.visiting import Visitor, visitor

PASSWORD = "cold-fish-at-six"


@pytest.fixture
def empty(address: str, tmp_path: Path) -> Iterator[Kitchen]:
    """A house with its tables, and nobody in it."""
    house = Kitchen(address, tmp_path)
    yield house
    house.close()


def begin(house: Kitchen, name: str = "Ana", **more: str) -> tuple[Visitor, httpx.Response]:
    who = Visitor(house)
    fields = {"code": setup_code(house.folder), "name": name, "password": PASSWORD} | more
    return who, who.post("/first-run", fields)


def first_manager(house: Kitchen) -> Visitor:
    who, answer = begin(house)
    assert answer.status_code == 303, answer.text[-1500:]
    return who


def test_every_way_into_an_empty_house_leads_to_the_first_run(empty: Kitchen) -> None:
    for path in ("/", "/log-in", "/settings"):
        answer = Visitor(empty).get(path)
        assert (answer.status_code, answer.headers["location"]) == (303, "/first-run"), path
    assert "Who are you?" in Visitor(empty).page("/first-run")


def test_the_code_of_a_house_is_readable_by_its_owner_alone(empty: Kitchen) -> None:
    page = Visitor(empty).page("/first-run")
    file = empty.folder / FILE
    assert stat.S_IMODE(file.stat().st_mode) == 0o600
    assert file.read_text() not in page
    assert setup_code(empty.folder) == setup_code(empty.folder) == file.read_text()


def test_whoever_has_the_code_is_the_first_manager_and_logged_in(empty: Kitchen) -> None:
    code = setup_code(empty.folder).lower().replace("-", " ")
    who, answer = begin(empty, code=code)
    assert answer.headers["location"] == "/settings/first/house"
    assert "Ana" in who.page("/settings/first/house")
    assert not (empty.folder / FILE).exists()
    again = Visitor(empty).post("/log-in", {"name": "Ana", "password": PASSWORD})
    assert again.status_code == 303


@pytest.mark.parametrize("code", ["", "AAAA-AAAA-AAAA", "-", "ÄÖÜ"])
def test_nobody_takes_an_empty_house_without_its_code(empty: Kitchen, code: str) -> None:
    _, answer = begin(empty, code=code)
    assert answer.status_code == 401 and "not the code of this house" in answer.text
    assert 'value="Ana"' in answer.text and PASSWORD not in answer.text
    assert Visitor(empty).get("/").headers["location"] == "/first-run"


def test_a_code_that_was_written_by_halves_lets_nobody_in(empty: Kitchen) -> None:
    (empty.folder / FILE).write_text("")
    assert begin(empty, code="")[1].status_code == 401
    assert begin(empty, code="--")[1].status_code == 401


def test_guessing_the_code_is_slowed_down_even_for_the_right_one(empty: Kitchen) -> None:
    for _ in range(MOST_FAILURES_OF_A_NAME):
        assert begin(empty, code="WRON-GONE-2345")[1].status_code == 401
    assert begin(empty)[1].status_code == 429
    empty.clock.forward(minutes=16)
    assert begin(empty)[1].status_code == 303


@pytest.mark.parametrize(
    "more", [{"password": "short"}, {"name": "  "}, {"name": "A\0"}, {"name": "x" * 201}]
)
def test_a_first_manager_without_a_name_or_a_password_is_asked_again(
    empty: Kitchen, more: dict[str, str]
) -> None:
    _, answer = begin(empty, **more)
    assert answer.status_code == 422 and f"{next(iter(more))}: " in answer.text
    assert begin(empty)[1].status_code == 303


def test_of_two_who_take_an_empty_house_at_once_one_wins(empty: Kitchen) -> None:
    answers: list[int] = []
    both = threading.Barrier(2)

    def take(name: str) -> None:
        both.wait()
        answers.append(begin(empty, name)[1].status_code)

    setup_code(empty.folder)
    threads = [threading.Thread(target=take, args=(name,)) for name in ("Ana", "Ben")]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(answers) == [303, 403]


def test_a_house_where_people_work_refuses_the_first_run(kitchen: Kitchen) -> None:
    assert Visitor(kitchen).get("/first-run").status_code == 403
    _, answer = begin(kitchen)
    assert answer.status_code == 403 and "people work here already" in answer.text
    assert Visitor(kitchen).get("/").status_code == 401


def test_another_sites_page_cannot_take_the_house(empty: Kitchen) -> None:
    fields = {"code": setup_code(empty.folder), "name": "Ana", "password": PASSWORD}
    headers = {"Origin": "https://elsewhere.example"}
    assert Visitor(empty).post("/first-run", fields, headers=headers).status_code == 403


def test_five_steps_set_a_house_up(empty: Kitchen) -> None:
    who = first_manager(empty)
    assert "2 of 5" in who.page("/settings/first/house")
    house = {"name": "Harbour", "timezone": "Europe/Oslo", "mass_unit": "lb"}
    house["temperature_unit"] = "f"
    assert who.sent("/settings/first/house", house) == "/settings/first/places"
    assert "Harbour" in who.page("/settings/first/places")
    places = {
        "places.0.wanted": "true", "places.0.kind": "freezer",
        "places.0.code": "fz1", "places.0.name": "Freezer 1",
        "places.1.kind": "kitchen", "places.1.code": "KIT", "places.1.name": "Kitchen",
        "places.2.wanted": "true", "places.2.kind": "thaw_tank",
        "places.2.code": "TANK", "places.2.name": "Tank",
    }  # fmt: skip
    assert who.sent("/settings/first/places", places) == "/settings/first/fish"
    fish = {
        "supplier.name": "Northern Fish", "supplier.code": "nord", "product.species": "HER",
        "product.form": "block", "product.carton_mass.value": "22",
        "product.carton_mass.unit": "lb", "product.code": "HER-10",
    }  # fmt: skip
    assert who.sent("/settings/first/fish", fish) == "/settings/first/people"
    crew = {
        "people.0.name": "Kim", "people.0.role": "keeper", "people.0.password": PASSWORD,
        "people.1.role": "keeper",
    }  # fmt: skip
    assert who.sent("/settings/first/people", crew) == "/settings/first/next"
    assert "Left out" not in who.page("/settings/first/next")
    keeper = Visitor(empty)
    keeper.sent("/log-in", {"name": "Kim", "password": PASSWORD})
    assert "Harbour" in keeper.page("/")
    boss = empty.manager
    assert [p["code"] for p in boss.shown("/places")["items"]] == ["FZ1", "TANK"]
    assert boss.shown("/products")["items"][0]["carton_mass"]["g"] == 9979


def test_what_is_wrong_in_one_line_is_named_and_nothing_of_the_step_is_stored(
    empty: Kitchen,
) -> None:
    who = first_manager(empty)
    line = {"places.{}.wanted": "true", "places.{}.kind": "freezer", "places.{}.name": "Freezer"}
    places = {k.format(n): v for n in (0, 1) for k, v in line.items()}
    places |= {"places.0.code": "FZ1", "places.1.code": "FZ1"}
    refused = who.post("/settings/first/places", places)
    assert refused.status_code == 409 and 'data-fault="places.1.code"' in refused.text
    empty_name = {"places.0.wanted": "true", "places.0.kind": "ice", "places.0.code": "ICE"}
    refused = who.post("/settings/first/places", empty_name)
    assert refused.status_code == 422 and 'data-fault="places.0.name"' in refused.text
    crew = {"people.0.name": "Kim", "people.0.password": PASSWORD, "people.1.name": "Lou"}
    refused = who.post("/settings/first/people", crew)
    assert 'data-fault="people.1.password"' in refused.text
    refused = who.post("/settings/first/people", crew | {"people.1.password": "short"})
    assert 'data-fault="people.1.password"' in refused.text and "short" not in refused.text
    assert empty.manager.shown("/places")["items"] == []
    assert Visitor(empty).post("/log-in", {"name": "Kim", "password": PASSWORD}).status_code == 401


def test_a_step_that_is_left_out_is_named_at_the_end(empty: Kitchen) -> None:
    who = first_manager(empty)
    page = who.page("/settings/first/next")
    assert "Left out so far" in page and 'href="/settings/first/places"' in page
    assert "Go on with the first run" in who.page("/settings")


def test_the_steps_after_the_first_are_the_managers(kitchen: Kitchen) -> None:
    for role, status in (("keeper", 403), ("vet", 403), ("manager", 200)):
        assert visitor(kitchen, role).get("/settings/first/people").status_code == status
