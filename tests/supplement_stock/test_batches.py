"""Supplement batches over HTTP: received, counted, thrown away, taken back."""

from concurrent.futures import ThreadPoolExecutor
from datetime import date, timedelta
from typing import Any

import pytest
from sqlalchemy import text
from sqlalchemy.exc import DatabaseError

from service.supplement_stock.queries import batch_by_code, batches_by_id, in_use, kept
from service.supplement_stock.rules import Kind, Taken
from tests.architecture.test_statements import counted
from tests.kitchen import Kitchen
from tests.supplement_stock.cupboard import (
    TODAY,
    a_jar,
    a_product,
    adds_up,
    given,
    kinds,
    left,
    taken_back,
)


def problem(answer: Any) -> tuple[int, str, str | None]:
    body = answer.json()
    errors = body["errors"]
    return answer.status_code, body["type"].split("/")[-1], errors[0]["field"] if errors else None


def test_a_batch_carries_the_strength_printed_on_it(kitchen: Kitchen) -> None:
    a_product(kitchen, price=0.035, currency="EUR")
    plain = a_jar(kitchen)
    assert plain | {"id": 0, "findings": []} == {
        "id": 0,
        "site": "MAIN",
        "product": "B1-100",
        "code": "LOT 12-a",
        "expires_on": "2027-06-30",
        "state": "usable",
        "counted_in": "piece",
        "left": 100.0,
        "contents": [{"nutrient": "THIA", "amount": 100.0, "unit": "mg"}],
        "price": 0.035,
        "currency": "EUR",
        "findings": [],
    }
    assert plain["findings"] == []
    strong = [{"nutrient": "thiamine", "amount": 0.11, "unit": "g"}]
    other = a_jar(kitchen, "LOT 13", contents=strong, price=0.04, currency="USD")
    assert other["contents"] == [{"nutrient": "THIA", "amount": 110.0, "unit": "mg"}]
    assert (other["price"], other["currency"]) == (0.04, "USD")
    assert [(f["rule"], f["outcome"]) for f in other["findings"]] == [("strength-differs", "warn")]


def test_a_label_that_names_only_the_month_is_good_until_its_last_day(kitchen: Kitchen) -> None:
    a_product(kitchen)
    assert a_jar(kitchen, expires_on="2028-02")["expires_on"] == "2028-02-29"


def test_what_has_expired_already_is_stored_and_never_given(kitchen: Kitchen) -> None:
    product = a_product(kitchen)
    old = a_jar(kitchen, expires_on="2026-11-24")
    assert (old["state"], old["left"]) == ("expired", 100)
    assert [(f["rule"], f["outcome"]) for f in old["findings"]] == [("supplement-expired", "block")]
    with kitchen.looking() as session:
        assert product["code"] == "B1-100"
        assert in_use(session, 1, [1], on=TODAY) == {}
        assert kept(session, 1, [1, 2]) == {1}
        assert in_use(session, 1, [1], on=date(2026, 11, 24))[1].id == old["id"]


def test_the_batch_to_use_next_is_the_first_to_expire_that_has_something_left(
    kitchen: Kitchen,
) -> None:
    a_product(kitchen)
    a_product(kitchen, "B2")
    late = a_jar(kitchen, "C", expires_on="2027-12-01")["id"]
    soon = a_jar(kitchen, "D", expires_on="2027-01-15", received=2)["id"]
    with kitchen.looking() as session, counted(kitchen) as sent:
        found = in_use(session, 1, [1, 2, 2], on=TODAY)
    assert [(product, batch.id) for product, batch in found.items()] == [(1, soon)]
    assert sum("SELECT" in each for each in sent) == 1
    given(kitchen, Taken(soon, 2))
    with kitchen.looking() as session:
        assert in_use(session, 1, [1], on=TODAY)[1].id == late
        assert in_use(session, 2, [1], on=TODAY) == {}, "another site's"
        assert batch_by_code(session, 1, 1, " c").id == late
        assert set(batches_by_id(session, [late, soon, 99])) == {late, soon}


def test_the_same_batch_again_is_another_receipt(kitchen: Kitchen) -> None:
    a_product(kitchen)
    jar = a_jar(kitchen)["id"]
    again = {"product": "b1-100", "code": "lot12-A", "expires_on": "2027-06-30", "received": 50}
    refused = kitchen.commissary.post("/supplement-batches", again)
    assert problem(refused) == (409, "already-exists", None)
    assert refused.json()["batch"] == jar and f"/{jar}/receipts" in refused.json()["next"]
    more = kitchen.commissary.made(f"/supplement-batches/{jar}/receipts", {"received": 50})
    assert (more["batch"]["left"], more["movement"]["count"]) == (150, 50)
    assert kinds(kitchen, jar) == [("received", 100), ("received", 50)]
    a_product(kitchen, "B2")
    assert a_jar(kitchen, product="B2")["id"] != jar, "another maker's, by the same code"


@pytest.mark.parametrize(
    ("more", "field"),
    [
        ({"received": 0}, "received"),
        ({"received": 0.3}, "received"),
        ({"received": 1e7}, "received"),
        ({"expires_on": "2037-01-01"}, "expires_on"),
        ({"expires_on": "2027-13"}, "expires_on"),
        ({"expires_on": "0000-01"}, "expires_on"),
        ({"code": "  "}, "code"),
        ({"contents": []}, "contents"),
        ({"contents": [{"nutrient": "THIA", "amount": 1, "unit": "IU"}]}, "contents.0.unit"),
        ({"contents": [{"nutrient": "THIA", "amount": 2000, "unit": "mg"}]}, "contents"),
        ({"contents": [{"nutrient": "VITE", "amount": 100, "unit": "IU"}]}, "contents"),
        ({"price": 1}, "currency"),
        ({"currency": "EUR"}, "currency"),
        ({"price": 1, "currency": "euro"}, "currency"),
        ({"price": -1, "currency": "EUR"}, "price"),
        ({"occurred_at": "2026-11-25T06:06:00Z"}, "occurred_at"),
    ],
)
def test_a_batch_that_cannot_be_is_refused_by_its_field(
    small_kitchen: Kitchen, more: dict[str, Any], field: str
) -> None:
    a_product(small_kitchen)
    body = {"product": "B1-100", "code": "L", "expires_on": "2027-06-30", "received": 100} | more
    answer = small_kitchen.commissary.post("/supplement-batches", body)
    assert problem(answer) == (422, "validation", field), answer.text
    assert small_kitchen.keeper.shown("/supplement-batches")["items"] == []


def test_what_nobody_knows_is_not_found(small_kitchen: Kitchen) -> None:
    body = {"product": "NONE", "code": "L", "expires_on": "2027-06-30", "received": 100}
    commissary = small_kitchen.commissary
    refused = commissary.post("/supplement-batches", body)
    assert problem(refused) == (404, "unknown-supplement-product", "product")
    for path in ("counts", "discard", "receipts"):
        body = {"counted": 1, "reason": "look"} if path == "counts" else {}
        body = {"reason": "look"} if path == "discard" else body or {"received": 1}
        refused = commissary.post(f"/supplement-batches/99/{path}", body)
        assert problem(refused) == (404, "unknown-supplement-batch", "batch")
    refused = commissary.post("/supplement-movements/99/reversal", {"reason": "look"})
    assert problem(refused) == (404, "unknown-supplement-movement", "movement")


def test_a_count_brings_the_books_to_what_is_there(kitchen: Kitchen) -> None:
    a_product(kitchen)
    jar = a_jar(kitchen)["id"]
    body = {"counted": 97.5, "reason": "monthly count"}
    answer = kitchen.commissary.made(f"/supplement-batches/{jar}/counts", body)
    assert (answer["movement"]["count"], answer["movement"]["counted"]) == (-2.5, 97.5)
    same = kitchen.commissary.made(f"/supplement-batches/{jar}/counts", body)
    assert same["movement"]["count"] == 0, "that nothing was missing is worth knowing"
    back = kitchen.keeper.made(
        f"/supplement-movements/{same['movement']['id']}/reversal", {"reason": "the wrong jar"}
    )
    assert (back["movement"]["kind"], back["batch"]["left"]) == ("reversed", 97.5)
    adds_up(kitchen)


def test_a_late_record_from_before_a_count_changes_nothing_that_was_counted(
    kitchen: Kitchen,
) -> None:
    a_product(kitchen)
    jar = a_jar(kitchen, occurred_at="2026-11-20T08:00:00Z")["id"]
    count = {"counted": 90, "reason": "count", "occurred_at": "2026-11-24T08:00:00Z"}
    kitchen.commissary.made(f"/supplement-batches/{jar}/counts", count)
    late = kitchen.clock().replace(day=23)
    given(kitchen, Taken(jar, 10, reference="given 1", occurred_at=late))
    assert left(kitchen, jar) == 90, "the ten were missing from the count already"
    given(kitchen, Taken(jar, 4, reference="given 2"))
    assert left(kitchen, jar) == 86
    taken_back(kitchen, ["given 1", "given 2"])
    assert left(kitchen, jar) == 90
    adds_up(kitchen)


def test_a_fact_that_takes_more_than_is_there_is_booked_with_a_difference(
    kitchen: Kitchen,
) -> None:
    a_product(kitchen)
    jar = a_jar(kitchen, received=2)["id"]
    given(kitchen, Taken(jar, 2.5), Taken(jar, 0.5, why=Kind.WASTED))
    assert left(kitchen, jar) == 0
    assert kinds(kitchen, jar) == [
        ("received", 2),
        ("given", -2.5),
        ("wasted", -0.5),
        ("counted", 1),
    ]
    adds_up(kitchen)


def test_expired_tablets_are_thrown_away_for_a_reason(kitchen: Kitchen) -> None:
    a_product(kitchen)
    jar = a_jar(kitchen, expires_on="2026-11-01")["id"]
    path = f"/supplement-batches/{jar}/discard"
    too_many = {"count": 101, "reason": "expired"}
    assert problem(kitchen.commissary.post(path, too_many))[:2] == (409, "not-enough-stock")
    assert left(kitchen, jar) == 100
    fact = kitchen.commissary.made(path, too_many | {"already_done": True})
    assert [b["rule"] for b in fact["breaches"]] == ["not-enough-stock"]
    assert fact["batch"]["state"] == "used_up"
    assert problem(kitchen.commissary.post(path, {"reason": "again"}))[:2] == (
        409,
        "nothing-left",
    )
    adds_up(kitchen)


def test_all_that_is_left_is_thrown_away_and_may_be_taken_back(kitchen: Kitchen) -> None:
    a_product(kitchen)
    jar = a_jar(kitchen)["id"]
    gone = kitchen.commissary.made(f"/supplement-batches/{jar}/discard", {"reason": "got wet"})
    assert (gone["movement"]["count"], gone["batch"]["left"]) == (-100, 0)
    path = f"/supplement-movements/{gone['movement']['id']}/reversal"
    assert kitchen.keeper.made(path, {"reason": "the other jar"})["batch"]["left"] == 100
    again = kitchen.keeper.post(path, {"reason": "the other jar"})
    assert problem(again)[:2] == (409, "already-reversed")
    adds_up(kitchen)


def test_a_receipt_whose_pieces_are_gone_is_not_taken_back(kitchen: Kitchen) -> None:
    a_product(kitchen)
    jar = a_jar(kitchen)["id"]
    (used,) = given(kitchen, Taken(jar, 1, reference="given 1"))
    first = kitchen.keeper.shown(f"/supplement-batches/{jar}/movements")["items"][-1]["id"]
    refused = kitchen.keeper.post(f"/supplement-movements/{first}/reversal", {"reason": "slip"})
    assert problem(refused)[:2] == (409, "has-successors")
    assert refused.json()["successors"] == [used]
    part = kitchen.keeper.post(f"/supplement-movements/{used}/reversal", {"reason": "slip"})
    assert problem(part)[:2] == (409, "part-of-giving")
    taken_back(kitchen, ["given 1"])
    assert taken_back(kitchen, ["given 1"]) == [], "told twice it changes nothing"
    kitchen.keeper.made(f"/supplement-movements/{first}/reversal", {"reason": "slip"})
    assert left(kitchen, jar) == 0
    adds_up(kitchen)


def test_powder_is_kept_in_grams_to_the_milligram(kitchen: Kitchen) -> None:
    salt = [{"nutrient": "NACL", "amount": 1, "unit": "g"}]
    a_product(kitchen, "SALT", form="powder", contents=salt)
    jar = a_jar(kitchen, product="SALT", received=999.999)
    assert (jar["left"], jar["counted_in"]) == (999.999, "g")
    given(kitchen, *[Taken(jar["id"], 0.1)] * 10)
    assert left(kitchen, jar["id"]) == 998.999


def test_three_hundred_animals_are_one_insert(small_kitchen: Kitchen) -> None:
    a_product(small_kitchen)
    jar = a_jar(small_kitchen, received=1000)["id"]
    taken = [Taken(jar, 1, reference=f"given {n}") for n in range(300)]
    with counted(small_kitchen) as sent:
        numbers = given(small_kitchen, *taken)
    assert len(numbers) == len(set(numbers)) == 300
    assert len(sent) <= 12, sent
    with counted(small_kitchen) as sent:
        taken_back(small_kitchen, [each.reference or "" for each in taken])
    assert len(sent) <= 12, sent
    assert left(small_kitchen, jar) == 1000


def test_keepers_who_take_and_give_back_at_once_lose_no_piece(kitchen: Kitchen) -> None:
    a_product(kitchen)
    jar = a_jar(kitchen, received=40)["id"]

    def takes(who: int) -> None:
        for n in range(4):
            given(kitchen, Taken(jar, 1, reference=f"given {who}-{n}"))

    def gives_back(_who: int) -> int:
        return len(taken_back(kitchen, ["given 0-0", "given 1-3"]))

    with ThreadPoolExecutor(8) as people:
        list(people.map(takes, range(8)))
        assert left(kitchen, jar) == 8
        assert sum(people.map(gives_back, range(8))) == 2, "taken back once each"
    assert left(kitchen, jar) == 10
    adds_up(kitchen)


def test_the_list_shows_what_is_in_each_state(kitchen: Kitchen) -> None:
    a_product(kitchen)
    a_product(kitchen, "B2")
    for code, expires, number in (
        ("good", "2027-01-25", 5),  # 61 days
        ("soon", "2027-01-24", 5),  # 60 days
        ("today", "2026-11-25", 5),
        ("past", "2026-11-24", 5),
        ("empty", "2027-06-01", 1),
    ):
        a_jar(kitchen, code, expires_on=expires, received=number)
    a_jar(kitchen, "other", product="B2")
    kitchen.commissary.made("/supplement-batches/5/discard", {"reason": "wet"})

    def codes(query: str) -> list[str]:
        return [i["code"] for i in kitchen.keeper.shown(f"/supplement-batches{query}")["items"]]

    assert codes("") == ["past", "today", "soon", "good", "empty", "other"]
    for state in ("usable", "expires_soon", "expired", "used_up"):
        for item in kitchen.keeper.shown(f"/supplement-batches?state={state}")["items"]:
            assert item["state"] == state
    assert codes("?state=usable&product=b1-100") == ["good"]
    assert codes("?state=expires_soon&site=main") == ["today", "soon"]
    assert codes("?state=expired") == ["past"]
    assert codes("?state=used_up") == ["empty"]
    page = kitchen.keeper.shown("/supplement-batches?limit=4")
    assert len(page["items"]) == 4
    assert codes(f"?limit=4&cursor={page['next']}") == ["empty", "other"]
    assert kitchen.keeper.get("/supplement-batches?product=none").status_code == 404
    table = kitchen.keeper.get("/supplement-batches", headers={"Accept": "text/csv"})
    assert table.status_code == 200 and "LOT" not in table.text and "soon" in table.text


def test_a_keeper_neither_receives_nor_counts(small_kitchen: Kitchen) -> None:
    a_product(small_kitchen)
    jar = a_jar(small_kitchen)["id"]
    keeper = small_kitchen.keeper
    for path in ("", f"/{jar}/receipts", f"/{jar}/counts", f"/{jar}/discard"):
        assert keeper.post(f"/supplement-batches{path}", {}).status_code == 403


def test_another_sites_batches_are_not_seen(small_kitchen: Kitchen) -> None:
    kitchen = small_kitchen
    a_product(kitchen)
    kitchen.manager.made("/sites", {"code": "SUD", "name": "South house"})
    jar = a_jar(kitchen, site="MAIN")["id"]
    south = kitchen.person("commissary", (2,))
    assert south.shown("/supplement-batches")["items"] == []
    assert south.get(f"/supplement-batches/{jar}").status_code == 403
    count = {"counted": 1, "reason": "look"}
    assert south.post(f"/supplement-batches/{jar}/counts", count).status_code == 403
    twin = {"product": "B1-100", "code": "LOT 12-a", "expires_on": "2027-06-30", "received": 5}
    assert south.made("/supplement-batches", twin)["batch"]["site"] == "SUD"
    named = kitchen.commissary.post("/supplement-batches", twin)
    assert problem(named) == (422, "validation", "site")


def test_a_receipt_sent_twice_with_one_key_is_taken_in_once(kitchen: Kitchen) -> None:
    a_product(kitchen)
    jar = a_jar(kitchen)["id"]
    for _ in range(2):
        kitchen.commissary.made(
            f"/supplement-batches/{jar}/receipts",
            {"received": 50},
            headers={"Idempotency-Key": "truck-1"},
        )
    assert left(kitchen, jar) == 150


def test_what_came_and_went_is_neither_changed_nor_deleted(kitchen: Kitchen) -> None:
    a_product(kitchen)
    jar = a_jar(kitchen)["id"]
    statements = ["UPDATE supplement_movement SET milli = 1", "DELETE FROM supplement_movement"]
    if kitchen.app.state.database.is_sqlite:
        statements.append(
            "INSERT OR REPLACE INTO supplement_movement SELECT * FROM supplement_movement"
        )
    else:
        statements.append("TRUNCATE supplement_movement CASCADE")
    for statement in statements:
        with pytest.raises(DatabaseError, match="never changed"), kitchen.writing() as session:
            session.connection().execute(text(statement))
    below = "UPDATE supplement_batch SET left_milli = -1"
    with pytest.raises(DatabaseError, match="left_not_negative"), kitchen.writing() as session:
        session.connection().execute(text(below))
    assert kinds(kitchen, jar) == [("received", 100)]


def test_without_any_batch_supplements_are_planned_and_given_as_ever(kitchen: Kitchen) -> None:
    a_product(kitchen)
    diet = {"from": "2026-11-01", "items": [{"species": "HER", "mass": "5 kg"}]}
    kitchen.nutritionist.made("/animals/BRINE/diets", diet)
    plan = kitchen.nutritionist.made("/supplement-plans", {"animal": "BRINE", "day": "2026-11-25"})
    pieces = [{k: s[k] for k in ("product", "count")} for s in plan["supplements"]]
    assert [p["product"] for p in pieces] == ["B1-100"]
    kitchen.vet.made(f"/supplement-plans/{plan['id']}/sign-off", {})
    kitchen.keeper.made(f"/supplement-plans/{plan['id']}/given", {"supplements": pieces})
    assert kitchen.keeper.shown("/supplement-stock")["items"] == []


def test_what_is_on_hand_says_how_long_it_lasts(kitchen: Kitchen) -> None:
    a_product(kitchen)
    jar = a_jar(kitchen, received=40)["id"]
    a_jar(kitchen, "old", expires_on="2026-11-01", received=7)
    for back in range(4):
        given(kitchen, Taken(jar, 2), day=TODAY - timedelta(days=back))
    (found,) = kitchen.keeper.shown("/supplement-stock?site=main")["items"]
    assert found == {
        "site": "MAIN",
        "product": "B1-100",
        "name": "B1-100 for sea lions",
        "counted_in": "piece",
        "usable": 32.0,
        "expired": 7.0,
        "next_batch": jar,
        "used_per_day": 2.0,
        "days_left": 16.0,
    }
