"""`occurred_at` is optional on every write: accepted when past, refused when it is to come."""

from typing import Any

import pytest

from tests.kitchen import Kitchen

PAST, FUTURE = "2026-11-24T06:00:00Z", "2026-11-25T06:06:00Z"


def writes(kitchen: Kitchen) -> list[tuple[str, str, dict[str, Any]]]:
    """(role, path, body) of writes that succeed at the kitchen's start."""
    lot = kitchen.a_lot()["code"]
    hold = kitchen.commissary.made(f"/lots/{lot}/holds", {"reason": "supplier recall"})["id"]
    diet = {"from": "2026-11-01", "items": [{"species": "HER", "mass": "3 kg"}]}
    kitchen.nutritionist.made("/animals/BRINE/diets", diet)
    plan = kitchen.nutritionist.made("/supplement-plans", {"animal": "BRINE", "day": "2026-11-25"})
    line = {"product": "HER-BLOCK-10", "caught_from": "2026-08-01", "cartons": 1, "place": "FZ1"}
    assay = {
        "sampled_on": "2026-11-03",
        "laboratory": "Harbour laboratory",
        "values": [{"nutrient": "FAT", "amount": 11, "unit": "g/100g"}],
    }
    requirement = {
        "nutrient": "THIA",
        "amount": 25,
        "unit": "mg",
        "applies_to": {"group": "pinniped"},
    }
    return [
        ("commissary", "/deliveries", {"supplier": "NORD", "lots": [line]}),
        ("commissary", f"/lots/{lot}/holds", {"reason": "smells odd"}),
        ("vet", f"/holds/{hold}/release", {"reason": "tested well"}),
        ("nutritionist", f"/lots/{lot}/assays", assay),
        ("nutritionist", "/animals/BRINE/diets", diet),
        ("keeper", "/animals/BRINE/weights", {"mass": "100 kg"}),
        ("nutritionist", "/requirements", requirement),
        ("nutritionist", "/supplement-plans", {"animal": "BRINE", "day": "2026-11-25"}),
        ("nutritionist", f"/supplement-plans/{plan['id']}/sign-off", {}),
        (
            "keeper",
            "/thaw-requests",
            {"day": "2026-11-26", "thaw_place": "TANK1"},
        ),
        ("commissary", "/counts", {"lot": lot, "place": "FZ1", "mass": "90 kg", "reason": "count"}),
        ("manager", "/places", {"code": "FZ9", "name": "Freezer 9", "kind": "freezer"}),
        ("commissary", f"/lots/{lot}/rejection", {"reason": "thawed and refrozen"}),
    ]


@pytest.mark.parametrize("number", range(13))
def test_a_write_may_say_when_it_happened_but_not_in_the_future(
    small_kitchen: Kitchen, number: int
) -> None:
    role, path, body = writes(small_kitchen)[number]
    person = small_kitchen.person(role)
    refused = person.post(path, body | {"occurred_at": FUTURE})
    assert refused.status_code == 422, refused.text
    assert refused.json()["errors"][0]["field"] in ("occurred_at", "arrived_at")
    assert person.post(path, body | {"occurred_at": PAST}).status_code in (200, 201)


def test_cancel_thawed_and_sign_off_need_no_body(small_kitchen: Kitchen) -> None:
    lot = small_kitchen.a_lot()["code"]
    request = small_kitchen.keeper.made(
        "/thaw-requests",
        {
            "first_feed_at": "2026-11-26T08:00:00Z",
            "last_feed_at": "2026-11-26T12:00:00Z",
            "thaw_place": "TANK1",
            "lines": [{"species": "HER", "mass": "10 kg"}],
        },
    )
    assert small_kitchen.keeper.post(f"/thaw-requests/{request['id']}/cancel").status_code == 200
    batch = small_kitchen.pulled(lot, "10 kg")
    assert small_kitchen.keeper.post(f"/thaw-batches/{batch['code']}/thawed").status_code == 200


def test_a_limit_set_after_the_signature_still_holds(small_kitchen: Kitchen) -> None:
    """A signed order stays in force until a limit would be crossed."""
    kitchen = small_kitchen
    kitchen.nutritionist.made(
        "/animals/BRINE/diets",
        {"from": "2026-11-01", "items": [{"species": "HER", "mass": "1 kg"}]},
    )
    kitchen.nutritionist.made(
        "/supplement-products",
        {
            "code": "B1-25",
            "name": "Thiamine 25 mg",
            "form": "tablet",
            "contents": [{"nutrient": "THIA", "amount": 25, "unit": "mg"}],
        },
    )
    plan = kitchen.nutritionist.made("/supplement-plans", {"animal": "BRINE", "day": "2026-11-25"})
    kitchen.vet.made(f"/supplement-plans/{plan['id']}/sign-off", {})
    kitchen.nutritionist.made(
        "/requirements",
        {
            "nutrient": "THIA",
            "amount": 5,
            "unit": "mg",
            "per": "animal_day",
            "applies_to": {"animal": "BRINE"},
            "limit": 10,
            "limit_on": "added",
        },
    )
    given = {"supplements": [{"product": "B1-25", "count": 1}]}
    answer = kitchen.keeper.post(f"/supplement-plans/{plan['id']}/given", given)
    assert (answer.status_code, answer.json()["type"]) == (409, "/problems/over-limit")


def test_a_reversal_in_the_future_is_refused_and_nothing_is_taken_back(
    small_kitchen: Kitchen,
) -> None:
    lot = small_kitchen.a_lot()["code"]
    counted = small_kitchen.commissary.made(
        "/counts", {"lot": lot, "place": "FZ1", "mass": "90 kg", "reason": "weekly count"}
    )
    address = f"/movements/{counted['movement']['id']}/reversal"
    before = small_kitchen.balance()
    refused = small_kitchen.manager.post(address, {"reason": "wrong", "occurred_at": FUTURE})
    assert (refused.status_code, refused.json()["errors"][0]["field"]) == (422, "occurred_at")
    assert small_kitchen.balance() == before
    assert small_kitchen.manager.post(address, {"reason": "wrong"}).status_code == 201
