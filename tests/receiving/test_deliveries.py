"""A truck is here: what is stored, what is found, what is held."""

from typing import Any

import pytest

from tests.kitchen import Kitchen


def outcomes(lot: dict[str, Any]) -> dict[str, str]:
    return {finding["rule"]: finding["outcome"] for finding in lot["findings"]}


def test_cold_fresh_fish_with_its_papers_is_accepted(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot(cartons=10)
    assert lot["status"] == "accepted"
    assert outcomes(lot) == {
        "catch-date-missing": "pass",
        "core-too-warm": "pass",
        "core-count": "pass",
        "past-age-limit": "pass",
    }
    shown = kitchen.keeper.shown(f"/lots/{lot['code'].lower()}")
    assert (shown["status"], shown["on_hand"]["g"], shown["places"][0]["place"]) == (
        "accepted",
        100_000,
        "FZ1",
    )
    assert shown["age_days"] == 116, "1 August to 25 November, by the calendar"


def test_fish_without_catch_date_is_received_on_hold_and_says_why(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot(caught=None)
    assert (lot["status"], outcomes(lot)["catch-date-missing"]) == ("held", "block")
    shown = kitchen.keeper.shown(f"/lots/{lot['code']}")
    assert shown["status"] == "held" and shown["on_hand"]["g"] == 100_000
    hold = shown["holds"][0]
    refused = kitchen.keeper.post(f"/holds/{hold['id']}/release", {"reason": "I say so"})
    assert refused.status_code == 403
    released = kitchen.vet.post(f"/holds/{hold['id']}/release", {"reason": "papers came by fax"})
    assert released.status_code == 200
    assert kitchen.keeper.shown(f"/lots/{lot['code']}")["status"] == "accepted"
    again = kitchen.vet.post(f"/holds/{hold['id']}/release", {"reason": "papers came by fax"})
    assert again.status_code == 409


@pytest.mark.parametrize(
    ("cores", "outcome", "status"),
    [
        (["-18 °C", "-18.0 °C", "-20 °C"], "pass", "accepted"),
        (["-17.9 °C", "-20 °C", "-20 °C"], "warn", "accepted"),
        (["-15 °C", "-20 °C", "-20 °C"], "warn", "accepted"),
        (["-14.9 °C", "-20 °C", "-20 °C"], "block", "held"),
        (["0 °F", "0 °F", "-2 °F"], "pass", "accepted"),
        (["5 °F", "0 °F", "0 °F"], "warn", "accepted"),
        (["5.2 °F", "0 °F", "0 °F"], "block", "held"),
        ([], "warn", "accepted"),
    ],
)
def test_core_temperatures_warn_above_minus_18_and_hold_above_minus_15(
    small_kitchen: Kitchen, cores: list[str], outcome: str, status: str
) -> None:
    """-18 °C: Reg. (EC) 853/2004 and CXS 36; 0 °F is 9 CFR 3.105(d)'s own pair; -15 °C: 3 K of
    transport tolerance (memory, high)."""
    lot = small_kitchen.a_lot(core_temperatures=cores)
    assert (outcomes(lot)["core-too-warm"], lot["status"]) == (outcome, status)
    assert outcomes(lot)["core-count"] == ("pass" if len(cores) >= 3 else "warn")


def test_old_fish_is_taken_in_with_a_warning_and_blocked_when_it_is_to_be_used(
    kitchen: Kitchen,
) -> None:
    lot = kitchen.a_lot(caught="2026-04-01")
    assert (lot["status"], outcomes(lot)["past-age-limit"]) == ("accepted", "warn")
    refused = kitchen.keeper.post(
        "/pulls",
        {"lot": lot["code"], "from_place": "FZ1", "to_place": "TANK1", "mass": "10 kg"},
    )
    assert refused.json()["type"].endswith("past-age-limit")


def test_mass_defaults_to_cartons_and_a_pallet_may_hold_several_lots(kitchen: Kitchen) -> None:
    line = {"product": "HER-BLOCK-10", "place": "FZ1", "caught_from": "2026-08-01"}
    answer = kitchen.commissary.made(
        "/deliveries",
        {
            "supplier": "nord",
            "lots": [
                line | {"cartons": 3},
                line | {"mass": "25 kg", "caught_from": "2026-08-09"},
                line | {"mass": "110 lb"},
            ],
        },
    )
    assert [lot["mass"]["g"] for lot in answer["lots"]] == [30_000, 25_000, 49_895]
    assert len({lot["code"] for lot in answer["lots"]}) == 3
    listed = kitchen.keeper.shown("/lots?species=HER&order=use_first")["items"]
    caught = [lot["caught_from"] for lot in listed]
    assert caught == ["2026-08-01", "2026-08-01", "2026-08-09"]


@pytest.mark.parametrize(
    ("line", "field"),
    [
        ({"caught_from": "2026-11-26"}, "lots.0.caught_from"),
        ({"caught_from": "2026-08-02", "caught_to": "2026-08-01"}, "lots.0.caught_to"),
        ({"caught_from": "2026-08-02", "frozen_on": "2026-08-01"}, "lots.0.frozen_on"),
        ({"mass": None, "cartons": None}, "lots.0.mass"),
        ({"product": "NOPE"}, "lots.0.product"),
        ({"place": "NOPE"}, "lots.0.place"),
        ({"cartons": 0}, "lots.0.cartons"),
        ({"mass": "0 kg"}, "lots.0.mass"),
    ],
)
def test_an_impossible_line_is_named_and_nothing_of_the_delivery_is_stored(
    small_kitchen: Kitchen, line: dict[str, Any], field: str
) -> None:
    good = {"product": "HER-BLOCK-10", "place": "FZ1", "caught_from": "2026-08-01", "mass": "10 kg"}
    answer = small_kitchen.commissary.post(
        "/deliveries", {"supplier": "NORD", "lots": [good | line, good]}
    )
    assert answer.status_code in (404, 422)
    assert field in [error["field"] for error in answer.json()["errors"]]
    assert small_kitchen.keeper.shown("/lots")["items"] == []


def test_a_rejected_lot_is_never_used(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot()
    kitchen.commissary.made(f"/lots/{lot['code']}/rejection", {"reason": "thawed and refrozen"})
    assert kitchen.keeper.shown(f"/lots/{lot['code']}")["status"] == "rejected"
    assert kitchen.keeper.shown("/lots?order=use_first")["items"] == []
    refused = kitchen.keeper.post(
        "/pulls",
        {"lot": lot["code"], "from_place": "FZ1", "to_place": "TANK1", "mass": "10 kg"},
    )
    assert refused.json()["type"].endswith("lot-on-hold")


def test_lots_come_in_pages_in_the_order_of_use(kitchen: Kitchen) -> None:
    for caught in ("2026-09-03", "2026-09-01", None, "2026-09-02"):
        kitchen.a_lot(caught=caught)
    seen: list[Any] = []
    address = "/lots?order=use_first&limit=1"
    page = kitchen.keeper.shown(address)
    while True:
        seen += [lot["caught_from"] for lot in page["items"]]
        if page["next"] is None:
            break
        page = kitchen.keeper.shown(f"{address}&cursor={page['next']}")
    assert seen == ["2026-09-01", "2026-09-02", "2026-09-03", None]


def test_chilled_fish_that_was_never_frozen_may_be_frozen_once(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot(received_as="chilled", place="COOL", core_temperatures=[])
    assert "core-too-warm" not in outcomes(lot)
    move = {"lot": lot["code"], "from_place": "COOL", "to_place": "FZ1", "mass": "100 kg"}
    assert kitchen.commissary.post("/moves", move).status_code == 201


def test_what_was_found_when_a_truck_came_can_be_read_later(kitchen: Kitchen) -> None:
    kitchen.a_lot(caught=None)
    kitchen.a_lot(core_temperatures=["-10 °C"])
    newest, oldest = kitchen.person("inspector").shown("/deliveries")["items"]
    assert outcomes(newest["lots"][0])["core-too-warm"] == "block"
    assert outcomes(oldest["lots"][0])["catch-date-missing"] == "block"
    again = kitchen.keeper.shown(f"/deliveries/{oldest['id']}")
    assert again == oldest and again["supplier"] == "NORD"
    assert kitchen.keeper.get("/deliveries/99").json()["type"].endswith("unknown-delivery")
