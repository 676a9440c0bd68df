"""People: who lets whom in, and who is out at once."""

import re

import httpx
import pytest
from sqlmodel import select

from service.security import audit
from service.security.models import IdempotencyKey
from service.security.users import user_by_name
from tests.kitchen import Kitchen, Person
from tests.pages.visiting import Visitor, visitor

PASSWORD, OTHER = "cold-fish-at-six", "warm-fish-never"
HOSTILE = '"><img src=x onerror=alert(1)><script>alert(1)</script>'


def number_of(kitchen: Kitchen, name: str) -> int:
    with kitchen.looking() as session:
        return user_by_name(session, name).id or 0


def let_in(kitchen: Kitchen, name: str, role: str = "keeper", **more: str) -> str:
    """The page of somebody who has just been let in."""
    fields = {"name": name, "role": role, "password": PASSWORD} | more
    visitor(kitchen, "manager").sent("/settings/people", fields)
    return f"/settings/people/{number_of(kitchen, name)}"


def log_in(kitchen: Kitchen, name: str, password: str = PASSWORD) -> tuple[Visitor, httpx.Response]:
    who = Visitor(kitchen)
    return who, who.post("/log-in", {"name": name, "password": password})


def trail(kitchen: Kitchen) -> list[tuple[str, str, str]]:
    entries = kitchen.manager.shown("/audit?limit=200")["items"]
    return [(e["by"], e["what"], e["subject"]) for e in entries]


def test_somebody_who_was_let_in_logs_in_and_the_trail_says_who_did_it(kitchen: Kitchen) -> None:
    let_in(kitchen, HOSTILE)
    page = visitor(kitchen, "manager").page("/settings/people")
    assert "<script>alert" not in page and "<img src=x" not in page
    who, answer = log_in(kitchen, HOSTILE)
    assert answer.status_code == 303 and "<script>alert" not in who.page("/")
    assert ("manager", "user added", HOSTILE) in trail(kitchen)


@pytest.mark.parametrize(
    "fields",
    [
        {"name": "", "role": "keeper", "password": PASSWORD},
        {"name": "Kim", "role": "king", "password": PASSWORD},
        {"name": "Kim", "role": "keeper", "password": "short"},
        {"name": "Kim", "role": "keeper", "password": "x" * 201},
        {"name": "Kim", "role": "keeper", "password": PASSWORD, "sites.0": "NOWHERE"},
        {"name": "keeper", "role": "keeper", "password": PASSWORD},
    ],
)
def test_nobody_is_let_in_by_halves(kitchen: Kitchen, fields: dict[str, str]) -> None:
    kitchen.person("keeper")
    before = visitor(kitchen, "manager").page("/settings/people").count("/settings/people/")
    refused = visitor(kitchen, "manager").post("/settings/people", fields)
    assert refused.status_code in (404, 409, 422)
    assert PASSWORD not in refused.text
    assert visitor(kitchen, "manager").page("/settings/people").count("/settings/people/") == before


def test_a_new_password_logs_somebody_out_everywhere(kitchen: Kitchen) -> None:
    here = let_in(kitchen, "Kim")
    who, _ = log_in(kitchen, "Kim")
    who.page("/")
    visitor(kitchen, "manager").sent(f"{here}/password", {"password": OTHER})
    assert who.get("/").status_code == 401
    assert log_in(kitchen, "Kim")[1].status_code == 401
    assert log_in(kitchen, "Kim", OTHER)[1].status_code == 303
    assert ("manager", "password set", "Kim") in trail(kitchen)


def test_somebody_who_is_shut_out_is_out_at_once_with_every_token_and_may_come_back(
    kitchen: Kitchen,
) -> None:
    here = let_in(kitchen, "Kim")
    boss = visitor(kitchen, "manager")
    who, _ = log_in(kitchen, "Kim")
    who.page("/")
    program = Person(kitchen.app, token_on(boss.post(f"{here}/token").text))
    assert program.get("/lots").status_code == 200
    boss.sent(f"{here}/disabled")
    assert who.get("/").status_code == 401
    kitchen.clock.forward(seconds=3)
    assert program.get("/lots").status_code == 401
    assert log_in(kitchen, "Kim")[1].status_code == 401
    assert boss.post(f"{here}/disabled").status_code == 409
    boss.sent(f"{here}/enabled")
    assert log_in(kitchen, "Kim")[1].status_code == 303
    assert who.get("/").status_code == 401  # the session of before stays ended
    assert {("manager", "user disabled", "Kim"), ("manager", "user enabled", "Kim")} <= {
        *trail(kitchen)
    }


def token_on(page: str) -> str:
    found = re.search(r"<code>(fh_[^<]+)</code>", page)
    assert found is not None, page[-1500:]
    return found[1]


def test_a_token_is_shown_once_kept_nowhere_and_withdrawn(kitchen: Kitchen) -> None:
    here = let_in(kitchen, "logger", "device", password="")
    boss = visitor(kitchen, "manager")
    assert boss.post(f"{here}/token", {"_key": "again"}).status_code == 422
    header = {"Idempotency-Key": "again"}
    assert boss.post(f"{here}/token", headers=header).status_code == 422
    answer = boss.post(f"{here}/token")
    token = token_on(answer.text)
    assert answer.headers["cache-control"] == "no-store"
    assert token not in boss.page(here) and "1 open something" in boss.page(here)
    with kitchen.looking() as session:
        kept = [row.answer for row in session.exec(select(IdempotencyKey))]
    assert not any(token.encode() in (answer or b"") for answer in kept)
    boss.sent(f"{here}/tokens-withdrawn")
    kitchen.clock.forward(seconds=3)
    assert Person(kitchen.app, token).get("/lots").status_code == 401


def test_no_form_with_a_password_carries_a_key(kitchen: Kitchen) -> None:
    here = let_in(kitchen, "Kim")
    boss = visitor(kitchen, "manager")
    for path in ("/settings/people", f"{here}/password", "/settings/first/people"):
        kept = boss.post(path, {"password": OTHER, "_key": "again"})
        assert kept.status_code == 422 and 'data-fault="_key"' in kept.text, path
    for path in ("/settings/people", here, "/settings/first/people"):
        forms = re.findall(r"<form.*?</form>", boss.page(path), re.S)
        asking = [form for form in forms if 'type="password"' in form]
        assert asking and not any('name="_key"' in form for form in asking), path


def test_the_last_manager_who_can_log_in_cannot_be_shut_out(kitchen: Kitchen) -> None:
    first = let_in(kitchen, "Ana", "manager")
    boss, _ = log_in(kitchen, "Ana")
    refused = boss.post(f"{first}/disabled")
    assert refused.status_code == 409 and "last manager who can log in" in refused.text
    let_in(kitchen, "Ben", "manager")
    assert boss.sent(f"{first}/disabled") == "/log-in"
    assert boss.get("/").status_code == 401


def test_a_program_that_is_a_manager_is_no_manager_who_can_log_in(kitchen: Kitchen) -> None:
    first = let_in(kitchen, "Ana", "manager")
    let_in(kitchen, "nightly", "manager", password="")
    boss, _ = log_in(kitchen, "Ana")
    assert boss.post(f"{first}/disabled").status_code == 409
    boss.sent(f"/settings/people/{number_of(kitchen, 'nightly')}/disabled")


def limited_manager(kitchen: Kitchen) -> Visitor:
    kitchen.manager.made("/sites", {"code": "EAST", "name": "East"})
    let_in(kitchen, "Eve", "manager", **{"sites.0": "EAST"})
    return log_in(kitchen, "Eve")[0]


def test_a_manager_of_one_site_lets_nobody_in_beyond_it(kitchen: Kitchen) -> None:
    eve = limited_manager(kitchen)
    everywhere = {"name": "Kim", "role": "manager", "password": PASSWORD}
    assert eve.post("/settings/people", everywhere).status_code == 403
    assert eve.post("/settings/people", everywhere | {"sites.0": "MAIN"}).status_code == 403
    eve.sent("/settings/people", everywhere | {"sites.0": "EAST"})
    page = eve.page("/settings/people")
    assert "Kim" in page and "Eve" in page and ">manager</a>" not in page


def test_a_manager_of_one_site_cannot_touch_whoever_reaches_further(kitchen: Kitchen) -> None:
    eve = limited_manager(kitchen)
    other = f"/settings/people/{number_of(kitchen, 'manager')}"
    assert eve.get(other).status_code == 403
    for act in ("password", "disabled", "enabled", "token", "tokens-withdrawn"):
        assert eve.post(f"{other}/{act}", {"password": OTHER}).status_code == 403, act
    assert visitor(kitchen, "manager").get("/settings").status_code == 200


def test_a_device_gets_no_password(kitchen: Kitchen) -> None:
    here = let_in(kitchen, "logger", "device", password="")
    boss = visitor(kitchen, "manager")
    assert 'type="password"' not in boss.page(here)
    assert boss.post(f"{here}/password", {"password": OTHER}).status_code == 409


def test_nobody_but_a_manager_looks_after_people(kitchen: Kitchen) -> None:
    here = let_in(kitchen, "Kim")
    keeper = visitor(kitchen, "keeper")
    for act in ("password", "disabled", "token"):
        assert keeper.post(f"{here}/{act}", {"password": OTHER}).status_code == 403
    assert log_in(kitchen, "Kim")[1].status_code == 303


def test_the_trail_holds_after_people_were_looked_after(kitchen: Kitchen) -> None:
    let_in(kitchen, "Kim")
    with kitchen.looking() as session:
        assert audit.verify(session) == []
