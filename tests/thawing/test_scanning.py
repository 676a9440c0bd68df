"""Pulls confirmed by scanning the carton: ours or the supplier's label."""

from typing import Any

import httpx
import pytest

from tests.kitchen import Kitchen

GTIN = "09521234543213"  # example of the GS1 General Specifications' prefix 952, for examples only


def scan(kitchen: Kitchen, text: str | list[str], **more: Any) -> httpx.Response:
    body = {"scanned": text, "from_place": "FZ1", "mass": "1 kg", "to_place": "TANK1", **more}
    return kitchen.keeper.post("/pulls", body)


def refusal(answer: httpx.Response) -> tuple[int, str]:
    return answer.status_code, answer.json()["type"].removeprefix("/problems/")


def labelled(kitchen: Kitchen, supplier_lot: str, caught: str = "2026-08-01") -> str:
    """A lot of sprat of which the supplier's label has product and lot."""
    boss = kitchen.manager
    product = {"species": "SPR", "supplier": "NORD", "form": "iqf", "carton_mass": "10 kg"}
    boss.post("/products", product | {"code": "SPR-IQF", "gtin": GTIN})
    line = {
        "product": "SPR-IQF",
        "supplier_lot": supplier_lot,
        "caught_from": caught,
        "mass": "50 kg",
        "place": "FZ1",
    }
    made = kitchen.commissary.made("/deliveries", {"supplier": "NORD", "lots": [line]})
    return str(made["lots"][0]["code"])


def planned(kitchen: Kitchen) -> Any:
    return kitchen.keeper.made(
        "/thaw-requests",
        {
            "first_feed_at": "2026-11-26T08:00:00Z",
            "last_feed_at": "2026-11-26T10:00:00Z",
            "thaw_place": "TANK1",
            "lines": [{"species": "CAP", "mass": "10 kg"}],
        },
    )


def test_our_own_label_says_the_lot(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot("CAP")["code"]
    assert scan(kitchen, lot.lower()).json()["thaw_batch"]["lot"] == lot
    assert scan(kitchen, lot, lot=lot).status_code == 201


@pytest.mark.parametrize(
    "text",
    [
        f"(01){GTIN}(10)A-77",
        f"]d201{GTIN}10A-77",
        [f"(01){GTIN}", "(10)A-77"],
    ],
)
def test_so_does_the_suppliers(small_kitchen: Kitchen, text: str | list[str]) -> None:
    lot = labelled(small_kitchen, "A-77")
    labelled(small_kitchen, "A-78", caught="2026-08-05")
    assert scan(small_kitchen, text).json()["thaw_batch"]["lot"] == lot


def test_a_carton_of_another_lot_is_refused_with_the_right_one_shown(kitchen: Kitchen) -> None:
    right, wrong = (kitchen.a_lot("CAP")["code"] for _ in range(2))
    for fact in ({}, {"already_done": True}):  # a fact is of the lot that was pulled
        answer = scan(kitchen, wrong, lot=right, **fact)
        assert refusal(answer) == (409, "wrong-lot")
        said = answer.json()
        assert said["scanned"] == [wrong]
        assert [(row["lot"], row["place"], row["mass"]["g"]) for row in said["right"]] == [
            (right, "FZ1", 100_000)
        ]
    assert kitchen.keeper.shown("/thaw-batches")["items"] == []


def test_a_carton_that_the_plan_did_not_reserve_is_refused(kitchen: Kitchen) -> None:
    # of one day: order alone would let both be pulled
    right, other = (kitchen.a_lot("CAP", caught="2026-08-01")["code"] for _ in range(2))
    request = planned(kitchen)["id"]
    answer = scan(kitchen, other, thaw_request=request)
    assert refusal(answer) == (409, "wrong-lot")
    assert answer.json()["right"][0] | {"mass": None} == {
        "lot": right,
        "place": "FZ1",
        "mass": None,
    }
    assert scan(kitchen, right, thaw_request=request).status_code == 201
    assert scan(kitchen, other, lot=other, thaw_request=request).status_code == 201, "by name"


def test_the_rules_of_a_pull_hold_for_a_scanned_one(kitchen: Kitchen) -> None:
    kitchen.a_lot("CAP", caught="2026-08-01")
    newer = kitchen.a_lot("CAP", caught="2026-09-01")["code"]
    assert refusal(scan(kitchen, newer)) == (409, "older-lot-first")


def test_a_label_that_fits_several_lots_asks_for_ours(kitchen: Kitchen) -> None:
    lots = [labelled(kitchen, "A77") for _ in range(2)]
    text = f"(01){GTIN}(10)A77"
    answer = scan(kitchen, text)
    assert refusal(answer) == (409, "several-lots")
    assert {row["lot"] for row in answer.json()["right"]} == set(lots)
    assert scan(kitchen, text, lot=lots[1]).json()["thaw_batch"]["lot"] == lots[1]
    move = {"lot": lots[0], "from_place": "FZ1", "to_place": "FZ2", "mass": "50 kg"}
    kitchen.commissary.made("/moves", move)
    assert scan(kitchen, text).json()["thaw_batch"]["lot"] == lots[1], "the only one here"


@pytest.mark.parametrize(
    "text", ["A77", "HER261125AAX", f"(01){GTIN}", "(01)09521234543214(10)A77", "", []]
)
def test_what_is_no_label_of_a_lot_is_malformed(
    small_kitchen: Kitchen, text: str | list[str]
) -> None:
    answer = scan(small_kitchen, text)
    assert answer.status_code == 422
    assert answer.json()["errors"][0]["field"].startswith("scanned")


def test_a_thaw_batchs_label_is_not_a_cartons(kitchen: Kitchen) -> None:
    batch = kitchen.pulled(kitchen.a_lot("CAP")["code"], "1 kg")["code"]
    answer = scan(kitchen, batch)
    assert (answer.status_code, answer.json()["errors"][0]["field"]) == (422, "scanned")


def test_a_label_of_fish_that_never_came_is_unknown(kitchen: Kitchen) -> None:
    assert refusal(scan(kitchen, f"(01){GTIN}(10)Z99")) == (404, "unknown-lot")


def test_a_pull_names_its_lot_or_shows_its_label(kitchen: Kitchen) -> None:
    body = {"from_place": "FZ1", "mass": "1 kg", "to_place": "TANK1"}
    answer = kitchen.keeper.post("/pulls", body)
    assert answer.status_code == 422 and "lot: give it" in answer.text
