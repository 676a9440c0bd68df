"""Logging in: throttled, ended, and never from another site's page."""

from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta

import pytest
from sqlalchemy.exc import OperationalError

from service.security import sessions, users
from service.security.rules import Role
from service.security.sessions import MOST_FAILURES_OF_A_NAME
from tests.kitchen import Kitchen
from tests.pages.visiting import HOST, hidden_fields, visitor

PASSWORD = "cold-fish-at-six"


@pytest.fixture
def ana(kitchen: Kitchen) -> Kitchen:
    with kitchen.writing() as session:
        users.add_user(session, "Ana", Role.KEEPER, at=kitchen.clock(), password=PASSWORD)
    return kitchen


def test_a_page_sends_whoever_is_not_logged_in_to_the_log_in_and_back_again(ana: Kitchen) -> None:
    who = visitor(ana, None)
    asked = who.get("/?day=2026-11-25")
    assert asked.status_code == 401 and "Who is there?" in asked.text
    fields = hidden_fields(asked.text) | {"name": "Ana", "password": PASSWORD}
    assert who.sent("/log-in", fields) == "/?day=2026-11-25"
    assert "Ana" in who.page("/")


def test_after_five_wrong_passwords_even_the_right_one_waits_a_quarter_of_an_hour(
    ana: Kitchen,
) -> None:
    who = visitor(ana, None)
    for _ in range(MOST_FAILURES_OF_A_NAME):
        assert who.post("/log-in", {"name": "Ana", "password": "wrong"}).status_code == 401
    right = {"name": "Ana", "password": PASSWORD}
    refused = who.post("/log-in", right)
    assert refused.status_code == 429 and int(refused.headers["retry-after"]) > 0
    ana.clock.forward(minutes=16)
    assert who.post("/log-in", right).status_code == 303


def test_forty_guesses_at_once_are_no_more_than_five_one_after_the_other(ana: Kitchen) -> None:
    """And nobody who feeds meanwhile waits for the passwords."""

    def guess(number: int) -> int:
        wrong = {"name": "Ana", "password": f"guess {number}"}
        return visitor(ana, None).post("/log-in", wrong).status_code

    with ThreadPoolExecutor(8) as pool:
        answers = list(pool.map(guess, range(40)))
    looked_at = answers.count(401)
    assert MOST_FAILURES_OF_A_NAME <= looked_at <= MOST_FAILURES_OF_A_NAME + 8
    assert answers.count(429) == 40 - looked_at
    if ana.address.startswith("sqlite"):
        assert looked_at == MOST_FAILURES_OF_A_NAME


def test_a_password_that_fitted_does_not_count_as_a_guess(ana: Kitchen) -> None:
    who = visitor(ana, None)
    for _ in range(3 * MOST_FAILURES_OF_A_NAME):
        assert who.post("/log-in", {"name": "Ana", "password": PASSWORD}).status_code == 303


def test_a_thermometer_and_a_user_without_a_password_do_not_log_in(kitchen: Kitchen) -> None:
    with kitchen.writing() as session:
        at = kitchen.clock()
        users.add_user(session, "probe", Role.DEVICE, at=at, password=PASSWORD)
        users.add_user(session, "program", Role.MANAGER, at=at)
    who = visitor(kitchen, None)
    for name in ("probe", "program", "nobody"):
        answer = who.post("/log-in", {"name": name, "password": PASSWORD})
        assert answer.status_code == 401, name


def test_a_session_left_alone_ends_and_what_was_being_entered_is_kept(kitchen: Kitchen) -> None:
    who = visitor(kitchen, "keeper")
    who.page("/")
    kitchen.clock.forward(minutes=59)
    who.page("/")
    kitchen.clock.forward(minutes=59)
    who.page("/")
    kitchen.clock.forward(minutes=61)
    ended = who.post("/language", {"language": "es", "_back": "/"})
    assert ended.status_code == 401 and "What you had entered is kept" in ended.text
    with kitchen.writing() as session:
        at = kitchen.clock()
        users.add_user(session, "Ana", Role.KEEPER, at=at, password=PASSWORD)
    held = hidden_fields(ended.text) | {"name": "Ana", "password": PASSWORD}
    again = who.post("/log-in", held)
    assert again.status_code == 200 and 'action="/language"' in again.text
    assert who.sent("/language", hidden_fields(again.text)) == "/"
    assert 'lang="es"' in who.page("/")


def test_a_board_that_reads_itself_again_does_not_keep_its_session_alive(kitchen: Kitchen) -> None:
    who = visitor(kitchen, "keeper")
    for _ in range(5):
        kitchen.clock.forward(minutes=13)
        answer = who.get("/?live=1")
    assert answer.status_code == 401


def test_a_disabled_user_is_out_at_once(kitchen: Kitchen) -> None:
    who = visitor(kitchen, "keeper")
    who.page("/")
    with kitchen.writing() as session:
        user = users.user_by_name(session, "keeper")
        user.disabled_at = kitchen.clock()
        session.add(user)
    kitchen.clock.at += timedelta(seconds=3)
    assert who.get("/").status_code == 401


@pytest.mark.parametrize(
    "headers",
    [
        {"Origin": "https://elsewhere.example"},
        {"Origin": "null"},
        {"Origin": f"http://{HOST}:8080"},
        {"Origin": "", "Sec-Fetch-Site": "same-origin"},
    ],
)
def test_a_form_on_another_sites_page_does_nothing(
    kitchen: Kitchen, headers: dict[str, str]
) -> None:
    who = visitor(kitchen, "keeper")
    answer = who.post("/language", {"language": "es", "_back": "/"}, headers=headers)
    assert answer.status_code == 403
    assert "did not come from a page of this service" in answer.text
    assert 'lang="en"' in who.page("/")


def test_the_api_takes_the_cookie_of_a_page_but_no_write_of_another_site(kitchen: Kitchen) -> None:
    who = visitor(kitchen, "manager")
    assert who.get("/v1/lots", headers={"Accept": "application/json"}).status_code == 200
    place = {"code": "FZ9", "name": "Nine", "kind": "freezer"}
    elsewhere = who._ask("POST", "/v1/places", json=place, headers={"Origin": "https://e.example"})
    assert elsewhere.status_code == 403 and elsewhere.json()["type"] == "/problems/other-origin"
    silent = who._ask("POST", "/v1/places", json=place)
    assert silent.status_code == 403
    here = who._ask("POST", "/v1/places", json=place, headers={"Origin": f"http://{HOST}"})
    assert here.status_code == 201


def test_where_to_go_after_logging_in_is_never_elsewhere(ana: Kitchen) -> None:
    who = visitor(ana, None)
    for path in ("https://e.example/", "//e.example/", "/\\e.example", "javascript:alert(1)"):
        fields = {"name": "Ana", "password": PASSWORD, "next": path}
        assert who.sent("/log-in", fields) == "/", path


def test_every_page_forbids_inline_script_and_being_framed(kitchen: Kitchen) -> None:
    policy = visitor(kitchen, "keeper").get("/").headers["content-security-policy"]
    assert "default-src 'none'" in policy and "script-src 'self'" in policy
    assert "unsafe" not in policy and "frame-ancestors 'none'" in policy


def test_a_form_sent_twice_is_done_once_and_leads_to_the_same_page(kitchen: Kitchen) -> None:
    who = visitor(kitchen, "keeper")
    fields = {"language": "es", "_back": "/", "_key": "one-form"}
    assert who.sent("/language", fields) == who.sent("/language", fields) == "/"
    edited = who.post("/language", fields | {"language": "en"})
    assert edited.status_code == 409


def test_pages_are_read_while_nothing_can_be_written(
    small_kitchen: Kitchen, monkeypatch: pytest.MonkeyPatch
) -> None:
    """That somebody is still there would be a write."""

    def full(*_: object, **__: object) -> None:
        raise OperationalError("UPDATE web_session", None, Exception("database or disk is full"))

    who = visitor(small_kitchen, "keeper")
    small_kitchen.clock.forward(minutes=5)
    monkeypatch.setattr(sessions, "touch", full)
    assert "Now" in who.page("/")
