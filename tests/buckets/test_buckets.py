"""Buckets as commissary, keeper and vet use them."""

from collections import Counter
from datetime import timedelta
from typing import Any

import httpx
import pytest
from sqlalchemy import text
from sqlalchemy.exc import DatabaseError

from tests.architecture.test_statements import counted
from tests.kitchen import Kitchen
from tests.labels.pictures import scanned

TODAY = "2026-11-25"


def refusal(answer: httpx.Response) -> tuple[int, str]:
    return answer.status_code, answer.json()["type"].removeprefix("/problems/")


def a_batch(kitchen: Kitchen, species: str = "CAP", mass: str = "20 kg") -> str:
    return str(kitchen.pulled(kitchen.a_lot(species)["code"], mass)["code"])


def on_a_diet(kitchen: Kitchen, animal: str = "BRINE", feeds: int = 2, **grams: int) -> None:
    items = [{"species": s, "mass": f"{g} g"} for s, g in (grams or {"CAP": 4000}).items()]
    kitchen.nutritionist.made(
        f"/animals/{animal}/diets",
        {"from": "2026-11-01", "items": items, "feeds_per_day": feeds},
    )


def by_hand(kitchen: Kitchen, batch: str, mass: str = "2 kg", **more: Any) -> Any:
    body = {
        "animal": "BRINE",
        "feed_at": "2026-11-25T08:00:00Z",
        "items": [{"thaw_batch": batch, "mass": mass}],
    }
    return kitchen.keeper.made("/buckets", body | more)["items"][0]


def weighed_out(kitchen: Kitchen, bucket: str, gross: str = "2.4 kg", where: str = "iced") -> Any:
    body = {"tare": "0.4 kg", "gross": gross, "where": where}
    return kitchen.commissary.made(f"/buckets/{bucket}/weigh-out", body)["bucket"]


def messages(kitchen: Kitchen) -> list[Any]:
    return [m for m in kitchen.vet.shown("/messages")["items"] if m["subject"] == "bucket"]


# --- from portions


def test_buckets_of_a_day_hold_what_the_diet_says_feed_by_feed(kitchen: Kitchen) -> None:
    on_a_diet(kitchen, CAP=3001)
    batch = a_batch(kitchen)
    made = kitchen.commissary.made("/buckets", {"day": TODAY})
    assert [b["mass"]["g"] for b in made["items"]] == [1500, 1501]
    assert [b["number"] for b in made["items"]] == [1, 2]
    assert made["items"][0]["items"][0]["thaw_batch"] == batch
    assert made["shortages"] == []
    assert [b["code"] for b in kitchen.keeper.shown(f"/buckets?day={TODAY}")["items"]] == [
        b["code"] for b in made["items"]
    ]


def test_asking_again_makes_no_bucket_twice(kitchen: Kitchen) -> None:
    on_a_diet(kitchen)
    a_batch(kitchen)
    assert len(kitchen.commissary.made("/buckets", {"day": TODAY, "number": 1})["items"]) == 1
    rest = kitchen.commissary.made("/buckets", {"day": TODAY})["items"]
    assert [b["number"] for b in rest] == [2]
    assert kitchen.commissary.made("/buckets", {"day": TODAY})["items"] == []


def test_what_no_batch_can_give_is_told_and_the_rest_is_filled(kitchen: Kitchen) -> None:
    on_a_diet(kitchen, CAP=4000)
    a_batch(kitchen, mass="3 kg")
    made = kitchen.commissary.made("/buckets", {"day": TODAY})
    assert [b["mass"]["g"] for b in made["items"]] == [2000, 1000]
    (short,) = made["shortages"]
    assert (short["animal"], short["species"], short["mass"]["g"]) == ("BRINE", "CAP", 1000)


def test_fish_in_a_bucket_is_not_in_another_one(kitchen: Kitchen) -> None:
    batch = a_batch(kitchen, mass="3 kg")
    by_hand(kitchen, batch)
    body = {
        "animal": "BRINE",
        "feed_at": "2026-11-25T12:00:00Z",
        "items": [{"thaw_batch": batch, "mass": "2 kg"}],
    }
    refused = kitchen.keeper.post("/buckets", body)
    assert refusal(refused) == (409, "not-enough-stock")
    assert refused.json()["findings"][-1]["numbers"]["free_g"] == 1000
    fact = kitchen.keeper.made("/buckets", body | {"already_done": True})
    assert [b["rule"] for b in fact["breaches"]] == ["not-enough-stock"]


def test_a_bucket_given_up_frees_its_fish_and_another_is_made_in_its_place(
    kitchen: Kitchen,
) -> None:
    on_a_diet(kitchen, feeds=1)
    a_batch(kitchen, mass="4 kg")
    (first,) = kitchen.commissary.made("/buckets", {"day": TODAY})["items"]
    gone = kitchen.keeper.made(f"/buckets/{first['code']}/cancel", {"reason": "wrong batch"})
    assert gone["bucket"]["state"] == "cancelled"
    (second,) = kitchen.commissary.made("/buckets", {"day": TODAY})["items"]
    assert second["mass"]["g"] == 4000
    again = kitchen.keeper.post(f"/buckets/{first['code']}/cancel", {"reason": "once more"})
    assert refusal(again) == (409, "bucket-ended")


def test_held_fish_and_fish_whose_clock_ends_before_the_feed_go_into_no_bucket(
    kitchen: Kitchen,
) -> None:
    lot = kitchen.a_lot("CAP")["code"]
    batch = kitchen.pulled(lot, "10 kg")["code"]
    late = {
        "animal": "BRINE",
        "feed_at": "2026-11-26T06:00:01Z",
        "items": [{"thaw_batch": batch, "mass": "1 kg"}],
    }
    assert refusal(kitchen.keeper.post("/buckets", late)) == (409, "clock-from-freezer")
    on_a_diet(kitchen)
    kitchen.vet.made(f"/lots/{lot}/holds", {"reason": "smells odd"})
    made = kitchen.commissary.made("/buckets", {"day": TODAY})
    assert made["items"] == [] and len(made["shortages"]) == 2


def test_buckets_of_a_group_are_for_the_group(kitchen: Kitchen) -> None:
    group = {"code": "POOL", "name": "The pool", "kind": "pinniped"}
    answer = kitchen.keeper.post("/groups", {k: group[k] for k in ("code", "name")})
    assert answer.status_code == 201, answer.text
    batch = a_batch(kitchen)
    body = {
        "group": "POOL",
        "feed_at": "2026-11-25T08:00:00Z",
        "items": [{"thaw_batch": batch, "mass": "2 kg"}],
    }
    (bucket,) = kitchen.keeper.made("/buckets", body)["items"]
    assert (bucket["group"], bucket["animal"]) == ("POOL", None)
    fed = kitchen.keeper.made(
        f"/buckets/{bucket['code']}/weigh-back",
        {"left": [{"thaw_batch": batch, "left": "0.1 kg"}], "present": 7},
    )
    assert fed["bucket"]["state"] == "fed"
    assert kitchen.balance()["eaten"] == 1900


# --- weighing


def test_two_weighings_make_a_feed_without_typing_a_mass(kitchen: Kitchen) -> None:
    batch = a_batch(kitchen)
    code = by_hand(kitchen, batch)["code"]
    out = weighed_out(kitchen, code, "2.45 kg")
    assert (out["state"], out["mass"]["g"], out["tare"]["g"]) == ("weighed_out", 2050, 400)
    kitchen.clock.forward(minutes=30)
    fed = kitchen.keeper.made(f"/buckets/{code}/weigh-back", {"gross": "0.65 kg"})
    assert fed["breaches"] == [] and fed["bucket"]["state"] == "fed"
    balance = kitchen.balance()
    assert (balance["eaten"], balance["left"]) == (1800, 250)
    assert kitchen.keeper.shown("/animals/BRINE/intake")["total"]["g"] == 1800
    again = kitchen.keeper.post(f"/buckets/{code}/weigh-back", {"gross": "0.65 kg"})
    assert refusal(again) == (409, "bucket-ended")
    assert kitchen.balance() == balance


def test_several_fish_are_weighed_one_on_top_of_the_other(kitchen: Kitchen) -> None:
    capelin, herring = a_batch(kitchen), a_batch(kitchen, "HER", "10 kg")
    items = [{"thaw_batch": capelin, "mass": "2 kg"}, {"thaw_batch": herring, "mass": "1 kg"}]
    code = by_hand(kitchen, capelin, items=items)["code"]
    short = kitchen.keeper.post(f"/buckets/{code}/weigh-out", {"tare": "400 g", "gross": "3 kg"})
    assert refusal(short) == (422, "validation")
    scale = [{"thaw_batch": capelin, "gross": "2.4 kg"}, {"thaw_batch": herring, "gross": "3.4 kg"}]
    kitchen.keeper.made(f"/buckets/{code}/weigh-out", {"tare": "400 g", "items": scale})
    kitchen.keeper.made(f"/buckets/{code}/weigh-back", {"gross": "700 g"})
    intake = kitchen.keeper.shown("/animals/BRINE/intake")
    # 300 g left of 2 kg and 1 kg: 200 g and 100 g.
    assert {s["species"]: s["eaten"]["g"] for s in intake["species"]} == {"CAP": 1800, "HER": 900}


def test_another_batch_than_planned_is_what_the_scale_says(kitchen: Kitchen) -> None:
    planned, taken = a_batch(kitchen), a_batch(kitchen)
    code = by_hand(kitchen, planned)["code"]
    scale = {"tare": "0 kg", "items": [{"thaw_batch": taken, "gross": "1.9 kg"}]}
    shown = kitchen.keeper.made(f"/buckets/{code}/weigh-out", scale)["bucket"]
    assert {i["thaw_batch"]: i["weighed"]["g"] for i in shown["items"]} == {
        planned: 0,
        taken: 1900,
    }
    kitchen.keeper.made(f"/buckets/{code}/weigh-back", {"gross": "0 kg"})
    assert kitchen.keeper.shown(f"/thaw-batches/{taken}")["remaining"]["g"] == 18_100
    assert kitchen.keeper.shown(f"/thaw-batches/{planned}")["remaining"]["g"] == 20_000


@pytest.mark.parametrize(
    ("back", "field"),
    [
        ({"gross": "2.41 kg"}, "gross"),
        ({"gross": "0.39 kg"}, "gross"),
        ({"left": [{"thaw_batch": "T1", "left": "0 kg"}]}, "left.0.thaw_batch"),
        ({}, "body"),
    ],
)
def test_a_weighing_that_cannot_be_is_refused_and_nothing_is_stored(
    kitchen: Kitchen, back: dict[str, Any], field: str
) -> None:
    code = by_hand(kitchen, a_batch(kitchen))["code"]
    weighed_out(kitchen, code)
    answer = kitchen.keeper.post(f"/buckets/{code}/weigh-back", back)
    assert refusal(answer) == (422, "validation")
    assert answer.json()["errors"][0]["field"] == field
    assert kitchen.balance()["eaten"] == 0
    assert kitchen.keeper.shown(f"/buckets/{code}")["state"] == "weighed_out"


def test_a_feed_that_is_taken_back_opens_its_bucket_again(kitchen: Kitchen) -> None:
    code = by_hand(kitchen, a_batch(kitchen))["code"]
    weighed_out(kitchen, code)
    feed = kitchen.keeper.made(f"/buckets/{code}/weigh-back", {"gross": "1.4 kg"})["bucket"]["feed"]
    kitchen.keeper.made(f"/feeds/{feed}/reversal", {"reason": "read wrong"})
    assert kitchen.keeper.shown(f"/buckets/{code}")["state"] == "weighed_out"
    kitchen.keeper.made(f"/buckets/{code}/weigh-back", {"gross": "0.4 kg"})
    assert kitchen.balance()["eaten"] == 2000


def test_a_feed_that_is_corrected_leaves_its_bucket_fed(kitchen: Kitchen) -> None:
    batch = a_batch(kitchen)
    code = by_hand(kitchen, batch)["code"]
    weighed_out(kitchen, code)
    feed = kitchen.keeper.made(f"/buckets/{code}/weigh-back", {"gross": "1.4 kg"})["bucket"]["feed"]
    right = {
        "animal": "BRINE",
        "items": [{"thaw_batch": batch, "offered": "2 kg", "eaten": "2 kg"}],
    }
    body = {"reason": "read wrong", "feed": right}
    kitchen.keeper.made(f"/feeds/{feed}/correction", body)
    assert kitchen.keeper.shown(f"/buckets/{code}")["state"] == "fed"
    assert kitchen.balance()["eaten"] == 2000


# --- out of the cold


def test_a_bucket_too_long_out_of_the_cold_that_was_fed_is_stored_with_its_breach_and_told(
    kitchen: Kitchen,
) -> None:
    code = by_hand(kitchen, a_batch(kitchen))["code"]
    weighed_out(kitchen, code, where="out")
    kitchen.clock.forward(minutes=61)
    assert kitchen.keeper.shown(f"/buckets/{code}")["out_of_cold"]["used"] > 1
    fed = kitchen.keeper.made(f"/buckets/{code}/weigh-back", {"gross": "0.4 kg"})
    assert [b["rule"] for b in fed["breaches"]] == ["warm-too-long"]
    assert kitchen.balance()["eaten"] == 2000
    (message,) = messages(kitchen)
    assert code in message["title"] and message["urgency"] == "now"
    assert kitchen.vet.shown("/deviations")["items"][0]["rule"] == "warm-too-long"


def test_back_in_the_cold_the_clock_of_a_bucket_stands(kitchen: Kitchen) -> None:
    code = by_hand(kitchen, a_batch(kitchen))["code"]
    weighed_out(kitchen, code, where="out")
    kitchen.clock.forward(minutes=20)
    shown = kitchen.keeper.made(f"/buckets/{code}/stays", {"where": "cold"})["bucket"]
    assert shown["out_of_cold"]["feed_by"] is None
    kitchen.clock.forward(hours=3)
    kitchen.keeper.made(f"/buckets/{code}/stays", {"where": "out"})
    kitchen.clock.forward(minutes=39)
    fed = kitchen.keeper.made(f"/buckets/{code}/weigh-back", {"gross": "0.4 kg"})
    assert fed["breaches"] == []
    assert fed["bucket"]["out_of_cold"]["out_h"] == round(59 / 60, 3)


def test_a_site_may_set_less_time_out_of_the_cold_and_not_much_more(kitchen: Kitchen) -> None:
    change = {"changes": {"bucket_out_of_cold_h": 0.5}, "reason": "hot summers"}
    assert kitchen.manager.put("/sites/main/policy", change).status_code == 200
    wide = {"changes": {"bucket_out_of_cold_h": 6}, "reason": "hot summers"}
    assert kitchen.manager.put("/sites/main/policy", wide).status_code == 422
    code = by_hand(kitchen, a_batch(kitchen))["code"]
    until = weighed_out(kitchen, code, where="out")["out_of_cold"]["feed_by"]
    assert until == (kitchen.clock() + timedelta(minutes=30)).isoformat().replace("+00:00", "Z")


def test_a_discarded_bucket_takes_its_fish_out_of_the_books(kitchen: Kitchen) -> None:
    code = by_hand(kitchen, a_batch(kitchen))["code"]
    weighed_out(kitchen, code)
    done = kitchen.keeper.made(f"/buckets/{code}/discard", {"reason": "gulls were at it"})
    assert done["bucket"]["state"] == "discarded"
    assert kitchen.balance()["discarded"] == 2000


# --- pieces in the fish


def a_signed_plan(kitchen: Kitchen) -> int:
    """100 IU of vitamin E a kilogram of 4 kg of fish: one tablet of 400 IU."""
    on_a_diet(kitchen)
    kitchen.nutritionist.made(
        "/supplement-products",
        {
            "code": "E-400",
            "name": "Vitamin E 400 IU tablet",
            "form": "tablet",
            "contents": [{"nutrient": "VITE", "amount": 400, "unit": "IU"}],
        },
    )
    plan = kitchen.nutritionist.made("/supplement-plans", {"animal": "BRINE", "day": TODAY})
    assert plan["supplements"][0]["count"] == 1
    kitchen.nutritionist.made(f"/supplement-plans/{plan['id']}/sign-off", {})
    return int(plan["id"])


def an_order(kitchen: Kitchen, **more: Any) -> int:
    body = {
        "animal": "BRINE",
        "item": "Antibiotic 250 mg",
        "count": 1,
        "from_day": "2026-11-24",
        "until_day": "2026-11-27",
        "instructions": "whole, with the first fish",
    }
    return int(kitchen.vet.made("/medication-orders", body | more)["id"])


def test_signed_supplements_and_ordered_medicines_are_in_the_first_bucket(
    kitchen: Kitchen,
) -> None:
    plan, order = a_signed_plan(kitchen), an_order(kitchen)
    a_batch(kitchen)
    first, second = kitchen.commissary.made("/buckets", {"day": TODAY})["items"]
    assert [(p["kind"], p["item"], p["plan"], p["order"]) for p in first["carries"]] == [
        ("supplement", "E-400", plan, None),
        ("medication", "Antibiotic 250 mg", None, order),
    ]
    assert second["carries"] == [] and first["medicated"] and not second["medicated"]


def test_what_a_member_of_a_group_is_to_get_is_in_the_groups_bucket_under_its_name(
    kitchen: Kitchen,
) -> None:
    an_order(kitchen)
    kitchen.keeper.made("/groups", {"code": "POOL", "name": "The pool"})
    joined = {"animal": "BRINE", "from": "2026-11-01T00:00:00Z"}
    kitchen.keeper.made("/groups/POOL/members", joined)
    items = [{"species": "CAP", "mass": "3 kg"}]
    kitchen.nutritionist.made("/groups/POOL/diets", {"from": "2026-11-01", "items": items})
    a_batch(kitchen)
    (bucket,) = kitchen.commissary.made("/buckets", {"day": TODAY})["items"]
    assert (bucket["group"], bucket["mass"]["g"]) == ("POOL", 3000)
    assert [(p["animal"], p["item"]) for p in bucket["carries"]] == [("BRINE", "Antibiotic 250 mg")]


def test_thiamine_that_the_fish_would_destroy_goes_into_no_bucket(small_kitchen: Kitchen) -> None:
    """Geraci 1972 [read]: apart from the fish, 2 h before the feed; the keeper's round says so."""
    kitchen = small_kitchen
    kitchen.nutritionist.made(
        "/supplement-products",
        {
            "code": "B1-100",
            "name": "Thiamine",
            "form": "tablet",
            "contents": [{"nutrient": "THIA", "amount": 100, "unit": "mg"}],
        },
    )
    a_signed_plan(kitchen)
    kitchen.pulled(kitchen.a_lot("CAP")["code"], "10 kg")
    made = kitchen.keeper.made("/buckets", {"day": TODAY})["items"]
    assert {c["item"] for b in made for c in b["carries"]} == {"E-400"}
    round_ = kitchen.keeper.shown(f"/supplement-round?day={TODAY}")["items"]
    assert "B1-100" in {each["product"] for each in round_}


def test_a_tablet_that_is_taken_is_recorded_as_given_once(kitchen: Kitchen) -> None:
    plan = a_signed_plan(kitchen)
    batch = a_batch(kitchen)
    code = kitchen.commissary.made("/buckets", {"day": TODAY})["items"][0]["code"]
    taken = {"carries": [{"number": 1, "outcome": "taken"}]}
    fed = kitchen.keeper.made(f"/buckets/{code}/weigh-back", no_left(batch) | taken)
    assert fed["bucket"]["carries"][0]["outcome"] == "taken" and fed["breaches"] == []
    body = {"supplements": [{"product": "E-400", "count": 1}]}
    again = kitchen.keeper.post(f"/supplement-plans/{plan}/given", body)
    assert refusal(again) == (409, "already-given")
    told_twice = kitchen.keeper.made(f"/buckets/{code}/outcomes", taken)
    assert told_twice["breaches"] == []
    assert messages(kitchen) == []


def test_a_spat_tablet_is_recorded_under_its_plan_and_a_corrected_one_taken_back(
    small_kitchen: Kitchen,
) -> None:
    plan = a_signed_plan(small_kitchen)
    a_batch(small_kitchen)
    code = small_kitchen.commissary.made("/buckets", {"day": TODAY})["items"][0]["code"]
    for outcome in ("spat_out", "spat_out", "taken"):
        said = {"carries": [{"number": 1, "outcome": outcome, "note": "on the deck"}]}
        small_kitchen.keeper.made(f"/buckets/{code}/outcomes", said)
    rows = small_kitchen.keeper.shown("/animals/BRINE/supplements")["items"]
    assert [(r["plan"], r["outcome"], r["reason"], r["taken_back"]) for r in rows] == [
        (plan, "given", None, None),
        (plan, "spat_out", f"bucket {code}: on the deck", f"corrected in bucket {code}"),
    ]


def test_a_withdrawn_order_is_put_into_no_bucket(small_kitchen: Kitchen) -> None:
    plan = a_signed_plan(small_kitchen)
    a_batch(small_kitchen)
    small_kitchen.vet.made(f"/supplement-plans/{plan}/withdrawal", {"reason": "a rash"})
    buckets = small_kitchen.commissary.made("/buckets", {"day": TODAY})["items"]
    assert buckets and all(bucket["carries"] == [] for bucket in buckets)


def no_left(batch: str) -> dict[str, Any]:
    return {"left": [{"thaw_batch": batch, "left": "0 kg"}]}


def test_a_spat_tablet_is_told_to_the_vet_and_never_given_again_by_itself(
    kitchen: Kitchen,
) -> None:
    order = an_order(kitchen)
    on_a_diet(kitchen)
    batch = a_batch(kitchen)
    code = kitchen.commissary.made("/buckets", {"day": TODAY, "number": 1})["items"][0]["code"]
    spat = {"number": 1, "outcome": "spat_out", "note": "found it on the deck"}
    kitchen.keeper.made(f"/buckets/{code}/weigh-back", no_left(batch) | {"carries": [spat]})
    (message,) = messages(kitchen)
    assert "Antibiotic 250 mg was spat out" in message["title"] and message["urgency"] == "now"
    assert "found it on the deck" in message["body"]
    (second,) = kitchen.commissary.made("/buckets", {"day": TODAY})["items"]
    assert second["carries"] == []
    body = {
        "animal": "BRINE",
        "feed_at": "2026-11-25T15:00:00Z",
        "items": [{"thaw_batch": batch, "mass": "0.5 kg"}],
        "carries": [{"order": order}],
    }
    assert refusal(kitchen.keeper.post("/buckets", body)) == (409, "placed-before")
    override = [{"rule": "placed-before", "reason": "it was spat out whole"}]
    assert kitchen.keeper.post("/buckets", body | {"override": override}).status_code == 403
    again = kitchen.vet.made("/buckets", body | {"override": override})
    assert again["items"][0]["carries"][0]["item"] == "Antibiotic 250 mg"


@pytest.mark.parametrize("outcome", ["spat_out", "refused", "unknown"])
def test_a_supplement_that_was_not_taken_is_given_again_only_where_the_vet_says_so(
    small_kitchen: Kitchen, outcome: str
) -> None:
    plan = a_signed_plan(small_kitchen)
    a_batch(small_kitchen)
    code = small_kitchen.commissary.made("/buckets", {"day": TODAY})["items"][0]["code"]
    said = {"carries": [{"number": 1, "outcome": outcome}]}
    small_kitchen.keeper.made(f"/buckets/{code}/outcomes", said)
    assert [m["urgency"] for m in messages(small_kitchen)] == ["today"]
    body = {"supplements": [{"product": "E-400", "count": 1}]}
    address = f"/supplement-plans/{plan}/given"
    assert refusal(small_kitchen.keeper.post(address, body)) == (409, "already-given")
    override = [{"rule": "already-given", "reason": "found on the deck, whole"}]
    small_kitchen.vet.made(address, body | {"override": override})


def test_medicines_go_into_the_fish_by_a_vets_order_only(kitchen: Kitchen) -> None:
    batch = a_batch(kitchen)
    over = an_order(kitchen, from_day="2026-11-01", until_day="2026-11-24")
    stopped = an_order(kitchen)
    kitchen.vet.made(f"/medication-orders/{stopped}/stop", {"reason": "it does not agree"})
    once = kitchen.vet.post(f"/medication-orders/{stopped}/stop", {"reason": "again"})
    assert refusal(once) == (409, "already-stopped")
    kitchen.manager.made(
        "/animals", {"code": "ALFA", "name": "Alfa", "taxon": "T", "group": "otter"}
    )
    others = an_order(kitchen, animal="ALFA")
    small, herring = an_order(kitchen), an_order(kitchen, item="Other 1 mg", fish="HER")
    body = {
        "animal": "BRINE",
        "feed_at": "2026-11-25T08:00:00Z",
        "items": [{"thaw_batch": batch, "mass": "1 kg"}],
    }
    for carries in (
        {"order": over},
        {"order": stopped},
        {"order": others},
        {"order": small, "count": 2},
        {"order": herring, "fish": "CAP"},
        {"order": herring},
    ):
        refused = kitchen.keeper.post("/buckets", body | {"carries": [carries]})
        assert refusal(refused) == (409, "not-ordered"), carries
    unknown = kitchen.keeper.post("/buckets", body | {"carries": [{"order": 99}]})
    assert refusal(unknown) == (404, "unknown-medication-order")
    assert unknown.json()["errors"][0]["field"] == "carries.0.order"
    assert kitchen.manager.post("/medication-orders", {}).status_code == 403


def test_fish_that_carried_medication_is_not_shared_out_again(kitchen: Kitchen) -> None:
    an_order(kitchen)
    on_a_diet(kitchen, feeds=1)
    a_batch(kitchen)
    code = kitchen.commissary.made("/buckets", {"day": TODAY})["items"][0]["code"]
    weighed_out(kitchen, code)
    refused = kitchen.keeper.post(f"/buckets/{code}/cancel", {"reason": "not hungry"})
    assert refusal(refused) == (409, "medicated-bucket")
    kitchen.keeper.made(f"/buckets/{code}/discard", {"reason": "not hungry"})
    (again,) = kitchen.commissary.made("/buckets", {"day": TODAY})["items"]
    assert again["carries"] == []


def test_an_outcome_of_a_piece_that_is_not_there_is_not_stored(kitchen: Kitchen) -> None:
    code = by_hand(kitchen, a_batch(kitchen))["code"]
    weighed_out(kitchen, code)
    body = {"gross": "0.4 kg", "carries": [{"number": 3, "outcome": "taken"}]}
    answer = kitchen.keeper.post(f"/buckets/{code}/weigh-back", body)
    assert refusal(answer) == (404, "unknown-piece")
    assert kitchen.balance()["eaten"] == 0


def test_what_happened_to_a_bucket_cannot_be_changed_or_deleted(kitchen: Kitchen) -> None:
    an_order(kitchen)
    on_a_diet(kitchen, feeds=1)
    a_batch(kitchen)
    code = kitchen.commissary.made("/buckets", {"day": TODAY})["items"][0]["code"]
    weighed_out(kitchen, code)
    said = {"carries": [{"number": 1, "outcome": "unknown"}]}
    kitchen.keeper.made(f"/buckets/{code}/outcomes", said)
    for statement in (
        "UPDATE bucket_event SET kind = 'fed'",
        "DELETE FROM bucket_event",
        "UPDATE piece_outcome SET outcome = 'taken'",
        "DELETE FROM piece_outcome",
    ):
        writer = kitchen.app.state.database.writer
        with pytest.raises(DatabaseError, match="never changed"), writer.begin() as connection:
            connection.execute(text(statement))


# --- labels, lists, keys


def test_a_buckets_label_scans_back_to_its_code(kitchen: Kitchen) -> None:
    an_order(kitchen)
    on_a_diet(kitchen, feeds=1)
    a_batch(kitchen)
    code = kitchen.commissary.made("/buckets", {"day": TODAY})["items"][0]["code"]
    label = kitchen.keeper.get(f"/buckets/{code.lower()}/label?format=png")
    assert scanned(label.content) == [code]
    read = kitchen.keeper.made("/labels/read", {"text": code})
    assert read["ours"] == {"kind": "bucket", "code": code, "known": True}
    all_of_them = kitchen.keeper.get(f"/buckets/labels?day={TODAY}")
    assert all_of_them.content.startswith(b"%PDF")
    nothing = kitchen.keeper.get("/buckets/labels?day=2026-12-24")
    assert refusal(nothing) == (422, "validation")


def test_a_code_of_a_bucket_that_was_typed_wrong_is_noticed(small_kitchen: Kitchen) -> None:
    code = by_hand(small_kitchen, a_batch(small_kitchen))["code"]
    wrong = code[:-1] + ("A" if code[-1] != "A" else "B")
    answer = small_kitchen.keeper.post("/labels/read", {"text": wrong})
    assert refusal(answer) == (422, "validation")
    assert refusal(small_kitchen.keeper.get(f"/buckets/{wrong}")) == (404, "unknown-bucket")


def test_a_weigh_back_sent_three_times_is_one_feed(kitchen: Kitchen) -> None:
    code = by_hand(kitchen, a_batch(kitchen))["code"]
    weighed_out(kitchen, code)
    key = {"Idempotency-Key": "tablet-7"}
    body = {"gross": "0.4 kg"}
    answers = []
    for _ in range(3):
        answers.append(kitchen.keeper.made(f"/buckets/{code}/weigh-back", body, headers=key))
        kitchen.clock.forward(days=1)
    assert answers[0] == answers[1] == answers[2]
    assert kitchen.balance()["eaten"] == 2000


def test_lists_of_buckets_take_as_many_statements_for_many_as_for_few(kitchen: Kitchen) -> None:
    batch = a_batch(kitchen)

    def statements() -> int:
        with counted(kitchen) as sent:
            kitchen.keeper.shown("/buckets?open=true")
        return len(sent)

    by_hand(kitchen, batch, "0.1 kg")
    few = statements()
    for _ in range(6):
        by_hand(kitchen, batch, "0.1 kg")
    assert statements() == few <= 12
    seen: Counter[str] = Counter()
    page = kitchen.keeper.shown("/buckets?limit=3")
    while True:
        seen.update(b["code"] for b in page["items"])
        if page["next"] is None:
            break
        page = kitchen.keeper.shown(f"/buckets?limit=3&cursor={page['next']}")
    assert len(seen) == 7 and set(seen.values()) == {1}


def test_making_the_buckets_of_many_takes_as_many_statements_as_of_few(kitchen: Kitchen) -> None:
    a_batch(kitchen, mass="80 kg")

    def statements() -> int:
        with counted(kitchen) as sent:
            made = kitchen.commissary.made("/buckets", {"day": TODAY})
        assert made["shortages"] == []
        return len(sent)

    on_a_diet(kitchen, CAP=1000)
    few = statements()
    for n in range(8):
        animal = {"code": f"A{n}", "name": f"A{n}", "taxon": "T", "group": "otter"}
        kitchen.manager.made("/animals", animal)
        on_a_diet(kitchen, f"A{n}", CAP=1000)
    assert statements() <= few + 2
