"""Moves, counts, reversals and the stock list, as a commissary meets them."""

import csv
import io
from typing import Any

import pytest

from tests.kitchen import Kitchen


def moved(kitchen: Kitchen, lot: str, mass: str, to: str = "FZ2", **more: Any) -> Any:
    body = {"lot": lot, "from_place": "FZ1", "to_place": to, "mass": mass, **more}
    return kitchen.commissary.made("/moves", body)["movement"]


def counted(kitchen: Kitchen, lot: str, mass: str, place: str = "FZ1", **more: Any) -> Any:
    body = {"lot": lot, "place": place, "mass": mass, "reason": "weekly count", **more}
    return kitchen.commissary.made("/counts", body)


def undone(kitchen: Kitchen, movement: int) -> Any:
    path = f"/movements/{movement}/reversal"
    return kitchen.commissary.made(path, {"reason": "typed the wrong lot"})["movement"]


def stock(kitchen: Kitchen, **query: str) -> list[tuple[str, int, int | None]]:
    """Place, grams and cartons of each parcel."""
    items = kitchen.keeper.shown("/stock", params=query)["items"]
    return [(i["place"], i["mass"]["g"], i["cartons"]) for i in items]


def refusal(answer: Any) -> tuple[int, str]:
    return answer.status_code, answer.json()["type"].removeprefix("/problems/")


def test_a_move_opens_a_parcel_in_the_other_freezer_and_leaves_the_rest(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot("CAP")["code"]
    movement = moved(kitchen, lot, "30 kg")
    assert (movement["kind"], movement["mass"]["g"]) == ("moved", 30_000)
    assert stock(kitchen) == [("FZ1", 70_000, None), ("FZ2", 30_000, None)]
    assert kitchen.keeper.shown(f"/movements/{movement['id']}") == movement


def test_blocks_move_as_whole_cartons_and_the_last_carton_leaves_nothing(kitchen: Kitchen) -> None:
    # By hand: 100 000 g in 3 cartons are 33 333, 33 333 and 33 334 g.
    lot = kitchen.a_lot(mass="100 kg", cartons=3)["code"]
    taken = [moved(kitchen, lot, "1 kg")["mass"]["g"] for _ in range(3)]
    assert taken == [33_333, 33_333, 33_334]
    assert stock(kitchen) == [("FZ2", grams, 1) for grams in taken]


@pytest.mark.parametrize(
    ("mass", "cartons", "grams"),
    [("10 kg", 1, 10_000), ("10.001 kg", 2, 20_000), ("1 g", 1, 10_000), ("640 kg", 64, 640_000)],
)
def test_a_move_of_blocks_is_rounded_up_to_whole_cartons(
    kitchen: Kitchen, mass: str, cartons: int, grams: int
) -> None:
    lot = kitchen.a_lot(mass="640 kg", cartons=64)["code"]
    movement = moved(kitchen, lot, mass)
    assert (movement["mass"]["g"], movement["transfers"][0]["cartons"]) == (grams, cartons)
    assert ("FZ2", grams, cartons) in stock(kitchen)


def test_nobody_moves_more_than_is_there(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot("CAP")["code"]
    body = {"lot": lot, "from_place": "FZ1", "to_place": "FZ2", "mass": "100.001 kg"}
    answer = kitchen.commissary.post("/moves", body)
    assert refusal(answer) == (409, "not-enough-stock")
    finding = answer.json()["findings"][0]
    assert finding["numbers"] == {"wanted_g": 100_001, "available_g": 100_000, "reserved_g": 0}
    assert stock(kitchen) == [("FZ1", 100_000, None)]


def test_a_move_that_has_happened_books_in_what_was_evidently_there(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot("CAP")["code"]
    body = {"lot": lot, "from_place": "FZ1", "to_place": "FZ2", "mass": "120 kg"}
    answer = kitchen.commissary.made("/moves", body | {"already_done": True})
    assert [b["rule"] for b in answer["breaches"]] == ["not-enough-stock"]
    assert sum(grams for _, grams, _ in stock(kitchen, place="FZ2")) == 120_000
    assert kitchen.balance()["count_difference"] == -20_000


def test_fish_leaves_a_freezer_only_by_a_pull_and_a_move_says_so(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot("CAP")["code"]
    body = {"lot": lot, "from_place": "FZ1", "to_place": "TANK1", "mass": "10 kg"}
    answer = kitchen.commissary.post("/moves", body)
    assert answer.status_code == 422
    assert "POST /v1/pulls" in answer.json()["errors"][0]["message"]
    assert answer.json()["errors"][0]["field"] == "to_place"


def test_thawing_fish_never_returns_to_a_freezer_by_a_move(kitchen: Kitchen) -> None:
    kitchen.pulled(kitchen.a_lot("CAP")["code"], "10 kg")
    lot = kitchen.keeper.shown("/stock")["items"][0]["lot"]
    body = {"lot": lot, "from_place": "TANK1", "to_place": "FZ1", "mass": "5 kg"}
    override = [{"rule": "no-refreeze", "reason": "it is a pity"}]
    assert refusal(kitchen.commissary.post("/moves", body)) == (409, "no-refreeze")
    assert refusal(kitchen.manager.post("/moves", body | {"override": override}))[0] == 403


def test_refrozen_fish_is_recorded_as_a_fact_and_never_offered_for_thawing_again(
    kitchen: Kitchen,
) -> None:
    lot = kitchen.a_lot("CAP", mass="10 kg")["code"]
    kitchen.pulled(lot, "10 kg")
    body = {"lot": lot, "from_place": "TANK1", "to_place": "FZ1", "mass": "10 kg"}
    answer = kitchen.commissary.made("/moves", body | {"already_done": True})
    assert [b["rule"] for b in answer["breaches"]] == ["no-refreeze"]
    newer = kitchen.a_lot("CAP", caught="2026-09-01")["code"]
    plan = kitchen.keeper.made(
        "/thaw-requests",
        {
            "first_feed_at": "2026-11-26T08:00:00Z",
            "last_feed_at": "2026-11-26T10:00:00Z",
            "thaw_place": "TANK1",
            "lines": [{"species": "CAP", "mass": "5 kg"}],
        },
    )
    assert [p["lot"] for p in plan["pulls"]] == [newer]
    assert kitchen.pulled(newer, "5 kg", thaw_request=plan["id"])["mass"]["g"] == 5_000


def test_fish_that_was_never_frozen_may_be_frozen_once(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot("CAP", received_as="chilled", place="COOL", core_temperatures=[])["code"]
    body = {"lot": lot, "from_place": "COOL", "to_place": "FZ1", "mass": "40 kg"}
    assert kitchen.commissary.made("/moves", body)["breaches"] == []
    assert stock(kitchen) == [("COOL", 60_000, None), ("FZ1", 40_000, None)]


def test_fish_frozen_here_is_not_frozen_again_once_it_has_left_the_freezer(
    kitchen: Kitchen,
) -> None:
    lot = kitchen.a_lot("CAP", received_as="chilled", place="COOL", core_temperatures=[])["code"]
    to_freezer = {"lot": lot, "from_place": "COOL", "to_place": "FZ1", "mass": "40 kg"}
    kitchen.commissary.made("/moves", to_freezer)
    shown = kitchen.commissary.shown(f"/lots/{lot}")
    assert shown["frozen_on"] == "2026-11-25"
    # the rest was never frozen, and still may be
    kitchen.commissary.made("/moves", to_freezer | {"mass": "60 kg"})
    kitchen.clock.forward(hours=30)
    kitchen.pulled(lot, "20 kg", to="COOL")
    kitchen.clock.forward(hours=2)
    back = kitchen.commissary.post("/moves", to_freezer | {"mass": "20 kg"})
    assert (back.status_code, back.json()["type"]) == (409, "/problems/no-refreeze")


def test_nothing_is_moved_before_it_arrived(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot("CAP")["code"]
    body = {"lot": lot, "from_place": "FZ1", "to_place": "FZ2", "mass": "1 kg"}
    early = {"occurred_at": "2026-11-02T09:39:59Z", "already_done": True}
    answer = kitchen.commissary.post("/moves", body | early)
    assert (answer.status_code, answer.json()["errors"][0]["field"]) == (422, "occurred_at")


@pytest.mark.parametrize(
    ("mass", "difference"),
    [("93.5 kg", -6_500), ("104 kg", 4_000), ("100 kg", 0), ("0 kg", -100_000)],
)
def test_a_count_tells_the_difference_with_its_sign_and_is_what_the_books_hold_then(
    kitchen: Kitchen, mass: str, difference: int
) -> None:
    lot = kitchen.a_lot("CAP")["code"]
    answer = counted(kitchen, lot, mass)
    assert answer["difference"] == {"value": difference / 1000, "unit": "kg", "g": difference}
    assert answer["movement"]["kind"] == "counted"
    assert sum(grams for _, grams, _ in stock(kitchen)) == 100_000 + difference
    assert kitchen.balance()["count_difference"] == -difference


def test_a_count_of_blocks_keeps_cartons_and_grams_together(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot(mass="100 kg")["code"]
    counted(kitchen, lot, "71 kg")
    assert stock(kitchen) == [("FZ1", 71_000, 7)]
    counted(kitchen, lot, "1 g")
    assert stock(kitchen) == [("FZ1", 1, 1)]
    counted(kitchen, lot, "0 kg")
    assert stock(kitchen) == []


def test_a_surplus_has_the_worst_history_of_its_lot_in_that_place(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot("CAP")["code"]
    batch = kitchen.pulled(lot, "20 kg")["code"]
    kitchen.clock.forward(minutes=10)
    body = {"mass": "20 kg", "core_temperature": "-19 °C", "to_place": "FZ1"}
    kitchen.keeper.made(f"/thaw-batches/{batch}/put-back", body)
    kitchen.clock.forward(hours=1)
    movement = counted(kitchen, lot, "103 kg")["movement"]
    surplus = movement["transfers"][0]["to_parcel"]
    with kitchen.looking() as session:
        rows = session.connection().exec_driver_sql("SELECT id, parent_id FROM parcel ORDER BY id")
        parents = {row.id: row.parent_id for row in rows}
    # Parcels in the order of their numbers: received, pulled, put back, surplus.
    assert parents[surplus] == sorted(parents)[2], "what was put back is the most exposed"


def test_a_late_move_from_before_a_count_leaves_what_was_counted(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot("CAP")["code"]
    assert counted(kitchen, lot, "70 kg")["difference"]["g"] == -30_000
    kitchen.clock.forward(hours=2)
    moved(kitchen, lot, "30 kg", occurred_at="2026-11-25T05:00:00Z")
    assert sum(g for _, g, _ in stock(kitchen, place="FZ1")) == 70_000
    assert sum(g for _, g, _ in stock(kitchen, place="FZ2")) == 30_000
    assert kitchen.balance()["count_difference"] == 0


def test_a_count_that_was_taken_back_binds_no_late_record(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot("CAP")["code"]
    undone(kitchen, counted(kitchen, lot, "70 kg")["movement"]["id"])
    kitchen.clock.forward(hours=2)
    moved(kitchen, lot, "30 kg", occurred_at="2026-11-25T05:00:00Z")
    assert sum(g for _, g, _ in stock(kitchen, place="FZ1")) == 70_000
    assert kitchen.balance()["count_difference"] == 0
    moved(kitchen, lot, "10 kg", occurred_at="2026-11-25T05:30:00Z")
    assert sum(g for _, g, _ in stock(kitchen, place="FZ1")) == 60_000


def test_taking_a_count_back_takes_back_what_was_settled_for_it(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot("CAP")["code"]
    count = counted(kitchen, lot, "70 kg")["movement"]["id"]
    kitchen.clock.forward(hours=2)
    moved(kitchen, lot, "20 kg", occurred_at="2026-11-25T05:00:00Z")
    assert kitchen.balance()["count_difference"] == 10_000
    undone(kitchen, count)
    assert sum(g for _, g, _ in stock(kitchen, place="FZ1")) == 80_000
    assert kitchen.balance()["count_difference"] == 0


def test_what_the_service_settled_itself_is_not_taken_back_by_hand(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot("CAP")["code"]
    counted(kitchen, lot, "70 kg")
    kitchen.clock.forward(hours=2)
    settled = moved(kitchen, lot, "20 kg", occurred_at="2026-11-25T05:00:00Z")["id"] + 1
    assert kitchen.keeper.shown(f"/movements/{settled}")["kind"] == "counted"
    body = {"reason": "what is this"}
    answer = kitchen.commissary.post(f"/movements/{settled}/reversal", body)
    assert refusal(answer) == (409, "conflict")
    assert "Take back the count" in answer.json()["next"]


def test_a_late_fact_of_more_than_a_later_count_left_is_stored(kitchen: Kitchen) -> None:
    """100 kg arrive, 80 kg are pulled, 30 kg are counted: the pull is recorded last."""
    lot = kitchen.a_lot("CAP")["code"]
    counted(kitchen, lot, "30 kg")
    kitchen.clock.forward(hours=2)
    kitchen.pulled(lot, "80 kg", occurred_at="2026-11-25T05:00:00Z", already_done=True)
    assert sum(g for _, g, _ in stock(kitchen, place="FZ1")) == 30_000
    assert sum(g for _, g, _ in stock(kitchen, place="TANK1")) == 80_000
    assert kitchen.balance()["count_difference"] == -10_000


def test_nothing_is_counted_before_it_arrived(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot("CAP")["code"]
    body = {"lot": lot, "place": "FZ1", "mass": "9 kg", "reason": "late note"}
    answer = kitchen.commissary.post("/counts", body | {"occurred_at": "2026-11-02T09:00:00Z"})
    assert (answer.status_code, answer.json()["errors"][0]["field"]) == (422, "occurred_at")


def test_a_move_that_was_taken_back_leaves_the_stock_as_it_was(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot(mass="100 kg", cartons=3)["code"]
    movement = moved(kitchen, lot, "1 kg")
    reversal = undone(kitchen, movement["id"])
    assert (reversal["kind"], reversal["reverses"]) == ("reversed", movement["id"])
    assert reversal["occurred_at"] == movement["occurred_at"]
    assert stock(kitchen) == [("FZ1", 100_000, 3)]


def test_a_movement_is_taken_back_once(kitchen: Kitchen) -> None:
    movement = moved(kitchen, kitchen.a_lot("CAP")["code"], "10 kg")["id"]
    reversal = undone(kitchen, movement)["id"]
    for number in (movement, reversal):
        path = f"/movements/{number}/reversal"
        answer = kitchen.commissary.post(path, {"reason": "once more"})
        assert refusal(answer) == (409, "already-reversed")


def test_a_movement_whose_fish_was_used_names_what_must_go_back_first(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot("CAP")["code"]
    first = moved(kitchen, lot, "50 kg")["id"]
    body = {"lot": lot, "from_place": "FZ2", "mass": "5 kg", "to_place": "TANK1"}
    pulls = [kitchen.keeper.made("/pulls", body)["movement_id"] for _ in range(2)]
    path = f"/movements/{first}/reversal"
    answer = kitchen.commissary.post(path, {"reason": "wrong freezer"})
    assert refusal(answer) == (409, "has-successors")
    assert answer.json()["successors"] == pulls
    for number in reversed(pulls):
        undone(kitchen, number)
    undone(kitchen, first)
    assert stock(kitchen) == [("FZ1", 100_000, None)]


def test_a_delivery_that_was_typed_twice_is_taken_back(kitchen: Kitchen) -> None:
    kitchen.a_lot("CAP")
    kitchen.a_lot("CAP")
    with kitchen.looking() as session:
        found = session.connection().exec_driver_sql("SELECT max(id) FROM movement")
        received = found.scalar_one()
    undone(kitchen, received)
    assert stock(kitchen) == [("FZ1", 100_000, None)]
    assert kitchen.balance()["supplier"] == -100_000


def test_an_unknown_movement_is_told_so(kitchen: Kitchen) -> None:
    answer = kitchen.commissary.post("/movements/999/reversal", {"reason": "which one"})
    assert refusal(answer) == (404, "unknown-movement")


def test_the_stock_list_tells_what_is_reserved_and_what_is_left_in_cartons(
    kitchen: Kitchen,
) -> None:
    kitchen.a_lot(mass="100 kg")
    kitchen.keeper.made(
        "/thaw-requests",
        {
            "first_feed_at": "2026-11-26T08:00:00Z",
            "last_feed_at": "2026-11-26T10:00:00Z",
            "thaw_place": "TANK1",
            "lines": [{"species": "HER", "mass": "15 kg"}],
        },
    )
    row = kitchen.keeper.shown("/stock")["items"][0]
    assert (row["mass"]["g"], row["available"]["g"], row["cartons"]) == (100_000, 80_000, 10)
    kitchen.clock.at = kitchen.clock.at.replace(day=26, hour=10)
    row = kitchen.keeper.shown("/stock")["items"][0]
    assert row["available"]["g"] == 100_000, "a reservation lasts until the last feed"


def test_the_stock_list_is_read_page_by_page_without_losing_a_parcel(kitchen: Kitchen) -> None:
    lots = [kitchen.a_lot("CAP", mass=f"{n} kg")["code"] for n in range(1, 6)]
    seen: list[str] = []
    cursor: str | None = None
    while True:
        query = {"limit": "2"} | ({"cursor": cursor} if cursor else {})
        page = kitchen.keeper.shown("/stock", params=query)
        assert len(page["items"]) <= 2
        seen += [item["lot"] for item in page["items"]]
        cursor = page["next"]
        if cursor is None:
            break
    assert seen == lots


def test_the_stock_list_narrows_to_a_species_a_place_or_a_lot(kitchen: Kitchen) -> None:
    herring = kitchen.a_lot("HER")["code"]
    capelin = kitchen.a_lot("CAP")["code"]
    moved(kitchen, capelin, "10 kg")
    assert [g for _, g, _ in stock(kitchen, species="her")] == [100_000]
    assert [g for _, g, _ in stock(kitchen, place="fz2")] == [10_000]
    assert [p for p, _, _ in stock(kitchen, lot=capelin.lower())] == ["FZ1", "FZ2"]
    assert stock(kitchen, lot=herring, place="FZ2") == []


def test_the_stock_list_comes_as_a_table_too(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot(mass="100 kg")["code"]
    answer = kitchen.keeper.get("/stock", headers={"Accept": "text/csv"})
    assert answer.headers["content-type"] == "text/csv; charset=utf-8"
    (row,) = csv.DictReader(io.StringIO(answer.text))
    shown = (row["lot"], row["place"], row["mass.g"], row["available.g"], row["cartons"])
    assert shown == (lot, "FZ1", "100000", "100000", "10")
