"""A request that is sent twice is done once."""

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta
from threading import Barrier
from typing import Any

import httpx
from sqlmodel import col, func, select

from service.security.models import IdempotencyKey
from service.security.transactions import KEPT_FOR, forget_old_keys
from tests.kitchen import Kitchen

KEY = {"Idempotency-Key": "tablet-7/000123"}
WEIGHT = {"mass": "104 kg"}
AT = "/animals/BRINE/weights"


def kept(kitchen: Kitchen) -> int:
    with kitchen.looking() as session:
        return int(session.exec(select(func.count(col(IdempotencyKey.user_id)))).one())


def test_the_same_request_again_gets_the_same_answer_and_has_no_second_effect(
    kitchen: Kitchen,
) -> None:
    lot = kitchen.a_lot()["code"]
    body = {"lot": lot, "from_place": "FZ1", "to_place": "TANK1", "mass": "10 kg"}
    first = kitchen.keeper.post("/pulls", body, headers=KEY)
    assert first.status_code == 201 and "idempotency-replayed" not in first.headers
    kitchen.clock.forward(hours=3)
    again = kitchen.keeper.post("/pulls", body, headers=KEY)
    assert again.status_code == 201
    assert again.headers["idempotency-replayed"] == "true"
    assert again.headers["content-type"] == "application/json"
    assert again.content == first.content
    assert len(kitchen.keeper.shown("/thaw-batches")["items"]) == 1
    newest = kitchen.manager.shown("/audit?subject=" + first.json()["thaw_batch"]["code"])
    assert len(newest["items"]) == 1, "a replay leaves no second entry"


def test_another_body_under_the_same_key_is_refused_and_stores_nothing(kitchen: Kitchen) -> None:
    kitchen.keeper.made(AT, WEIGHT, headers=KEY)
    other = kitchen.keeper.post(AT, {"mass": "105 kg"}, headers=KEY)
    assert other.status_code == 409
    assert other.json()["type"] == "/problems/idempotency-mismatch"
    assert kitchen.keeper.shown("/animals/BRINE")["body_mass"]["g"] == 104_000
    assert kitchen.keeper.post(AT, WEIGHT, headers=KEY).headers["idempotency-replayed"] == "true"


def test_what_is_not_found_comes_before_a_mismatch(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot()["code"]
    body = {"lot": lot, "from_place": "FZ1", "to_place": "FZ2", "mass": "10 kg"}
    kitchen.commissary.made("/moves", body, headers=KEY)
    unknown = kitchen.commissary.post("/moves", body | {"to_place": "NONE"}, headers=KEY)
    assert unknown.status_code == 404
    assert [e["field"] for e in unknown.json()["errors"]] == ["to_place"]
    too_much = kitchen.commissary.post("/moves", body | {"mass": "9 t"}, headers=KEY)
    assert too_much.status_code == 422
    refused = kitchen.commissary.post("/moves", body | {"mass": "9000 kg"}, headers=KEY)
    assert refused.json()["type"] == "/problems/idempotency-mismatch", "before not-enough-stock"


def test_a_foreign_site_comes_before_a_mismatch(kitchen: Kitchen) -> None:
    boss = kitchen.manager
    boss.made("/sites", {"code": "SUD", "name": "South house"})
    person = kitchen.person("manager", site_ids=(1,))
    body = {"code": "P9", "name": "Pi", "kind": "ice", "site": "MAIN"}
    person.made("/places", body, headers=KEY)
    answer = person.post("/places", body | {"site": "SUD"}, headers=KEY)
    assert answer.status_code == 403


def test_the_key_of_a_request_that_failed_can_be_used_again(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot(mass="10 kg")["code"]
    body = {"lot": lot, "from_place": "FZ1", "to_place": "FZ2", "mass": "20 kg"}
    assert kitchen.commissary.post("/moves", body, headers=KEY).status_code == 409
    assert kitchen.commissary.post("/moves", body | {"lot": "NONE"}, headers=KEY).status_code == 404
    assert kitchen.commissary.post("/moves", body | {"mass": "x"}, headers=KEY).status_code == 422
    assert kept(kitchen) == 0
    moved = kitchen.commissary.post("/moves", body | {"mass": "10 kg"}, headers=KEY)
    assert moved.status_code == 201 and "idempotency-replayed" not in moved.headers


def test_a_key_belongs_to_its_user_and_its_address(kitchen: Kitchen) -> None:
    kitchen.keeper.made(AT, WEIGHT, headers=KEY)
    other = kitchen.vet.post(AT, {"mass": "105 kg"}, headers=KEY)
    assert other.status_code == 201 and "idempotency-replayed" not in other.headers
    diet = {"from": "2026-11-01", "items": [{"species": "HER", "mass": "1 kg"}]}
    assert kitchen.vet.post("/animals/BRINE/diets", diet, headers=KEY).status_code == 201


def test_a_unit_in_the_address_is_part_of_what_was_asked(kitchen: Kitchen) -> None:
    rows = [{"probe": "FZ1-AIR", "at": "2026-11-25T05:00:00Z", "temperature_c": 0}]
    kitchen.commissary.made("/readings", rows, headers=KEY)
    other = kitchen.commissary.post("/readings?unit=f", rows, headers=KEY)
    assert other.json()["type"] == "/problems/idempotency-mismatch"


def test_a_key_that_cannot_be_kept_is_refused_by_name(small_kitchen: Kitchen) -> None:
    for key in ("", "x" * 201, "a\tb", "a\x7fb"):
        answer = small_kitchen.keeper.post(AT, WEIGHT, headers={"Idempotency-Key": key})
        assert answer.status_code == 422, key
        assert [e["field"] for e in answer.json()["errors"]] == ["Idempotency-Key"]
    assert small_kitchen.keeper.shown("/animals/BRINE")["body_mass"] is None


def at_once(number: int, ask: Callable[[int], httpx.Response]) -> list[httpx.Response]:
    """So many requests that begin together, each in a thread of its own."""
    gate = Barrier(number)

    def one(index: int) -> httpx.Response:
        gate.wait(timeout=30)
        return ask(index)

    with ThreadPoolExecutor(number) as pool:
        return list(pool.map(one, range(number)))


def test_a_tablet_that_posts_many_times_at_once_has_one_effect(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot(mass="100 kg")["code"]
    body = {"lot": lot, "from_place": "FZ1", "to_place": "TANK1", "mass": "10 kg"}
    keeper = kitchen.keeper
    answers = at_once(6, lambda _: keeper.post("/pulls", body, headers=KEY))
    assert [a.status_code for a in answers] == [201] * 6
    assert len({a.content for a in answers}) == 1
    assert sum("idempotency-replayed" in a.headers for a in answers) == 5
    assert len(keeper.shown("/thaw-batches")["items"]) == 1
    assert sum(row["mass"]["g"] for row in keeper.shown("/stock?place=FZ1")["items"]) == 90_000


def test_of_different_bodies_at_once_under_one_key_one_is_done_and_the_others_told(
    kitchen: Kitchen,
) -> None:
    keeper = kitchen.keeper
    answers = at_once(4, lambda i: keeper.post(AT, {"mass": f"{100 + i} kg"}, headers=KEY))
    statuses = sorted(a.status_code for a in answers)
    assert statuses == [201, 409, 409, 409]
    kinds = {a.json()["type"] for a in answers if a.status_code == 409}
    assert kinds == {"/problems/idempotency-mismatch"}
    (done,) = (a.json()["mass"]["g"] for a in answers if a.status_code == 201)
    assert keeper.shown("/animals/BRINE")["body_mass"]["g"] == done


def test_keys_are_forgotten_after_a_month_but_never_those_of_feeds_and_pulls(
    kitchen: Kitchen,
) -> None:
    lot = kitchen.a_lot()["code"]
    body: dict[str, Any] = {"lot": lot, "from_place": "FZ1", "to_place": "TANK1", "mass": "10 kg"}
    batch = kitchen.keeper.made("/pulls", body, headers=KEY)["thaw_batch"]["code"]
    fed = {
        "animal": "BRINE",
        "items": [{"thaw_batch": batch, "offered": "1 kg", "eaten": "1 kg"}],
    }
    kitchen.keeper.made("/feeds", fed, headers=KEY)
    kitchen.keeper.made(AT, WEIGHT, headers=KEY)
    assert kept(kitchen) == 3
    for later, left in ((KEPT_FOR, 3), (KEPT_FOR + timedelta(seconds=1), 2)):
        with kitchen.writing() as session:
            forget_old_keys(session, at=kitchen.clock() + later)
        assert kept(kitchen) == left
    assert kitchen.keeper.post("/feeds", fed, headers=KEY).headers["idempotency-replayed"] == "true"
