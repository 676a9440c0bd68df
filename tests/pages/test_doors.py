"""What comes in by the doors of the pages: odd forms, odd addresses, and whoever guesses."""

import json
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from sqlmodel import select

from service.errors import Invalid
from service.pages.forms import Entered
from service.pages.page import SAID, go_to
from service.security import people, sessions, users
from service.security.actor import SERVICE
from service.security.models import LoginFailure
from service.security.rules import Role
from service.security.sessions import MOST_FAILURES_OF_A_NAME
from tests.kitchen import Kitchen
from tests.pages.visiting import HOST, hidden_fields, visitor

OSLO = ZoneInfo("Europe/Oslo")
PASSWORD = "cold-fish-at-six"
ENTERED = {"path": "/language", "back": "/", "fields": [["language", "es"], ["_back", "/"]]}


@pytest.fixture
def ana(kitchen: Kitchen) -> Kitchen:
    with kitchen.writing() as session:
        users.add_user(session, "Ana", Role.KEEPER, at=kitchen.clock(), password=PASSWORD)
    return kitchen


def log_in(kitchen: Kitchen, **more: str) -> Any:
    return visitor(kitchen, None).post("/log-in", {"name": "Ana", "password": PASSWORD} | more)


def guess_wrong(kitchen: Kitchen) -> None:
    """As often as it takes until nobody may try any more."""
    for _ in range(MOST_FAILURES_OF_A_NAME):
        log_in(kitchen, password="wrong")


@pytest.mark.parametrize("path", ["//[", "http://[", "/日本", "/\x85", "/\u2028"])
def test_an_address_that_is_none_leads_to_the_first_page(ana: Kitchen, path: str) -> None:
    assert visitor(ana, None).get("/log-in", params={"next": path}).status_code == 200
    assert log_in(ana, next=path).headers["location"] == "/"
    who = visitor(ana, "keeper")
    assert who.sent("/language", {"language": "en", "_back": path}) == "/"
    assert who.post("/language", {"language": "xx", "_back": path}).status_code == 422


@pytest.mark.parametrize("origin", ["http://[", f"http://{HOST}]", "://", HOST])
def test_an_origin_that_is_no_address_is_another_sites(kitchen: Kitchen, origin: str) -> None:
    who = visitor(kitchen, "keeper")
    answer = who.post("/language", {"language": "es"}, headers={"Origin": origin})
    assert answer.status_code == 403


@pytest.mark.parametrize(
    "held",
    [
        "[" * 100_000,
        json.dumps(ENTERED | {"fields": [["a", "\ud800"]]}),
        json.dumps(ENTERED | {"fields": [["a", "\0"]]}),
        json.dumps(ENTERED | {"fields": 3}),
    ],
)
def test_what_no_page_has_held_is_dropped_and_the_log_in_goes_on(ana: Kitchen, held: str) -> None:
    assert log_in(ana, _held=held).status_code == 303
    assert log_in(ana, _held=held, password="wrong").status_code == 401


@pytest.mark.parametrize(
    ("kind", "content"),
    [
        ("application/x-www-form-urlencoded", f"people.{'9' * 5000}.name=a"),
        ("application/x-www-form-urlencoded", "&".join(f"f{n}=1" for n in range(5001))),
        ("multipart/form-data", "no boundary"),
        ("multipart/form-data; boundary=x", "--y\r\nnot of it"),
        (
            "multipart/form-data; boundary=x; charset=undefined",
            '--x\r\nContent-Disposition: form-data; name="name"\r\n\r\na\r\n--x--\r\n',
        ),
    ],
)
def test_a_form_that_no_page_has_is_refused_in_words(
    kitchen: Kitchen, kind: str, content: str
) -> None:
    headers = {"Origin": f"http://{HOST}", "Content-Type": kind}
    path = "/settings/first/people"
    answer = visitor(kitchen, "manager")._ask("POST", path, content=content, headers=headers)
    assert answer.status_code == 422
    assert "JSON" not in answer.text


def test_whoever_has_to_wait_with_the_log_in_keeps_what_was_entered(ana: Kitchen) -> None:
    guess_wrong(ana)
    refused = log_in(ana, _held=json.dumps(ENTERED))
    assert refused.status_code == 429 and int(refused.headers["retry-after"]) == 900
    assert "Wait a quarter of an hour" in refused.text
    ana.clock.forward(minutes=16)
    kept = log_in(ana, **{"_held": hidden_fields(refused.text)["_held"]})
    assert kept.status_code == 200 and 'action="/language"' in kept.text


def test_a_new_password_lets_somebody_in_who_had_to_wait(ana: Kitchen) -> None:
    guess_wrong(ana)
    assert log_in(ana).status_code == 429
    with ana.writing() as session:
        number = users.user_by_name(session, "Ana").id or 0
        people.set_password(session, number, "another-fish-at-six", at=ana.clock(), by=SERVICE)
    assert log_in(ana, password="another-fish-at-six").status_code == 303


def test_a_page_that_listens_anew_does_not_keep_its_session_alive(kitchen: Kitchen) -> None:
    who = visitor(kitchen, "keeper")
    kitchen.clock.forward(minutes=kitchen.app.state.settings.session_minutes - 1)
    kitchen.app.state.onlookers.listening = None  # the stream itself would not end here
    who.get("/live/events")
    kitchen.clock.forward(minutes=2)
    assert who.get("/").status_code == 401
    assert sessions.COOKIE in who.cookies


@pytest.mark.parametrize(
    ("said", "read"),
    [("2,5", "2.5"), ("-18,5", "-18.5"), ("0,125", "0.125"), ("1,234", "1,234"), ("2.5", "2.5")],
)
def test_a_comma_is_a_point_unless_it_may_mean_a_thousand(said: str, read: str) -> None:
    form = Entered([("mass.value", said), ("note", "1,5 of it")], {})
    assert form.nested(OSLO) == {"mass": {"value": read}, "note": "1,5 of it"}


def test_a_time_that_the_clocks_jumped_over_is_refused_by_its_field() -> None:
    with pytest.raises(Invalid, match="never was") as refused:
        Entered([("occurred_at", "2026-03-29T02:30")], {}).nested(OSLO)
    assert [error.field for error in refused.value.errors] == ["occurred_at"]
    before = Entered([("occurred_at", "2026-03-29T01:59")], {}).nested(OSLO)
    assert before == {"occurred_at": "2026-03-29T01:59:00+01:00"}


def test_what_was_said_is_shown_though_it_is_long(kitchen: Kitchen) -> None:
    answer = go_to("/", said="Sardinas guardadas: ñ日" * 200)
    cookie = answer.headers["set-cookie"]
    assert len(cookie.split(";")[0]) < 4096
    who = visitor(kitchen, "keeper")
    who.cookies.set(SAID, cookie.split(";")[0].partition("=")[2], domain=HOST, path="/")
    assert "Sardinas guardadas: ñ日Sardinas" in who.page("/")


def test_a_name_longer_than_names_are_is_not_kept_whole(ana: Kitchen) -> None:
    assert log_in(ana, name="A" * 1_000_000).status_code == 401
    with ana.writing() as session:
        (name,) = session.exec(select(LoginFailure.name)).all()
    assert len(name) == 200
