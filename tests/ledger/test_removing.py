"""Condemning fish, and sending it back: what may go, where it goes, and what is held."""

from typing import Any

import pytest

from tests.kitchen import Kitchen, Person


def gone(who: Person, lot: str, what: str, **body: Any) -> Any:
    return who.made(f"/lots/{lot}/{what}", {"reason": "listeria was found", **body})


def refused(who: Person, lot: str, what: str, **body: Any) -> Any:
    answer = who.post(f"/lots/{lot}/{what}", {"reason": "listeria was found", **body})
    assert answer.status_code in (409, 422), answer.text
    return answer.json()


def test_a_condemned_lot_is_gone_from_the_freezer_and_from_the_thaw_tank(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot("CAP")["code"]
    batch = kitchen.pulled(lot, "30 kg")["code"]
    answer = gone(kitchen.vet, lot, "condemnation")
    assert answer["movement"]["kind"] == "condemned"
    assert answer["movement"]["mass"]["g"] == 100_000
    assert {t["to_account"] for t in answer["movement"]["transfers"]} == {"discarded"}
    assert answer["left"]["g"] == 0 and answer["hold"] is None
    assert kitchen.keeper.shown(f"/thaw-batches/{batch}")["state"] == "finished"
    assert kitchen.balance() | {"parcels": 0, "discarded": 100_000} == kitchen.balance()


def test_what_is_left_of_a_condemned_lot_is_held(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot("CAP")["code"]
    answer = gone(kitchen.manager, lot, "condemnation", mass="40 kg")
    assert answer["left"]["g"] == 60_000
    assert answer["hold"]["reason"] == "condemned: listeria was found"
    assert kitchen.keeper.shown(f"/lots/{lot}")["status"] == "held"
    assert gone(kitchen.vet, lot, "condemnation", mass="10 kg")["hold"] is None, "it is held"


def test_condemned_fish_comes_back_when_the_movement_is_taken_back(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot("CAP")["code"]
    movement = gone(kitchen.vet, lot, "condemnation")["movement"]["id"]
    kitchen.manager.made(f"/movements/{movement}/reversal", {"reason": "the wrong lot"})
    assert kitchen.keeper.shown(f"/lots/{lot}")["on_hand"]["g"] == 100_000


def test_a_mass_that_could_lie_in_two_places_is_asked_where(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot("CAP")["code"]
    move = {"lot": lot, "from_place": "FZ1", "to_place": "FZ2", "mass": "40 kg"}
    kitchen.commissary.made("/moves", move)
    problem = refused(kitchen.vet, lot, "condemnation", mass="10 kg")
    assert problem["errors"][0]["field"] == "place"
    gone(kitchen.vet, lot, "condemnation", mass="10 kg", place="FZ2")
    places = {p["place"]: p["mass"]["g"] for p in kitchen.vet.shown(f"/lots/{lot}")["places"]}
    assert places == {"FZ1": 60_000, "FZ2": 30_000}


def test_more_than_is_there_is_condemned_only_as_a_fact(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot("CAP")["code"]
    problem = refused(kitchen.vet, lot, "condemnation", mass="101 kg")
    assert problem["type"] == "/problems/not-enough-stock"
    answer = gone(kitchen.vet, lot, "condemnation", mass="101 kg", already_done=True)
    assert [b["rule"] for b in answer["breaches"]] == ["not-enough-stock"]
    assert kitchen.balance()["discarded"] == 101_000
    assert refused(kitchen.vet, lot, "condemnation")["type"] == "/problems/not-enough-stock"
    nothing = refused(kitchen.vet, lot, "condemnation", already_done=True)
    assert nothing["errors"][0]["field"] == "mass", "all of nothing is no fact"


@pytest.mark.parametrize(("who", "what"), [("vet", "condemnation"), ("commissary", "return")])
def test_who_had_reserved_fish_that_is_gone_is_told(kitchen: Kitchen, who: str, what: str) -> None:
    lot = kitchen.a_lot("CAP")["code"]
    request = kitchen.keeper.made(
        "/thaw-requests",
        {
            "first_feed_at": "2026-11-26T06:00:00Z",
            "last_feed_at": "2026-11-26T08:00:00Z",
            "thaw_place": "TANK1",
            "lines": [{"species": "CAP", "mass": "60 kg"}],
        },
    )["id"]
    answer = gone(kitchen.person(who), lot, what, mass="70 kg")
    (given_up,) = answer["given_up"]
    assert (given_up["thaw_request"], given_up["mass"]["g"]) == (request, 30_000)
    (row,) = kitchen.keeper.shown(f"/stock?lot={lot}")["items"]
    assert (row["mass"]["g"], row["available"]["g"]) == (30_000, 0), "30 kg are still kept"


def test_frozen_fish_goes_back_to_its_supplier(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot("CAP")["code"]
    answer = gone(kitchen.commissary, lot, "return", papers="RN-4711")
    assert answer["movement"]["kind"] == "returned_to_supplier"
    assert answer["movement"]["reason"] == "listeria was found; papers RN-4711"
    assert kitchen.balance()["supplier"] == 0 == kitchen.balance()["parcels"]
    kitchen.manager.made(f"/movements/{answer['movement']['id']}/reversal", {"reason": "refused"})
    assert kitchen.balance()["supplier"] == -100_000


def test_thawed_fish_never_goes_back_to_the_supplier(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot("CAP")["code"]
    batch = kitchen.pulled(lot, "30 kg")["code"]
    back = {"mass": "10 kg", "to_place": "FZ2", "core_temperature": "-19 °C"}
    kitchen.keeper.made(f"/thaw-batches/{batch}/put-back", back)
    for body in ({"mass": "1 kg", "place": "TANK1"}, {"mass": "1 kg", "place": "FZ2"}):
        problem = refused(kitchen.commissary, lot, "return", **body)
        assert problem["type"] == "/problems/thawed-not-returned"
    kitchen.commissary.made(
        "/moves", {"lot": lot, "from_place": "FZ2", "to_place": "FZ1", "mass": "10 kg"}
    )
    problem = refused(kitchen.commissary, lot, "return", mass="71 kg", place="FZ1")
    assert problem["type"] == "/problems/thawed-not-returned", "it remembers, wherever it is"
    answer = gone(kitchen.commissary, lot, "return")
    assert answer["movement"]["mass"]["g"] == 70_000 and answer["left"]["g"] == 30_000
    fact = {"mass": "5 kg", "place": "TANK1", "already_done": True}
    breaches = gone(kitchen.commissary, lot, "return", **fact)["breaches"]
    assert {b["rule"] for b in breaches} == {"thawed-not-returned", "not-enough-stock"}


def test_a_late_condemnation_finds_the_fish_that_a_count_then_missed(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot("CAP")["code"]
    then = "2026-11-25T05:00:00Z"
    count = {"lot": lot, "place": "FZ1", "mass": "0 kg", "reason": "it is empty"}
    kitchen.commissary.made("/counts", count | {"occurred_at": "2026-11-25T05:30:00Z"})
    answer = gone(kitchen.vet, lot, "condemnation", occurred_at=then)
    assert answer["movement"]["mass"]["g"] == 100_000
    balance = kitchen.balance()
    assert balance["discarded"] == 100_000 and balance["count_difference"] == 0
    assert balance["parcels"] == 0
