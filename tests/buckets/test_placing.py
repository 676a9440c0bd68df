"""Supplements in the fish of buckets: thiamine only where it lasts, and no piece a second time."""

from typing import Any

import pytest

from tests.buckets.test_buckets import TODAY, a_batch, on_a_diet, refusal
from tests.kitchen import FISH, Kitchen
from tests.supplements.test_plans import planned, require, tablet

Carried = list[list[tuple[str, float, str | None]]]


@pytest.fixture
def thiamine(kitchen: Kitchen) -> Kitchen:
    """4 kg of whiting, of which thiaminase.csv says absent: a tablet of 100 mg (25 mg/kg)."""
    on_a_diet(kitchen, feeds=2, WHG=4000)
    tablet(kitchen, "B1-100", {"THIA": (100, "mg")})
    body = {"code": "WHG-IQF-12", "species": "WHG", "supplier": "NORD", "form": "iqf"}
    kitchen.manager.made("/products", body | {"carton_mass": "12 kg", "fish": FISH})
    return kitchen


@pytest.fixture
def salted(kitchen: Kitchen) -> Kitchen:
    """Three feeds of 1 kg, each with one piece of salt: 1 g/kg."""
    on_a_diet(kitchen, feeds=3, CAP=3000)
    require(kitchen, "NACL", 1, "g")
    tablet(kitchen, "SALT", {"NACL": (1, "g")})
    return kitchen


def a_lot(kitchen: Kitchen) -> str:
    """Of whiting."""
    return str(kitchen.a_lot(product="WHG-IQF-12")["code"])


def signed(kitchen: Kitchen) -> Any:
    plan = planned(kitchen)
    kitchen.nutritionist.made(f"/supplement-plans/{plan['id']}/sign-off", {})
    return plan


def made(kitchen: Kitchen, **more: Any) -> Any:
    return kitchen.commissary.made("/buckets", {"day": TODAY, **more})


def carried(answer: Any) -> Carried:
    return [[(c["item"], c["count"], c["fish"]) for c in b["carries"]] for b in answer["items"]]


def by_hand(batch: str, **piece: Any) -> dict[str, Any]:
    return {
        "animal": "BRINE",
        "feed_at": "2026-11-25T15:00:00Z",
        "items": [{"thaw_batch": batch, "mass": "0.5 kg"}],
        "carries": [piece],
    }


def gave(kitchen: Kitchen, plan: Any, product: str, **item: Any) -> Any:
    body = {"supplements": [{"product": product, "outcome": "given", **item}]}
    return kitchen.keeper.made(f"/supplement-plans/{plan['id']}/given", body)


# --- thiamine


def test_thiamine_is_put_into_no_bucket_of_other_fish_that_would_destroy_it(
    thiamine: Kitchen,
) -> None:
    """Geraci 1972 [read]. Herring in place of whiting: it waits, and the round shows it."""
    plan = signed(thiamine)
    assert plan["supplements"][0]["givings"][0]["fish"] == "WHG"
    on_a_diet(thiamine, feeds=2, HER=4000)
    a_batch(thiamine, "HER")
    assert carried(made(thiamine)) == [[], []]
    (line,) = thiamine.keeper.shown(f"/supplement-round?day={TODAY}")["items"]
    assert (line["product"], line["waiting"]) == ("B1-100", 1)


def test_thiamine_goes_by_hand_into_no_fish_that_would_destroy_it_but_by_the_vets_word(
    thiamine: Kitchen,
) -> None:
    plan = signed(thiamine)
    herring, whiting = a_batch(thiamine, "HER"), thiamine.pulled(a_lot(thiamine), "20 kg")["code"]
    body = by_hand(herring, plan=plan["id"])
    assert refusal(thiamine.keeper.post("/buckets", body)) == (409, "thiamine-in-thiaminase")
    override = [{"rule": "thiamine-in-thiaminase", "reason": "it eats nothing else"}]
    assert thiamine.keeper.post("/buckets", body | {"override": override}).status_code == 403
    both = body | {"items": [*body["items"], {"thaw_batch": whiting, "mass": "0.5 kg"}]}
    into_herring = both | {"carries": [{"plan": plan["id"], "fish": "HER"}]}
    assert refusal(thiamine.keeper.post("/buckets", into_herring))[1] == "thiamine-in-thiaminase"
    bucket = thiamine.keeper.made("/buckets", both)
    assert carried(bucket) == [[("B1-100", 1, "WHG")]]
    thiamine.keeper.made(f"/buckets/{bucket['items'][0]['code']}/cancel", {"reason": "spilt"})
    assert carried(thiamine.vet.made("/buckets", body | {"override": override})) == [
        [("B1-100", 1, "HER")]
    ]


@pytest.mark.parametrize(
    ("species", "answer", "carries"),
    [("HER", "absent", [("B1-100", 1, "HER")]), ("WHG", "present", [])],
)
def test_what_a_laboratory_found_in_the_lot_decides_before_its_species(
    thiamine: Kitchen, species: str, answer: str, carries: list[Any]
) -> None:
    signed(thiamine)
    on_a_diet(thiamine, "BRINE", 1, **{species: 4000})
    lot = a_lot(thiamine) if species == "WHG" else thiamine.a_lot(species)["code"]
    test = {"test": "thiaminase", "values": [answer]}
    thiamine.nutritionist.made(
        f"/lots/{lot}/assays",
        {
            "sampled_on": "2026-11-20",
            "laboratory": "Harbour",
            "values": [],
            "tests": [test],
            "portion": "whole",
        },
    )
    thiamine.pulled(lot, "20 kg")
    assert carried(made(thiamine)) == [carries]


# --- no piece a second time


def test_what_was_given_by_hand_is_put_into_no_bucket_until_it_is_taken_back(
    salted: Kitchen,
) -> None:
    plan = signed(salted)
    a_batch(salted)
    given = gave(salted, plan, "SALT", count=2)
    assert carried(made(salted, number=1)) == [[("SALT", 1, "CAP")]]
    assert carried(made(salted, number=2)) == [[]]
    number = given["supplements"][0]["id"]
    salted.keeper.made(f"/supplements-given/{number}/reversal", {"reason": "the other seal"})
    assert carried(made(salted, number=3)) == [[("SALT", 1, "CAP")]]


@pytest.mark.parametrize("outcome", ["given", "unknown", "spat_out", "refused", "omitted"])
def test_nothing_of_what_was_recorded_by_hand_is_put_in_by_itself(
    salted: Kitchen, outcome: str
) -> None:
    plan = signed(salted)
    batch = a_batch(salted)
    reason = {} if outcome == "given" else {"reason": "as seen"}
    gave(salted, plan, "SALT", count=3, outcome=outcome, **reason)
    assert carried(made(salted)) == [[], [], []]
    answer = salted.keeper.post("/buckets", by_hand(batch, plan=plan["id"], product="SALT"))
    if outcome == "omitted":  # it was never in an animal's mouth
        assert carried(answer.json()) == [[("SALT", 3, "CAP")]]
    else:
        assert refusal(answer) == (409, "placed-before")


def test_what_was_recorded_of_a_bucket_does_not_count_a_second_time(salted: Kitchen) -> None:
    signed(salted)
    a_batch(salted)
    code = made(salted, number=1)["items"][0]["code"]
    taken = {"carries": [{"number": 1, "outcome": "taken"}]}
    salted.keeper.made(f"/buckets/{code}/outcomes", taken)
    assert carried(made(salted)) == [[("SALT", 1, "CAP")], [("SALT", 1, "CAP")]]


def test_by_hand_goes_in_what_is_left_of_the_day_and_no_more(salted: Kitchen) -> None:
    plan = signed(salted)
    batch = a_batch(salted)
    made(salted, number=1)
    more = by_hand(batch, plan=plan["id"], product="SALT", count=3)
    assert refusal(salted.keeper.post("/buckets", more)) == (409, "placed-before")
    rest = by_hand(batch, plan=plan["id"], product="SALT")
    assert carried(salted.keeper.made("/buckets", rest)) == [[("SALT", 2, "CAP")]]
    assert refusal(salted.keeper.post("/buckets", rest)) == (409, "placed-before")


def test_two_pieces_in_one_bucket_are_the_day_together(salted: Kitchen) -> None:
    plan = signed(salted)
    body = by_hand(a_batch(salted))
    salt = {"plan": plan["id"], "product": "SALT"}
    assert carried(
        salted.keeper.made("/buckets", body | {"carries": [salt | {"count": 1}, salt]})
    ) == [[("SALT", 1, "CAP"), ("SALT", 2, "CAP")]]


def test_what_was_ordered_for_a_feed_that_is_no_more_goes_into_the_last_one_and_it_is_said(
    salted: Kitchen,
) -> None:
    plan = signed(salted)
    assert [g["feed"] for g in plan["supplements"][0]["givings"]] == [1, 2, 3]
    on_a_diet(salted, feeds=2, CAP=3000)
    a_batch(salted)
    first = made(salted, number=1)
    assert carried(first) == [[("SALT", 1, "CAP")]] and first["findings"] == []
    second = made(salted)
    assert carried(second) == [[("SALT", 2, "CAP")]]
    assert [f["rule"] for f in second["findings"]] == ["piece-in-another-feed"]
    assert "ordered for feed 3" in second["findings"][0]["because"]
