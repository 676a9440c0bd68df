"""The main job, from the truck to the animal, as other programs rely on it."""

from datetime import UTC, datetime

import pytest

from tests.kitchen import Kitchen


def test_a_lot_goes_from_the_truck_to_the_animal_and_the_grams_balance(kitchen: Kitchen) -> None:
    older = kitchen.a_lot(caught="2026-08-01", mass="100 kg")
    newer = kitchen.a_lot(caught="2026-09-01", mass="100 kg")
    assert older["status"] == "accepted"

    refused = kitchen.keeper.post(
        "/pulls", {"lot": newer["code"], "from_place": "FZ1", "mass": "10 kg", "to_place": "TANK1"}
    )
    assert refused.status_code == 409
    assert refused.json()["type"].endswith("older-lot-first")

    batch = kitchen.pulled(older["code"], "15 kg")
    assert batch["mass"]["g"] == 20_000, "blocks are pulled as whole cartons"
    assert batch["discard_after"] == "2026-11-26T06:00:00Z"

    kitchen.clock.forward(hours=10)
    fed = kitchen.keeper.made(
        "/feeds",
        {
            "animal": "BRINE",
            "items": [
                {
                    "thaw_batch": batch["code"],
                    "offered": "2 kg",
                    "eaten": "1.8 kg",
                    "left": "0.2 kg",
                }
            ],
        },
    )
    assert fed["breaches"] == []
    intake = kitchen.keeper.shown("/animals/BRINE/intake")
    assert intake["total"]["g"] == 1800
    assert kitchen.balance() == {
        "parcels": 198_000,
        "supplier": -200_000,
        "eaten": 1800,
        "left": 200,
        "lost": 0,
        "discarded": 0,
        "sampled": 0,
        "drip": 0,
        "count_difference": 0,
        "public": 0,
    }


def test_a_day_of_supplements_is_planned_signed_and_given_once(kitchen: Kitchen) -> None:
    kitchen.a_lot()
    kitchen.nutritionist.made(
        "/animals/BRINE/diets",
        {
            "from": "2026-11-01",
            "items": [{"species": "HER", "mass": "3 kg"}, {"species": "CAP", "mass": "2 kg"}],
        },
    )
    kitchen.nutritionist.made(
        "/supplement-products",
        {
            "code": "B1-100",
            "name": "Thiamine 100 mg tablet",
            "form": "tablet",
            "contents": [{"nutrient": "THIA", "amount": 100, "unit": "mg"}],
        },
    )
    plan = kitchen.nutritionist.made("/supplement-plans", {"animal": "BRINE", "day": "2026-11-25"})
    thiamine = next(line for line in plan["lines"] if line["nutrient"] == "THIA")
    assert (thiamine["required"], thiamine["credit"], thiamine["add"]) == (125, 0, 125)
    assert [(s["product"], s["count"]) for s in plan["supplements"]] == [("B1-100", 2)]
    assert plan["unmet"] == [
        {"nutrient": "VITE", "short_by": 500, "unit": "IU", "why": "no product contains it"}
    ]

    given = {"supplements": [{"product": "B1-100", "count": 2}]}
    address = f"/supplement-plans/{plan['id']}"
    assert kitchen.keeper.post(f"{address}/given", given).json()["type"].endswith("not-signed")
    assert kitchen.keeper.post(f"{address}/sign-off", {}).status_code == 403
    assert kitchen.nutritionist.made(f"{address}/sign-off", {})["status"] == "signed"
    kitchen.keeper.made(f"{address}/given", given)
    again = kitchen.keeper.post(f"{address}/given", given)
    assert again.json()["type"].endswith("already-given")


@pytest.mark.parametrize("kind", ["requests"])
def test_a_thaw_request_reserves_the_oldest_fish(kitchen: Kitchen, kind: str) -> None:
    older = kitchen.a_lot(caught="2026-08-01", mass="30 kg")
    newer = kitchen.a_lot(caught="2026-09-01", mass="100 kg")
    plan = kitchen.keeper.made(
        "/thaw-requests",
        {
            "first_feed_at": "2026-11-26T08:00:00Z",
            "last_feed_at": "2026-11-26T12:00:00Z",
            "thaw_place": "TANK1",
            "lines": [{"species": "HER", "mass": "55 kg"}, {"species": "CAP", "mass": "4 kg"}],
        },
    )
    assert [(p["lot"], p["mass"]["g"], p["surplus"]["g"]) for p in plan["pulls"]] == [
        (older["code"], 30_000, 0),
        (newer["code"], 30_000, 5_000),
    ]
    assert plan["shortages"][0]["species"] == "CAP"
    assert plan["feasible"] is True
    stock = kitchen.keeper.shown("/stock?species=HER")
    assert [s["available"]["g"] for s in stock["items"]] == [0, 70_000]
    batch = kitchen.pulled(older["code"], "30 kg", thaw_request=plan["id"])
    assert batch["mass"]["g"] == 30_000
    kitchen.keeper.made(f"/thaw-requests/{plan['id']}/cancel", {})
    stock = kitchen.keeper.shown("/stock?species=HER&place=FZ1")
    assert stock["items"][0]["available"]["g"] == 100_000


def test_readings_are_stored_once_and_the_quality_of_a_lot_follows(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot(caught="2026-08-01", arrived="2026-11-20T00:00:00Z")
    start = datetime(2026, 11, 20, tzinfo=UTC)
    first = kitchen.temperatures("FZ1-AIR", start, [-22.0] * 127)
    assert first == {"stored": 127, "duplicates": 0, "rejected": []}
    second = kitchen.temperatures("FZ1-AIR", start, [-22.0] * 126 + [-21.0])
    assert second["stored"] == 0 and second["duplicates"] == 126
    assert second["rejected"][0]["index"] == 126
    quality = kitchen.keeper.shown(f"/lots/{lot['code']}/quality")
    assert quality["age_days"] == 116
    assert quality["exposure"]["hours_known"] == pytest.approx(126)
    series = kitchen.keeper.shown(
        "/places/FZ1/temperatures",
        params={"from": "2026-11-20T00:00:00Z", "to": "2026-11-21T00:00:00Z", "step": 3600},
    )
    assert len(series["points"]) == 24
    assert series["points"][0]["mean_c"] == -22.0
