"""Feeds and intake, as keepers record them."""

from datetime import timedelta
from typing import Any

import httpx
import pytest

from tests.kitchen import START, Kitchen


def fed(batch: str, offered: str = "2 kg", eaten: str = "2 kg", **more: Any) -> dict[str, Any]:
    item = {"thaw_batch": batch, "offered": offered, "eaten": eaten}
    if "left" in more:
        item["left"] = more.pop("left")
    return {"animal": "BRINE", "items": [item], **more}


def refusal(answer: httpx.Response) -> tuple[int, str]:
    return answer.status_code, answer.json()["type"].removeprefix("/problems/")


def a_batch(kitchen: Kitchen, mass: str = "10 kg", to: str = "TANK1") -> str:
    return str(kitchen.pulled(kitchen.a_lot("CAP")["code"], mass, to=to)["code"])


def in_pounds(kitchen: Kitchen) -> None:
    site = kitchen.manager.shown("/sites")["items"][0]["code"]
    assert kitchen.manager.put(f"/sites/{site}", {"mass_unit": "lb"}).status_code == 200


def test_what_was_offered_leaves_the_batch_eaten_or_left(kitchen: Kitchen) -> None:
    batch = a_batch(kitchen)
    answer = kitchen.keeper.made("/feeds", fed(batch, "2 kg", "1.75 kg", left="0.25 kg"))
    assert answer["items"][0]["left"] == {"value": 0.25, "unit": "kg", "g": 250}
    balance = kitchen.balance()
    assert (balance["eaten"], balance["left"], balance["parcels"]) == (1_750, 250, 98_000)
    assert kitchen.keeper.shown(f"/thaw-batches/{batch}")["remaining"]["g"] == 8_000


def test_left_may_be_left_out_and_nothing_may_be_eaten(kitchen: Kitchen) -> None:
    answer = kitchen.keeper.made("/feeds", fed(a_batch(kitchen), eaten="0 kg", appetite="none"))
    assert (answer["items"][0]["eaten"]["g"], answer["items"][0]["left"]["g"]) == (0, 2_000)


def test_a_feed_in_pounds_adds_up_in_pounds_and_in_grams(kitchen: Kitchen) -> None:
    # 1 lb = 0.45359237 kg exactly (international agreement of 1959).
    # 2.2 lb = 997.903 g, 1.1 lb = 498.952 g: each rounds up, and 499 + 499 is not 998 by rule
    # but 998 offered less 499 eaten.
    in_pounds(kitchen)
    order = fed(a_batch(kitchen), "2.2 lb", "1.1 lb", left="1.1 lb")
    item = kitchen.keeper.made("/feeds", order)["items"][0]
    assert [item[k]["g"] for k in ("offered", "eaten", "left")] == [998, 499, 499]
    assert [item[k]["value"] for k in ("offered", "eaten", "left")] == [2.2, 1.1, 1.1]
    assert item["offered"]["unit"] == "lb"


@pytest.mark.parametrize("pounds", ["0.1", "0.3", "0.7", "1.9", "3.3", "4.45"])
def test_pounds_offered_are_pounds_eaten_and_left_to_the_gram(
    small_kitchen: Kitchen, pounds: str
) -> None:
    offered = f"{2 * float(pounds):.2f} lb"
    order = fed(a_batch(small_kitchen), offered, f"{pounds} lb", left=f"{pounds} lb")
    item = small_kitchen.keeper.made("/feeds", order)["items"][0]
    assert item["offered"]["g"] == item["eaten"]["g"] + item["left"]["g"]


@pytest.mark.parametrize(
    ("offered", "eaten", "left"),
    [("2 kg", "2.001 kg", None), ("2 kg", "1 kg", "0.999 kg"), ("2.2 lb", "1.1 lb", "1.11 lb")],
)
def test_a_feed_that_does_not_add_up_is_not_stored(
    kitchen: Kitchen, offered: str, eaten: str, left: str | None
) -> None:
    more = {} if left is None else {"left": left}
    answer = kitchen.keeper.post("/feeds", fed(a_batch(kitchen), offered, eaten, **more))
    assert refusal(answer) == (422, "validation")
    assert answer.json()["errors"][0]["field"].startswith("items.0")
    assert kitchen.balance()["eaten"] == 0


def test_a_feed_of_two_batches_takes_from_each(kitchen: Kitchen) -> None:
    herring = kitchen.pulled(kitchen.a_lot("HER")["code"], "10 kg")["code"]
    capelin = a_batch(kitchen)
    items = [
        {"thaw_batch": herring, "offered": "1 kg", "eaten": "1 kg"},
        {"thaw_batch": capelin, "offered": "2 kg", "eaten": "1 kg"},
        {"thaw_batch": herring, "offered": "0.5 kg", "eaten": "0 kg"},
    ]
    kitchen.keeper.made("/feeds", {"animal": "BRINE", "items": items})
    intake = kitchen.keeper.shown("/animals/BRINE/intake")
    assert [(s["species"], s["eaten"]["g"]) for s in intake["species"]] == [
        ("HER", 1_000),
        ("CAP", 1_000),
    ]
    left = {b["code"]: b["remaining"]["g"] for b in kitchen.keeper.shown("/thaw-batches")["items"]}
    assert left == {herring: 8_500, capelin: 8_000}


# The clocks


@pytest.mark.parametrize(
    ("place", "rule"), [("TANK1", "clock-from-freezer"), ("COOL", "clock-from-thawed")]
)
def test_fish_is_fed_until_its_clock_ends_and_not_a_second_later(
    kitchen: Kitchen, place: str, rule: str
) -> None:
    batch = a_batch(kitchen, to=place)
    if place == "COOL":
        kitchen.clock.forward(hours=20)
        kitchen.keeper.made(f"/thaw-batches/{batch}/thawed", {})
    kitchen.clock.forward(hours=24)  # 9 CFR 3.105(d), inclusive
    assert kitchen.keeper.made("/feeds", fed(batch))["breaches"] == []
    kitchen.clock.forward(seconds=1)
    answer = kitchen.keeper.post("/feeds", fed(batch))
    assert refusal(answer) == (409, rule)
    assert answer.json()["findings"][0]["may_override"] == []


def test_a_batch_never_found_thawed_in_the_refrigerator_ends_with_its_earliest_thaw(
    kitchen: Kitchen,
) -> None:
    batch = a_batch(kitchen, to="COOL")
    ends = kitchen.keeper.shown(f"/thaw-batches/{batch}")["discard_after"]
    kitchen.clock.at = kitchen.clock.at.fromisoformat(ends)
    assert kitchen.keeper.made("/feeds", fed(batch))["breaches"] == []
    kitchen.clock.forward(seconds=1)
    assert refusal(kitchen.keeper.post("/feeds", fed(batch))) == (409, "clock-from-thawed")


def test_a_feed_after_the_clock_that_has_happened_is_stored_and_told(kitchen: Kitchen) -> None:
    batch = a_batch(kitchen)
    kitchen.clock.forward(hours=24, seconds=1)
    answer = kitchen.keeper.made("/feeds", fed(batch, already_done=True))
    assert [b["rule"] for b in answer["breaches"]] == ["clock-from-freezer"]
    (kept,) = kitchen.manager.shown("/deviations")["items"]
    assert (kept["kind"], kept["rule"], kept["by"]) == ("breach", "clock-from-freezer", "keeper")
    assert "BRINE" in kept["subject"]
    assert kitchen.keeper.shown("/animals/BRINE/intake")["total"]["g"] == 2_000


def test_a_feed_told_late_is_judged_at_the_instant_of_the_feed(kitchen: Kitchen) -> None:
    batch = a_batch(kitchen)
    kitchen.clock.forward(hours=30)
    told = (START + timedelta(hours=24)).isoformat()
    assert kitchen.keeper.made("/feeds", fed(batch, occurred_at=told))["breaches"] == []
    late = (START + timedelta(hours=24, seconds=1)).isoformat()
    answer = kitchen.keeper.post("/feeds", fed(batch, occurred_at=late))
    assert refusal(answer) == (409, "clock-from-freezer")


def test_no_clock_is_overridden_by_anybody(kitchen: Kitchen) -> None:
    batch = a_batch(kitchen)
    kitchen.clock.forward(hours=25)
    override = [{"rule": "clock-from-freezer", "reason": "only an hour"}]
    for person in (kitchen.keeper, kitchen.commissary, kitchen.vet, kitchen.manager):
        assert person.post("/feeds", fed(batch, override=override)).status_code == 403


# Holds and stock


def test_a_batch_whose_lot_was_put_on_hold_meanwhile_is_not_fed(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot("CAP")["code"]
    batch = kitchen.pulled(lot, "10 kg")["code"]
    kitchen.vet.made(f"/lots/{lot}/holds", {"reason": "supplier recall"})
    kitchen.clock.forward(hours=25)
    answer = kitchen.keeper.post("/feeds", fed(batch, "20 kg", "20 kg"))
    assert refusal(answer) == (409, "lot-on-hold")
    blocking = [f["rule"] for f in answer.json()["findings"] if f["outcome"] == "block"]
    assert blocking == ["lot-on-hold", "clock-from-freezer", "not-enough-stock"]


def test_nobody_feeds_more_than_the_batch_holds(kitchen: Kitchen) -> None:
    batch = a_batch(kitchen)
    answer = kitchen.keeper.post("/feeds", fed(batch, "10.001 kg", "1 kg"))
    assert refusal(answer) == (409, "not-enough-stock")
    halves = [{"thaw_batch": batch, "offered": "6 kg", "eaten": "6 kg"}] * 2
    answer = kitchen.keeper.post("/feeds", {"animal": "BRINE", "items": halves})
    assert refusal(answer) == (409, "not-enough-stock"), "items of one batch are added up"
    assert kitchen.balance()["eaten"] == 0


def test_more_than_the_batch_held_that_was_fed_all_the_same_is_stored(kitchen: Kitchen) -> None:
    batch = a_batch(kitchen)
    order = fed(batch, "11 kg", "10.5 kg", already_done=True)
    answer = kitchen.keeper.made("/feeds", order)
    assert [b["rule"] for b in answer["breaches"]] == ["not-enough-stock"]
    balance = kitchen.balance()
    assert (balance["eaten"], balance["left"], balance["count_difference"]) == (10_500, 500, -1_000)
    assert kitchen.keeper.shown(f"/thaw-batches/{batch}")["state"] == "finished"


def test_an_unknown_animal_or_batch_is_named(kitchen: Kitchen) -> None:
    batch = a_batch(kitchen)
    animal = kitchen.keeper.post("/feeds", fed(batch) | {"animal": "NOBODY"})
    assert refusal(animal) == (404, "unknown-animal")
    answer = kitchen.keeper.post("/feeds", fed("T000000XXX"))
    assert refusal(answer) == (404, "unknown-thaw-batch")
    assert answer.json()["errors"][0]["field"] == "items.0.thaw_batch"


# Intake


def test_intake_leaves_out_feeds_that_were_taken_back(kitchen: Kitchen) -> None:
    batch = a_batch(kitchen)
    kept = kitchen.keeper.made("/feeds", fed(batch, "1 kg", "0.9 kg"))
    wrong = kitchen.keeper.made("/feeds", fed(batch, "5 kg", "5 kg"))
    path = f"/movements/{wrong['movement_id']}/reversal"
    kitchen.keeper.made(path, {"reason": "it was the other animal"})
    intake = kitchen.keeper.shown("/animals/BRINE/intake")
    assert (intake["total"]["g"], intake["days"][0]["feeds"]) == (900, 1)
    assert intake["days"][0]["left"]["g"] == 100
    assert kitchen.keeper.shown(f"/thaw-batches/{batch}")["remaining"]["g"] == 9_000
    assert kept["movement_id"] != wrong["movement_id"]


def test_intake_counts_by_the_civil_days_of_the_site(kitchen: Kitchen) -> None:
    site = kitchen.manager.shown("/sites")["items"][0]["code"]
    kitchen.manager.put(f"/sites/{site}", {"timezone": "Pacific/Auckland"})  # UTC+13 in November
    batch = a_batch(kitchen)
    kitchen.clock.at = START.replace(hour=10, minute=59)
    kitchen.keeper.made("/feeds", fed(batch, "1 kg", "1 kg"))
    kitchen.clock.at = START.replace(hour=11)
    kitchen.keeper.made("/feeds", fed(batch, "2 kg", "2 kg"))
    intake = kitchen.keeper.shown("/animals/BRINE/intake")
    days = [(d["day"], d["eaten"]["g"]) for d in intake["days"]]
    assert days == [("2026-11-25", 1_000), ("2026-11-26", 2_000)]
    only = {"from": "2026-11-26", "to": "2026-11-26"}
    assert kitchen.keeper.shown("/animals/BRINE/intake", params=only)["total"]["g"] == 2_000


def test_intake_names_the_lots_that_an_animal_ate(kitchen: Kitchen) -> None:
    first = kitchen.a_lot("CAP", caught="2026-08-01", mass="5 kg")["code"]
    second = kitchen.a_lot("CAP", caught="2026-08-02")["code"]
    for lot in (first, second):
        batch = kitchen.pulled(lot, "5 kg")["code"]
        kitchen.keeper.made("/feeds", fed(batch, "5 kg", "3 kg"))
    intake = kitchen.keeper.shown("/animals/BRINE/intake")
    assert [(x["lot"], x["eaten"]["g"]) for x in intake["lots"]] == [
        (first, 3_000),
        (second, 3_000),
    ]
