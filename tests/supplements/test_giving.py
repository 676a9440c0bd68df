"""What was given, omitted, refused and spat out: under an order, out of a batch."""

import random
from typing import Any

import pytest

from tests.kitchen import Kitchen
from tests.supplements.test_plans import planned, require, tablet

TODAY = "2026-11-25"


@pytest.fixture
def fed(kitchen: Kitchen) -> Kitchen:
    """Brine eats 5 kg herring: 125 mg of thiamine by the catalogue, 2 tablets of 100 mg."""
    items = [{"species": "HER", "mass": "5 kg"}]
    kitchen.nutritionist.made("/animals/BRINE/diets", {"from": "2026-11-01", "items": items})
    tablet(kitchen, "B1-100", {"THIA": (100, "mg")})
    return kitchen


def a_batch(
    kitchen: Kitchen, code: str, count: float, expires: str = "2027-06-30", mg: float = 100
) -> int:
    answer = kitchen.commissary.made(
        "/supplement-batches",
        {
            "product": "B1-100",
            "code": code,
            "expires_on": expires,
            "received": count,
            "contents": [{"nutrient": "THIA", "amount": mg, "unit": "mg"}],
        },
    )
    number: int = answer["batch"]["id"]
    return number


def an_order(kitchen: Kitchen) -> str:
    plan = planned(kitchen)
    kitchen.nutritionist.made(f"/supplement-plans/{plan['id']}/sign-off", {})
    return f"/supplement-plans/{plan['id']}/given"


def left(kitchen: Kitchen, batch: int) -> float:
    number: float = kitchen.keeper.shown(f"/supplement-batches/{batch}")["left"]
    return number


def items(**item: Any) -> dict[str, Any]:
    return {"supplements": [{"product": "B1-100", **item}]}


def kind(answer: Any) -> str:
    return str(answer.json()["type"]).removeprefix("/problems/")


def test_what_is_given_leaves_the_batch_in_use_and_comes_back_when_it_was_not_so(
    fed: Kitchen,
) -> None:
    batch = a_batch(fed, "L-1", 30)
    address = an_order(fed)
    given = fed.keeper.made(address, items())
    (row,) = given["supplements"]
    assert (row["count"], row["batch"], row["outcome"]) == (2, "L-1", "given")
    assert left(fed, batch) == 28
    reversal = f"/supplements-given/{row['id']}/reversal"
    assert fed.keeper.post(reversal, {}).status_code == 422
    fed.keeper.made(reversal, {"reason": "it was another animal"})
    assert left(fed, batch) == 30
    twice = fed.keeper.post(reversal, {"reason": "it was another animal"})
    assert kind(twice) == "already-reversed"
    fed.keeper.made(address, items(count=2))
    assert left(fed, batch) == 28
    rows = fed.keeper.shown("/animals/BRINE/supplements")["items"]
    assert [(r["count"], r["taken_back"]) for r in rows] == [
        (2, None),
        (2, "it was another animal"),
    ]


def test_pieces_come_from_as_many_batches_as_it_takes_the_first_to_expire_first(
    fed: Kitchen,
) -> None:
    later, sooner = a_batch(fed, "LATER", 30), a_batch(fed, "SOONER", 1, "2027-01-31")
    rows = fed.keeper.made(an_order(fed), items())["supplements"]
    assert [(r["batch"], r["count"]) for r in rows] == [("SOONER", 1), ("LATER", 1)]
    assert (left(fed, sooner), left(fed, later)) == (0, 29)


def test_what_is_spat_out_is_wasted_and_what_is_omitted_is_still_there(fed: Kitchen) -> None:
    batch = a_batch(fed, "L-1", 30)
    address = an_order(fed)
    without = fed.keeper.post(address, items(outcome="omitted"))
    assert without.status_code == 422 and "reason" in without.text
    fed.keeper.made(address, items(count=1, outcome="omitted", reason="was asleep"))
    assert left(fed, batch) == 30
    fed.keeper.made(address, items(count=1, outcome="spat_out", reason="on the deck"))
    assert left(fed, batch) == 29
    (line,) = fed.keeper.shown("/supplement-round")["items"]
    assert (line["due"], line["omitted"], line["spat_out"], line["given"], line["waiting"]) == (
        *(2, 1, 1, 0, 0),
    )
    fed.keeper.made(address, items(count=2))
    assert left(fed, batch) == 27
    assert kind(fed.keeper.post(address, items(count=1))) == "already-given"


def test_what_is_split_over_feeds_is_no_second_dose_until_it_is_more_than_ordered(
    fed: Kitchen,
) -> None:
    address = an_order(fed)
    fed.keeper.made(address, items(count=1))
    fed.keeper.made(address, items(count=1))
    assert kind(fed.keeper.post(address, items(count=1))) == "already-given"


def test_an_expired_batch_is_not_given_unless_the_vet_answers_for_it(fed: Kitchen) -> None:
    old = a_batch(fed, "OLD", 30, "2026-11-24")
    address = an_order(fed)
    for body in (items(), items(batch="old")):  # the only one there is, and by name
        assert kind(fed.keeper.post(address, body)) == "supplement-expired"
    override = [{"rule": "supplement-expired", "reason": "one day, nothing else is there"}]
    assert fed.keeper.post(address, items() | {"override": override}).status_code == 403
    fed.vet.made(address, items() | {"override": override})
    assert left(fed, old) == 28


def test_another_strength_stops_giving_and_the_order_lapses_for_a_new_plan(
    fed: Kitchen,
) -> None:
    """125 mg of tablets of 50 mg: 3 pieces instead of 2."""
    first = a_batch(fed, "L-1", 30)
    address = an_order(fed)
    second = a_batch(fed, "HALF", 30, "2027-12-31", mg=50)
    refused = fed.keeper.post(address, items(batch="HALF"))
    assert kind(refused) == "strength-differs"
    assert (left(fed, first), left(fed, second)) == (30, 30)
    fed.commissary.made(f"/supplement-batches/{first}/counts", {"counted": 0, "reason": "broken"})
    refused = fed.keeper.post(address, items(batch="HALF"))
    assert kind(refused) == "not-signed"
    (lapsed,) = fed.keeper.made("/supplement-orders/review", {})["items"]
    assert lapsed["end"]["differences"] == [
        "B1-100: 2 → 3 pieces",
        "B1-100 now 50 mg of thiamine, was 100 (batch HALF)",
    ]
    newer = lapsed["end"]["next_plan"]
    fed.vet.made(f"/supplement-plans/{newer}/sign-off", {})
    fed.keeper.made(f"/supplement-plans/{newer}/given", items())
    assert left(fed, second) == 27


def test_a_batch_that_nobody_booked_in_is_refused_by_name_and_kept_as_a_fact(
    fed: Kitchen,
) -> None:
    address = an_order(fed)
    unkept = fed.keeper.made(address, items(count=1, batch="JAR 7"))
    assert unkept["supplements"][0]["batch"] == "JAR 7", "no stock of it is kept here"
    a_batch(fed, "L-1", 30)
    refused = fed.keeper.post(address, items(count=1, batch="JAR 8"))
    assert (refused.status_code, kind(refused)) == (404, "unknown-supplement-batch")
    assert refused.json()["errors"][0]["field"] == "supplements.0.batch"
    fact = fed.keeper.made(address, items(count=1, batch="JAR 8") | {"already_done": True})
    assert (fact["supplements"][0]["batch"], fact["breaches"]) == ("JAR 8", [])


def test_what_nobody_saw_counts_against_a_limit(fed: Kitchen) -> None:
    require(fed, "THIA", 40, "mg", limit=200, limit_on="added")
    address = an_order(fed)
    fed.keeper.made(address, items(count=2, outcome="unknown", reason="nobody looked"))
    assert kind(fed.keeper.post(address, items(count=1))) == "over-limit"


def test_what_an_animal_got_is_listed_by_days_as_a_table_too(fed: Kitchen) -> None:
    address = an_order(fed)
    fed.keeper.made(address, items())
    path = "/animals/BRINE/supplements"
    assert fed.keeper.shown(f"{path}?from=2026-11-26")["items"] == []
    assert fed.keeper.shown(f"{path}?to=2026-11-24")["items"] == []
    table = fed.keeper.get(f"{path}?to={TODAY}", headers={"Accept": "text/csv"}).text
    assert table.splitlines()[0].startswith("id,product,count,batch,outcome")


@pytest.mark.parametrize("seed", range(3))
def test_pieces_given_left_and_wasted_are_those_received(small_kitchen: Kitchen, seed: int) -> None:
    """Whatever is given, spat out, omitted and taken back, in whatever order."""
    fed, chance = small_kitchen, random.Random(seed)
    diet = [{"species": "HER", "mass": "5 kg"}]
    fed.nutritionist.made("/animals/BRINE/diets", {"from": "2026-11-01", "items": diet})
    tablet(fed, "B1-100", {"THIA": (100, "mg")})
    received = [chance.randint(5, 12) for _ in range(3)]
    batches = [
        a_batch(fed, f"L-{n}", count, f"2027-0{n + 1}-15") for n, count in enumerate(received)
    ]
    address = an_order(fed)
    standing: dict[int, tuple[str, float]] = {}
    for _ in range(12):
        if standing and chance.random() < 0.3:
            number = chance.choice(sorted(standing))
            fed.keeper.made(f"/supplements-given/{number}/reversal", {"reason": "misread"})
            del standing[number]
            continue
        outcome = chance.choice(["given", "spat_out", "refused", "omitted"])
        body = items(count=chance.choice([1, 2]), outcome=outcome, reason="as it was")
        given = fed.keeper.made(address, body | {"already_done": True})
        for row in given["supplements"]:
            standing[row["id"]] = (outcome, row["count"])
    gone = sum(count for outcome, count in standing.values() if outcome != "omitted")
    assert gone + sum(left(fed, batch) for batch in batches) == sum(received)
