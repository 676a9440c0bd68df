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
    on_herring(kitchen)
    return kitchen


def on_herring(kitchen: Kitchen) -> None:
    items = [{"species": "HER", "mass": "5 kg"}]
    kitchen.nutritionist.made("/animals/BRINE/diets", {"from": "2026-11-01", "items": items})
    tablet(kitchen, "B1-100", {"THIA": (100, "mg")})


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
    fed.keeper.made(address, items(count=1))
    assert left(fed, batch) == 28
    assert kind(fed.keeper.post(address, items(count=1))) == "already-given"
    override = [{"rule": "already-given", "reason": "it was spat out whole"}]
    assert fed.keeper.post(address, items(count=1) | {"override": override}).status_code == 403
    fed.vet.made(address, items(count=1) | {"override": override})
    assert left(fed, batch) == 27


def test_what_is_split_over_feeds_is_no_second_dose_until_it_is_more_than_ordered(
    fed: Kitchen,
) -> None:
    address = an_order(fed)
    fed.keeper.made(address, items(count=1))
    fed.keeper.made(address, items(count=1))
    assert kind(fed.keeper.post(address, items(count=1))) == "already-given"


@pytest.mark.parametrize(
    ("first", "then"),
    [
        ("given", "unknown"),
        ("unknown", "given"),
        ("unknown", "unknown"),
        ("spat_out", "given"),
        ("refused", "given"),
    ],
)
def test_what_may_have_been_swallowed_or_was_lost_is_not_given_again_by_itself(
    small_kitchen: Kitchen, first: str, then: str
) -> None:
    fed = small_kitchen
    on_herring(fed)
    address = an_order(fed)
    fed.keeper.made(address, items(count=2, outcome=first, reason="as it was"))
    again = items(count=2, outcome=then, reason="as it was")
    assert kind(fed.keeper.post(address, again)) == "already-given"
    fact = fed.keeper.made(address, again | {"already_done": True})
    assert [breach["rule"] for breach in fact["breaches"]] == ["already-given"]


def in_a_bucket(kitchen: Kitchen, batch: str, *carries: dict[str, Any]) -> str:
    body = {
        "animal": "BRINE",
        "feed_at": "2026-11-25T12:00:00Z",
        "items": [{"thaw_batch": batch, "mass": "0.5 kg"}],
        "carries": carries,
    }
    code: str = kitchen.keeper.made("/buckets", body)["items"][0]["code"]
    return code


def vitamin_e(kitchen: Kitchen) -> int:
    """An order for two tablets of 250 IU, 500 IU for 5 kg; and thawed fish."""
    tablet(kitchen, "E-250", {"VITE": (250, "IU")})
    plan = planned(kitchen)
    assert {s["product"]: s["count"] for s in plan["supplements"]}["E-250"] == 2
    kitchen.nutritionist.made(f"/supplement-plans/{plan['id']}/sign-off", {})
    return int(plan["id"])


def became(kitchen: Kitchen, bucket: str, outcome: str, *numbers: int) -> Any:
    carries = [{"number": n, "outcome": outcome} for n in numbers]
    return kitchen.keeper.made(f"/buckets/{bucket}/outcomes", {"carries": carries})


def test_what_waits_in_a_bucket_is_not_given_by_hand_too(fed: Kitchen) -> None:
    plan = vitamin_e(fed)
    batch = fed.pulled(fed.a_lot()["code"], "10 kg")["code"]
    bucket = in_a_bucket(fed, batch, {"plan": plan, "product": "E-250", "count": 1})
    address = f"/supplement-plans/{plan}/given"

    def e(count: float) -> Any:
        return {"supplements": [{"product": "E-250", "count": count}]}

    refused = fed.keeper.post(address, e(2))
    assert kind(refused) == "already-given" and bucket in refused.json()["detail"]
    fed.keeper.made(address, e(1))
    assert became(fed, bucket, "taken", 1)["breaches"] == []
    assert kind(fed.keeper.post(address, e(1))) == "already-given"


def test_what_was_in_a_cancelled_bucket_is_given_by_hand(fed: Kitchen) -> None:
    plan = vitamin_e(fed)
    batch = fed.pulled(fed.a_lot()["code"], "10 kg")["code"]
    bucket = in_a_bucket(fed, batch, {"plan": plan, "product": "E-250", "count": 2})
    body = {"supplements": [{"product": "E-250", "count": 2}]}
    address = f"/supplement-plans/{plan}/given"
    assert kind(fed.keeper.post(address, body)) == "already-given"
    fed.keeper.made(f"/buckets/{bucket}/cancel", {"reason": "not hungry"})
    assert fed.keeper.made(address, body)["breaches"] == []


def test_what_became_of_a_piece_is_corrected_for_that_bucket_and_that_piece_only(
    fed: Kitchen,
) -> None:
    plan = vitamin_e(fed)
    batch = fed.pulled(fed.a_lot()["code"], "10 kg")["code"]
    one = {"plan": plan, "product": "E-250", "count": 0.5}
    first = in_a_bucket(fed, batch, one | {"batch": "JAR 1"}, one | {"batch": "JAR 1"})
    second = in_a_bucket(fed, batch, one | {"batch": "JAR 2"})
    became(fed, first, "taken", 1, 2)
    became(fed, second, "taken", 1)
    became(fed, first, "spat_out", 2)
    rows = fed.keeper.shown("/animals/BRINE/supplements")["items"]
    assert [(r["batch"], r["outcome"], r["taken_back"]) for r in reversed(rows)] == [
        ("JAR 1", "given", None),
        ("JAR 1", "given", f"corrected in bucket {first}"),
        ("JAR 2", "given", None),
        ("JAR 1", "spat_out", None),
    ]


def test_a_second_dose_under_another_plan_is_no_first_one(fed: Kitchen) -> None:
    """200 mg in the morning; then a plan of one tablet of 125 mg is signed for the same day."""
    fed.keeper.made(an_order(fed), items())
    tablet(fed, "B1-125", {"THIA": (125, "mg")})
    address = an_order(fed)
    other = {"supplements": [{"product": "B1-125", "count": 1}]}
    refused = fed.keeper.post(address, other)
    assert kind(refused) == "already-given" and "325" in refused.json()["detail"]
    override = [{"rule": "already-given", "reason": "the first was for yesterday"}]
    assert fed.keeper.post(address, other | {"override": override}).status_code == 403
    fact = fed.keeper.made(address, other | {"already_done": True})
    assert [breach["rule"] for breach in fact["breaches"]] == ["already-given"]


def test_the_rest_of_a_dose_is_given_under_a_newer_plan(fed: Kitchen) -> None:
    """One tablet of 100 mg; then 100 + 25 mg are signed: 25 mg are the rest, 50 mg are not."""
    fed.keeper.made(an_order(fed), items(count=1))
    tablet(fed, "B1-25", {"THIA": (25, "mg")})
    address = an_order(fed)
    assert kind(fed.keeper.post(address, items(count=1))) == "already-given"
    rest = {"supplements": [{"product": "B1-25", "count": 1}]}
    assert fed.keeper.made(address, rest)["breaches"] == []
    assert kind(fed.keeper.post(address, rest)) == "already-given"


def test_a_stronger_batch_is_noticed_though_some_was_given_today(fed: Kitchen) -> None:
    """2 × 100 mg are signed, one was given; one of the next batch would make it 300 mg."""
    first = a_batch(fed, "L-1", 30)
    address = an_order(fed)
    fed.keeper.made(address, items(count=1))
    a_batch(fed, "STRONG", 30, "2027-12-31", mg=200)
    fed.commissary.made(f"/supplement-batches/{first}/counts", {"counted": 0, "reason": "broken"})
    assert kind(fed.keeper.post(address, items(count=1))) == "strength-differs"


def test_a_batch_that_calls_for_the_same_pieces_goes_with_the_first_and_the_second_feed(
    fed: Kitchen,
) -> None:
    """98 mg instead of 100: 125 mg are still two tablets."""
    first = a_batch(fed, "L-1", 30)
    address = an_order(fed)
    a_batch(fed, "L-2", 30, "2027-12-31", mg=98)
    fed.commissary.made(f"/supplement-batches/{first}/counts", {"counted": 0, "reason": "broken"})
    for _ in range(2):
        assert fed.keeper.made(address, items(count=1))["supplements"][0]["batch"] == "L-2"


def test_what_is_named_twice_does_not_come_out_of_the_same_piece_of_a_batch(fed: Kitchen) -> None:
    batches = a_batch(fed, "SOONER", 1, "2027-01-31"), a_batch(fed, "LATER", 30)
    address = an_order(fed)
    one = {"product": "B1-100", "count": 1}
    spat = one | {"outcome": "spat_out", "reason": "on the deck"}
    rows = fed.keeper.made(address, {"supplements": [one, spat]})["supplements"]
    assert [(r["batch"], r["outcome"]) for r in rows] == [
        ("SOONER", "given"),
        ("LATER", "spat_out"),
    ]
    assert [left(fed, batch) for batch in batches] == [0, 29]


def test_parts_of_pieces_that_nobody_gives_are_refused_by_field(fed: Kitchen) -> None:
    """Whole tablets only; of what has happened half a tablet can be true, a ten-millionth not."""
    address = an_order(fed)
    done = {"already_done": True}
    for body in (
        items(count=0.3),
        items(count=0.5),
        items(count=0.1000001) | done,
        items(count=1e-10) | done,
    ):
        refused = fed.keeper.post(address, body)
        assert refused.status_code == 422, body
        assert refused.json()["errors"][0]["field"] == "supplements.0.count"
    fact = fed.keeper.made(address, items(count=0.5) | done)
    assert fact["supplements"][0]["count"] == 0.5


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
    fact = fed.keeper.made(address, items(count=1) | {"already_done": True})
    assert [breach["rule"] for breach in fact["breaches"]] == ["already-given", "over-limit"]


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
    on_herring(fed)
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
