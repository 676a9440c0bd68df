"""Lots as they really come: mixed pallets, papers that differ, stated ages."""

from datetime import date
from typing import Any

import pytest

from tests.kitchen import Kitchen

CORES = ["-20.1 °C", "-19.4 °C", "-21 °C"]


def delivered(kitchen: Kitchen, line: dict[str, Any], **more: Any) -> Any:
    whole = {"product": "HER-BLOCK-10", "place": "FZ1", "core_temperatures": CORES, **line}
    body = {"supplier": "NORD", "arrived_at": "2026-11-02T09:40:00Z", "lots": [whole], **more}
    return kitchen.commissary.made("/deliveries", body)


def outcomes(lot: Any) -> dict[str, str]:
    return {f["rule"]: f["outcome"] for f in lot["findings"]}


MIXED = [
    {"caught_from": "2026-08-01", "cartons": 10},
    {"caught_from": "2026-08-09", "caught_to": "2026-08-10", "mass": "60 kg"},
]


def test_a_pallet_of_two_catches_becomes_two_lots_each_with_its_own_age(kitchen: Kitchen) -> None:
    first, second = delivered(kitchen, {"catches": MIXED, "supplier_lot": "A77"})["lots"]
    assert (first["mass"]["g"], second["mass"]["g"]) == (100_000, 60_000)
    shown = [kitchen.keeper.shown(f"/lots/{lot['code']}") for lot in (first, second)]
    assert [(s["caught_from"], s["caught_to"]) for s in shown] == [
        ("2026-08-01", "2026-08-01"),
        ("2026-08-09", "2026-08-10"),
    ]
    # the later one waits for the earlier one, though they came on one pallet
    pull = {"lot": second["code"], "from_place": "FZ1", "mass": "10 kg", "to_place": "TANK1"}
    refused = kitchen.keeper.post("/pulls", pull)
    assert refused.json()["type"] == "/problems/older-lot-first"


def test_cartons_that_cannot_be_told_apart_are_one_lot_from_the_earliest_day(
    kitchen: Kitchen,
) -> None:
    line = {"caught_from": "2026-08-01", "caught_to": "2026-08-20", "mass": "100 kg"}
    (lot,) = delivered(kitchen, line)["lots"]
    assert (lot["status"], outcomes(lot)["catch-range-wide"]) == ("accepted", "warn")
    (usual,) = delivered(kitchen, {**line, "caught_to": "2026-08-15"})["lots"]
    assert "catch-range-wide" not in outcomes(usual), "14 days are our default, inclusive"


@pytest.mark.parametrize(
    ("came", "papers", "outcome"),
    [
        ({"cartons": 64}, {"papers_cartons": 64}, "pass"),
        ({"cartons": 98}, {"papers_cartons": 100}, "pass"),
        ({"cartons": 97}, {"papers_cartons": 100}, "block"),
        ({"cartons": 103}, {"papers_cartons": 100}, "block"),
        ({"mass": "640 kg"}, {"papers_mass": "1411 lb"}, "pass"),
        ({"mass": "600 kg"}, {"papers_mass": "640 kg"}, "block"),
        ({"catches": MIXED}, {"papers_mass": "160 kg"}, "pass"),
        ({"catches": MIXED}, {"papers_mass": "170 kg"}, "block"),
    ],
)
def test_what_came_short_or_over_by_more_than_two_per_cent_is_held(
    kitchen: Kitchen, came: dict[str, Any], papers: dict[str, Any], outcome: str
) -> None:
    caught = {} if "catches" in came else {"caught_from": "2026-08-01"}
    for lot in delivered(kitchen, {**caught, **came, **papers})["lots"]:
        assert outcomes(lot)["papers-differ"] == outcome
        assert lot["status"] == ("held" if outcome == "block" else "accepted")


def test_a_lot_whose_age_is_stated_to_count_from_freezing_is_marked_and_not_held(
    kitchen: Kitchen,
) -> None:
    stated = {"frozen_on": "2026-08-04", "mass": "100 kg", "age_basis": "frozen"}
    (lot,) = delivered(kitchen, stated)["lots"]
    assert (lot["status"], outcomes(lot)["catch-date-missing"]) == ("accepted", "warn")
    (silent,) = delivered(kitchen, {**stated, "age_basis": None})["lots"]
    assert (silent["status"], outcomes(silent)["catch-date-missing"]) == ("held", "block")


def test_the_papers_of_a_load_are_kept_and_a_lapsed_one_is_told(kitchen: Kitchen) -> None:
    papers = [
        {"kind": "catch certificate", "number": "IS-2026-1", "issued_on": "2026-08-02"},
        {"kind": "health certificate", "number": "H 9", "valid_until": "2026-10-31"},
    ]
    line = {"caught_from": "2026-08-01", "mass": "100 kg"}
    made = delivered(kitchen, line, documents=papers, order_number="PO-77")
    assert outcomes(made["lots"][0])["certificate-lapsed"] == "warn"
    again = kitchen.keeper.shown(f"/deliveries/{made['id']}")
    assert [(d["kind"], d["number"]) for d in again["documents"]] == [
        ("catch certificate", "IS-2026-1"),
        ("health certificate", "H 9"),
    ]
    assert again == made


def test_an_order_that_came_in_two_trucks_is_found_by_its_number(kitchen: Kitchen) -> None:
    line = {"caught_from": "2026-08-01", "mass": "100 kg", "supplier_lot": "A77"}
    numbers = [delivered(kitchen, line, order_number="PO-77")["id"] for _ in range(2)]
    delivered(kitchen, line, order_number="PO-78")
    found = kitchen.keeper.shown("/deliveries", params={"order_number": "PO-77"})
    assert sorted(d["id"] for d in found["items"]) == numbers


WRONG: list[tuple[dict[str, Any], str]] = [
    ({"catches": MIXED, "mass": "1 kg"}, "lots.0"),
    ({"catches": [{"caught_from": "2026-08-01"}]}, "lots.0"),
    ({"catches": []}, "lots.0.catches"),
    ({"catches": [{"caught_from": "2027-08-01", "cartons": 1}]}, "lots.0.caught_from"),
    ({"age_basis": "frozen", "mass": "1 kg"}, "lots.0"),
    ({"age_basis": "smelt", "mass": "1 kg"}, "lots.0.age_basis"),
    ({"caught_from": "2026-08-01", "mass": "1 kg", "papers_cartons": 0}, "lots.0.papers_cartons"),
]


@pytest.mark.parametrize(("line", "field"), WRONG)
def test_a_pallet_that_cannot_be_is_refused_by_the_field(
    small_kitchen: Kitchen, line: dict[str, Any], field: str
) -> None:
    whole = {"product": "HER-BLOCK-10", "place": "FZ1", **line}
    body = {"supplier": "NORD", "arrived_at": "2026-11-02T09:40:00Z", "lots": [whole]}
    answer = small_kitchen.commissary.post("/deliveries", body)
    assert answer.status_code == 422, answer.text
    assert answer.json()["errors"][0]["field"] == field
    assert small_kitchen.keeper.shown("/lots")["items"] == []


def test_fish_caught_on_different_days_never_counts_its_age_from_the_later(
    small_kitchen: Kitchen,
) -> None:
    line = {"caught_from": "2026-08-01", "caught_to": "2026-08-20", "mass": "100 kg"}
    (lot,) = delivered(small_kitchen, line)["lots"]
    quality = small_kitchen.keeper.shown(f"/lots/{lot['code']}/quality")
    assert quality["age_days"] == (date(2026, 11, 25) - date(2026, 8, 1)).days
