"""Standing orders: they stay while the pieces stay, and say in words why they do not."""

import random
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import pytest
from sqlalchemy import text
from sqlalchemy.exc import DBAPIError

from alembic import command
from service.migrations import configuration
from service.worker import look_after_orders
from tests.kitchen import Kitchen
from tests.supplements.test_plans import pieces, planned, require, tablet

TODAY, TOMORROW = "2026-11-25", "2026-11-26"


@pytest.fixture
def fed(kitchen: Kitchen) -> Kitchen:
    """Brine eats 3 kg herring and 2 kg capelin a day; thiamine tablets of 100 mg are there.

    Thiamine 25 mg/kg by the catalogue: 125 mg, 2 tablets.
    """
    on_diet(kitchen, her=3, cap=2)
    tablet(kitchen, "B1-100", {"THIA": (100, "mg")})
    return kitchen


def on_diet(kitchen: Kitchen, *, her: float, cap: float, **more: Any) -> None:
    items = [{"species": "HER", "mass": f"{her} kg"}, {"species": "CAP", "mass": f"{cap} kg"}]
    kitchen.nutritionist.made(
        "/animals/BRINE/diets",
        {"from": "2026-11-01", "items": [i for i in items if i["mass"] != "0 kg"], **more},
    )


def signed(kitchen: Kitchen, **more: Any) -> Any:
    plan = planned(kitchen, **more)
    return kitchen.nutritionist.made(f"/supplement-plans/{plan['id']}/sign-off", {})


def orders(kitchen: Kitchen, **query: str) -> list[Any]:
    asked = "&".join(f"{name}={value}" for name, value in query.items())
    items: list[Any] = kitchen.keeper.shown(f"/supplement-orders?{asked}")["items"]
    return items


def states(kitchen: Kitchen) -> list[tuple[str, int]]:
    return [(order["state"], order["plan"]) for order in orders(kitchen)]


def review(kitchen: Kitchen) -> Any:
    return kitchen.keeper.made("/supplement-orders/review", {})


def test_an_order_stays_while_the_pieces_stay_though_the_figures_move(fed: Kitchen) -> None:
    """150 mg instead of 125 mg of thiamine: still 2 tablets of 100 mg."""
    order = signed(fed)
    on_diet(fed, her=4, cap=2, **{"from": TODAY})
    found = review(fed)
    assert (found["reviewed"], found["items"]) == (1, [])
    (shown,) = orders(fed)
    assert (shown["state"], shown["plan"], shown["changed"]) == ("in_force", order["id"], False)
    assert "Atlantic herring 3 kg → 4 kg" in shown["differences"]


def test_an_order_lapses_when_other_pieces_are_called_for_and_says_why(fed: Kitchen) -> None:
    """9 kg × 25 mg/kg = 225 mg: 3 tablets instead of 2."""
    order = signed(fed)
    on_diet(fed, her=7, cap=2, **{"from": TODAY})
    (lapsed,) = review(fed)["items"]
    assert lapsed["plan"] == order["id"]
    assert lapsed["end"]["differences"][:2] == [
        "B1-100: 2 → 3 pieces because 125 → 225 mg of thiamine are to be added",
        "Atlantic herring 3 kg → 7 kg",
    ]
    proposal = lapsed["end"]["next_plan"]
    assert states(fed) == [("proposed", proposal), ("lapsed", order["id"])]
    (message,) = fed.vet.shown("/messages")["items"]
    assert (message["subject"], message["urgency"]) == ("supplement", "today")
    assert "BRINE" in message["title"] and "3 kg → 7 kg" in message["body"]
    assert review(fed)["items"] == [], "told once"
    fed.vet.made(f"/supplement-plans/{proposal}/sign-off", {})
    assert states(fed) == [("in_force", proposal)]
    shown = fed.keeper.shown(f"/supplement-plans/{order['id']}")
    assert shown["status"] == "signed" and shown["supplements"] == order["supplements"]
    assert [end["why"] for end in shown["ends"]] == ["lapsed"]


def test_an_order_that_would_cross_a_limit_lapses_and_people_are_told_at_once(
    fed: Kitchen,
) -> None:
    signed(fed)
    require(fed, "THIA", 25, "mg", limit=150, limit_on="added")
    (lapsed,) = review(fed)["items"]
    assert lapsed["end"]["differences"][0] == (
        "limit of thiamine would be crossed: 200 mg in the pieces, 150 may be added"
    )
    (message,) = fed.vet.shown("/messages")["items"]
    assert message["urgency"] == "now"


def test_what_has_lapsed_is_not_given_even_before_anybody_has_looked(fed: Kitchen) -> None:
    order = signed(fed)
    on_diet(fed, her=7, cap=2, **{"from": TODAY})
    given = {"supplements": [{"product": "B1-100", "count": 2}]}
    address = f"/supplement-plans/{order['id']}/given"
    for _ in range(2):  # before a review, and after it
        refused = fed.keeper.post(address, given)
        assert refused.json()["type"] == "/problems/not-signed"
        assert "Atlantic herring 3 kg → 7 kg" in refused.json()["detail"]
        review(fed)
    fact = fed.keeper.made(address, given | {"already_done": True})
    assert [breach["rule"] for breach in fact["breaches"]] == ["not-signed"]


def test_the_worker_finds_orders_that_do_not_hold_any_more(fed: Kitchen) -> None:
    order = signed(fed)
    on_diet(fed, her=7, cap=2, **{"from": TODAY})
    for _ in range(2):
        look_after_orders(fed.app.state.database, fed.clock)
    assert ("lapsed", order["id"]) in states(fed)
    assert len(fed.vet.shown("/messages")["items"]) == 1
    assert len(orders(fed, state="proposed")) == 1


def test_a_substitution_for_one_day_stops_an_order_for_that_day_only(
    small_kitchen: Kitchen,
) -> None:
    """Of 10 kg herring 6 kg are given up for capelin of the same energy: its mass is another,
    so are the tablets. Tomorrow the diet is what it was, and so is the order."""
    fed = small_kitchen
    item = {"species": "HER", "mass": "10 kg", "substitutes": ["CAP"]}
    fed.nutritionist.made("/animals/BRINE/diets", {"from": "2026-11-01", "items": [item]})
    tablet(fed, "B1-25", {"THIA": (25, "mg")})
    order = signed(fed)
    swap = {
        "animal": "BRINE",
        "day": TODAY,
        "species": "HER",
        "substitute": "CAP",
        "mass": "6 kg",
        "reason": "no herring is thawed",
    }
    fed.nutritionist.made("/substitutions", swap)
    (lapsed,) = review(fed)["items"]
    assert (lapsed["end"]["from"], lapsed["end"]["until"]) == (TODAY, TODAY)
    proposal = fed.keeper.shown(f"/supplement-plans/{lapsed['end']['next_plan']}")
    assert (proposal["day"], proposal["until"]) == (TODAY, TODAY)
    assert pieces(proposal) != pieces(order)
    fed.nutritionist.made(f"/supplement-plans/{proposal['id']}/sign-off", {})
    assert ("in_force", proposal["id"]) in states(fed)
    fed.clock.forward(days=1)
    assert states(fed) == [("in_force", order["id"])]
    assert review(fed)["items"] == []


def test_what_was_given_today_is_not_ordered_anew_today(fed: Kitchen) -> None:
    order = signed(fed)
    fed.keeper.made(
        f"/supplement-plans/{order['id']}/given",
        {"supplements": [{"product": "B1-100", "count": 2}]},
    )
    on_diet(fed, her=7, cap=2, **{"from": TODAY})
    (lapsed,) = review(fed)["items"]
    assert (lapsed["end"]["from"], lapsed["end"]["until"]) == (TOMORROW, None)
    assert ("in_force", order["id"]) in states(fed)
    fed.clock.forward(days=1)
    assert ("lapsed", order["id"]) in states(fed)


def test_an_animal_that_fasts_keeps_its_order_and_nothing_is_due(fed: Kitchen) -> None:
    order = signed(fed)
    fast = {"from": TODAY, "until": TODAY, "reason": "surgery", "ordered_by": "Dr. Alder"}
    fed.vet.made("/animals/BRINE/fasts", fast)
    assert review(fed)["items"] == []
    assert fed.keeper.shown("/supplement-round")["items"] == []
    assert states(fed) == [("in_force", order["id"])]
    given = {"supplements": [{"product": "B1-100", "count": 2}]}
    refused = fed.keeper.post(f"/supplement-plans/{order['id']}/given", given)
    assert refused.json()["type"] == "/problems/not-signed"
    tomorrow = fed.keeper.shown(f"/supplement-round?day={TOMORROW}")["items"]
    assert [(line["product"], line["due"]) for line in tomorrow] == [("B1-100", 2)]


def test_an_order_is_replaced_by_the_one_that_is_signed_after_it(fed: Kitchen) -> None:
    first = signed(fed)
    on_diet(fed, her=7, cap=2, **{"from": TOMORROW})
    second = signed(fed, day=TOMORROW)
    assert states(fed) == [("in_force", first["id"]), ("to_come", second["id"])]
    fed.clock.forward(days=1)
    assert states(fed) == [("in_force", second["id"])]
    (end,) = fed.keeper.shown(f"/supplement-plans/{first['id']}")["ends"]
    assert (end["why"], end["from"], end["next_plan"]) == ("replaced", TOMORROW, second["id"])


def test_an_order_for_some_days_ends_by_itself_and_the_longer_one_holds_again(
    fed: Kitchen,
) -> None:
    longer = signed(fed)
    many = fed.nutritionist.made(
        "/supplement-plans/many", {"animals": ["BRINE"], "day": TODAY, "until": TOMORROW}
    )
    (some_days,) = many["items"]
    assert some_days["until"] == TOMORROW
    fed.nutritionist.made(f"/supplement-plans/{some_days['id']}/sign-off", {})
    assert states(fed) == [("in_force", some_days["id"])]
    fed.clock.forward(days=2)
    assert states(fed) == [("in_force", longer["id"])]


def test_an_order_is_withdrawn_with_a_reason_and_not_by_a_keeper(fed: Kitchen) -> None:
    order = signed(fed)
    address = f"/supplement-plans/{order['id']}/withdrawal"
    reason = {"reason": "a rash since yesterday"}
    assert fed.keeper.post(address, reason).status_code == 403
    assert fed.vet.post(address, {}).status_code == 422
    (end,) = fed.vet.made(address, reason)["ends"]
    assert (end["why"], end["reason"], end["by"]) == ("withdrawn", reason["reason"], "vet")
    assert states(fed) == [("withdrawn", order["id"])]
    assert fed.vet.post(address, reason).json()["type"] == "/problems/already-ended"
    given = {"supplements": [{"product": "B1-100", "count": 2}]}
    refused = fed.keeper.post(f"/supplement-plans/{order['id']}/given", given)
    assert "a rash since yesterday" in refused.json()["detail"]
    unsigned = planned(fed)
    refused = fed.vet.post(f"/supplement-plans/{unsigned['id']}/withdrawal", reason)
    assert (refused.status_code, refused.json()["type"]) == (409, "/problems/not-signed")


def another_animal(kitchen: Kitchen, code: str, her: float = 3) -> None:
    kitchen.manager.made(
        "/animals",
        {"code": code, "name": code, "taxon": "Zalophus californianus", "group": "pinniped"},
    )
    items = [{"species": "HER", "mass": f"{her} kg"}]
    kitchen.nutritionist.made(f"/animals/{code}/diets", {"from": "2026-11-01", "items": items})


def test_many_plans_are_signed_with_one_signature_or_none_is(fed: Kitchen) -> None:
    for n in range(3):
        another_animal(fed, f"SEAL{n}")
    plans = fed.nutritionist.made("/supplement-plans/many", {"day": TODAY})["items"]
    numbers = [plan["id"] for plan in plans]
    body = {"plans": numbers, "meaning": "Checked against the assays of November"}
    assert fed.keeper.post("/supplement-plans/sign-off", body).status_code == 403
    missing = fed.vet.post("/supplement-plans/sign-off", {"plans": [*numbers, 999]})
    assert missing.json()["errors"][0]["field"] == "plans.4"

    fed.nutritionist.made(  # 12 kg: 300 mg, 3 tablets
        "/animals/SEAL1/diets",
        {"from": TODAY, "items": [{"species": "HER", "mass": "12 kg"}]},
    )
    refused = fed.vet.post("/supplement-plans/sign-off", body)
    assert refused.json()["type"] == "/problems/plan-out-of-date"
    (stale,) = refused.json()["plans"]
    assert "Atlantic herring 3 kg → 12 kg" in stale["differences"]
    assert orders(fed, state="in_force") == []

    (again,) = fed.nutritionist.made(
        "/supplement-plans/many", {"animals": ["SEAL1"], "day": TODAY}
    )["items"]
    body["plans"] = [again["id"], *(n for n in numbers if n != stale["plan"])]
    done = fed.vet.made("/supplement-plans/sign-off", body)
    assert (done["meaning"], done["signed_by"], done["signed_as"]) == (
        body["meaning"],
        "vet",
        "vet",
    )
    assert done["signed_at"] == "2026-11-25T06:00:00Z"
    standing = orders(fed, state="in_force")
    assert {order["plan"] for order in standing} == set(body["plans"])
    assert {order["meaning"] for order in standing} == {body["meaning"]}
    with fed.looking() as session:
        assert session.execute(text("SELECT count(*) FROM supplement_signature")).scalar() == 1


def test_two_plans_of_one_animal_for_one_day_are_not_signed_together(fed: Kitchen) -> None:
    both = [planned(fed)["id"], planned(fed)["id"]]
    refused = fed.vet.post("/supplement-plans/sign-off", {"plans": both})
    assert (refused.status_code, refused.json()["errors"][0]["field"]) == (422, "plans")


def test_a_plan_that_would_cross_a_limit_by_now_is_not_signed(fed: Kitchen) -> None:
    plan = planned(fed)
    require(fed, "THIA", 25, "mg", limit=150, limit_on="added")
    refused = fed.vet.post(f"/supplement-plans/{plan['id']}/sign-off", {})
    assert (refused.status_code, refused.json()["type"]) == (409, "/problems/over-limit")


def test_a_plan_from_feeds_is_an_order_of_its_day_only(fed: Kitchen) -> None:
    batch = fed.pulled(fed.a_lot()["code"], "10 kg")
    item = {"thaw_batch": batch["code"], "offered": "2 kg", "eaten": "2 kg"}
    fed.keeper.made("/feeds", {"animal": "BRINE", "items": [item]})
    standing = signed(fed)
    of_today = signed(fed, basis="feeds")
    assert states(fed) == [("in_force", of_today["id"])]
    fed.clock.forward(days=1)
    assert states(fed) == [("in_force", standing["id"])]


def test_differences_between_two_plans_are_said_in_words(fed: Kitchen) -> None:
    order = signed(fed)
    fed.keeper.made("/animals/BRINE/weights", {"mass": "104 kg"})
    require(fed, "THIA", 50, "mg")
    newer = planned(fed)
    said = fed.keeper.shown(f"/supplement-plans/{newer['id']}/differences")
    assert (said["against"], said["changed"]) == (order["id"], True)
    assert said["differences"] == [
        "B1-100: 2 → 3 pieces because 125 → 250 mg of thiamine are to be added",
        "weight unknown → 104 kg",
        "thiamine required: 25 mg a kg of food → 50 mg a kg of food",
    ]
    today = fed.keeper.shown(f"/supplement-plans/{order['id']}/differences")
    assert (today["against"], today["changed"]) == (None, True)
    another_animal(fed, "SEAL")
    other = planned(fed, animal="SEAL")
    answer = fed.keeper.get(f"/supplement-plans/{order['id']}/differences?against={other['id']}")
    assert answer.json()["errors"][0]["field"] == "against"


def test_orders_are_listed_as_a_table_too(fed: Kitchen) -> None:
    order = signed(fed)
    table = fed.keeper.get("/supplement-orders", headers={"Accept": "text/csv"})
    header, row = table.text.strip().splitlines()
    assert header.startswith("site,animal,state,plan")
    assert row.startswith(f"MAIN,BRINE,in_force,{order['id']}")


def test_the_database_itself_refuses_to_alter_a_signed_order(fed: Kitchen) -> None:
    first = signed(fed)
    on_diet(fed, her=7, cap=2, **{"from": TODAY})
    signed(fed)
    for change in (
        "UPDATE supplement_plan SET document = '{}'",
        "UPDATE supplement_plan SET status = 'proposed'",
        "UPDATE supplement_plan SET until_day = '2027-01-01'",
        "UPDATE supplement_plan SET signed_by = 'somebody else'",
        "DELETE FROM supplement_plan",
        "UPDATE supplement_signature SET meaning = 'nothing'",
        "DELETE FROM supplement_order_end",
        "UPDATE supplement_order_end SET why = 'withdrawn'",
    ):
        with pytest.raises(DBAPIError), fed.writing() as session:
            session.execute(text(change))
    shown = fed.keeper.shown(f"/supplement-plans/{first['id']}")
    assert shown["supplements"] == first["supplements"]


def test_nobody_deletes_a_proposal_or_changes_it(fed: Kitchen) -> None:
    planned(fed)
    for change in (
        "DELETE FROM supplement_plan",
        "UPDATE supplement_plan SET document = '{}'",
        "UPDATE supplement_plan SET status = 'signed'",
    ):
        with pytest.raises(DBAPIError), fed.writing() as session:
            session.execute(text(change))


def test_of_two_plans_signed_at_once_one_is_in_force(fed: Kitchen) -> None:
    """Both are signed, one after the other; never both in force, never none."""
    plans = [planned(fed)["id"] for _ in range(2)]
    people = [fed.nutritionist, fed.vet]
    with ThreadPoolExecutor(2) as pool:
        answers = list(
            pool.map(
                lambda pair: pair[0].post(f"/supplement-plans/{pair[1]}/sign-off", {}),
                zip(people, plans, strict=True),
            )
        )
    assert [answer.status_code for answer in answers] == [200, 200]
    (in_force,) = orders(fed, state="in_force")
    (other,) = set(plans) - {in_force["plan"]}
    (end,) = fed.keeper.shown(f"/supplement-plans/{other}")["ends"]
    assert (end["why"], end["next_plan"]) == ("replaced", in_force["plan"])


def test_one_plan_signed_by_two_at_once_has_one_signature(fed: Kitchen) -> None:
    plan = planned(fed)["id"]
    with ThreadPoolExecutor(2) as pool:
        answers = list(
            pool.map(
                lambda person: person.post(f"/supplement-plans/{plan}/sign-off", {}),
                [fed.nutritionist, fed.vet],
            )
        )
    assert sorted(answer.status_code for answer in answers) == [200, 409]


@pytest.mark.parametrize("seed", range(4))
def test_no_order_in_force_passes_a_limit_and_no_signed_one_changes_whatever_happens(
    small_kitchen: Kitchen, seed: int
) -> None:
    """Diets, requirements, limits and products change at random; plans are signed and reviewed.

    The strength is taken from the catalogue and the limit from the requirement, not from plans.
    """
    chance = random.Random(seed)
    fed = small_kitchen
    on_diet(fed, her=3, cap=2)
    tablet(fed, "B1-100", {"THIA": (100, "mg")}, divisible="half")
    limit, last = 1e9, None
    documents: dict[int, Any] = {}
    for _ in range(14):
        happens = chance.choice(["diet", "limit", "product", "sign", "sign", "review", "night"])
        if happens == "diet":
            day = fed.clock().date().isoformat()
            on_diet(fed, her=chance.randint(1, 9), cap=chance.randint(1, 5), **{"from": day})
        elif happens == "limit":
            limit = chance.choice([50, 100, 150, 300])
            more: dict[str, Any] = {} if last is None else {"replaces": last}
            amount = chance.choice([10, 25, 40])
            last = require(fed, "THIA", amount, "mg", limit=limit, limit_on="added", **more)["id"]
        elif happens == "product":
            tablet(fed, f"B1-{len(documents)}-{chance.random():.6f}", {"THIA": (30, "mg")})
        elif happens == "sign":
            plan = planned(fed, day=fed.clock().date().isoformat())
            answer = fed.vet.post(f"/supplement-plans/{plan['id']}/sign-off", {})
            assert answer.status_code == 200, answer.text
            documents[plan["id"]] = answer.json()["supplements"]
        elif happens == "night":
            fed.clock.forward(days=1)
        review(fed)
        for order in orders(fed, state="in_force"):
            thiamine = sum(
                s["count"] * (100 if s["product"] == "B1-100" else 30) for s in order["supplements"]
            )
            assert thiamine <= limit, (happens, order)
        for number, supplements in documents.items():
            assert fed.keeper.shown(f"/supplement-plans/{number}")["supplements"] == supplements
    assert documents


def test_plans_that_an_older_service_signed_stand_as_they_stood(kitchen: Kitchen) -> None:
    """Back to the revision before and up again: signatures and ends are made from the plans."""
    on_diet(kitchen, her=3, cap=2)
    tablet(kitchen, "B1-100", {"THIA": (100, "mg")})
    first, second = signed(kitchen), signed(kitchen)
    address = f"/supplement-plans/{second['id']}/given"
    one = {"product": "B1-100", "count": 1}
    omitted = {**one, "outcome": "omitted", "reason": "was asleep"}
    kitchen.keeper.made(address, {"supplements": [one, omitted]})
    wrong = kitchen.keeper.made(address, {"supplements": [one]})["id"]
    kitchen.keeper.made(f"/supplements-given/{wrong}/reversal", {"reason": "another animal"})

    command.downgrade(configuration(kitchen.address), "0026")
    with kitchen.app.state.database.reader.connect() as connection:
        assert connection.execute(text("SELECT count FROM supplement_given")).scalars().all() == [1]
    command.upgrade(configuration(kitchen.address), "head")

    assert states(kitchen) == [("in_force", second["id"])]
    (end,) = kitchen.keeper.shown(f"/supplement-plans/{first['id']}")["ends"]
    assert (end["why"], end["next_plan"]) == ("replaced", second["id"])
    rows = kitchen.keeper.shown("/animals/BRINE/supplements")["items"]
    assert [(row["outcome"], row["count"]) for row in rows] == [("given", 1)]


def test_a_plan_from_feeds_that_an_older_service_signed_has_ended_no_standing_order(
    kitchen: Kitchen,
) -> None:
    on_diet(kitchen, her=3, cap=2)
    tablet(kitchen, "B1-100", {"THIA": (100, "mg")})
    batch = kitchen.pulled(kitchen.a_lot()["code"], "10 kg")
    item = {"thaw_batch": batch["code"], "offered": "2 kg", "eaten": "2 kg"}
    kitchen.keeper.made("/feeds", {"animal": "BRINE", "items": [item]})
    standing = signed(kitchen)
    of_today = signed(kitchen, basis="feeds")

    command.downgrade(configuration(kitchen.address), "0026")
    command.upgrade(configuration(kitchen.address), "head")

    assert states(kitchen) == [("in_force", of_today["id"])]
    assert kitchen.keeper.shown(f"/supplement-plans/{standing['id']}")["ends"] == []
    kitchen.clock.forward(days=1)
    assert states(kitchen) == [("in_force", standing["id"])]


def test_withdrawing_an_order_for_some_days_does_not_bring_the_longer_one_back(
    fed: Kitchen,
) -> None:
    long = planned(fed)
    fed.vet.made(f"/supplement-plans/{long['id']}/sign-off", {})
    some_days = {"animals": ["BRINE"], "day": "2026-11-25", "until": "2026-11-27"}
    require(fed, "THIA", 45, "mg")
    (short,) = fed.nutritionist.made("/supplement-plans/many", some_days)["items"]
    fed.vet.made(f"/supplement-plans/{short['id']}/sign-off", {})
    stop = {"reason": "stop, she vomits"}
    fed.vet.made(f"/supplement-plans/{short['id']}/withdrawal", stop)

    def due(day: str) -> set[int]:
        items = fed.keeper.shown(f"/supplement-round?day={day}")["items"]
        return {line["plan"] for line in items}

    assert due("2026-11-25") == due("2026-11-27") == set()
    assert due("2026-11-28") == {long["id"]}


def test_a_round_says_the_hour_of_its_own_day(fed: Kitchen) -> None:
    plan = planned(fed)
    fed.vet.made(f"/supplement-plans/{plan['id']}/sign-off", {})
    items = fed.keeper.shown("/supplement-round?day=2026-11-29")["items"]
    hours = {each["at"] for line in items for each in line["givings"] if each["at"]}
    assert hours and all(hour.startswith("2026-11-29") for hour in hours)


def test_what_was_given_against_a_rule_is_told_at_once_where_it_was_too_much(
    fed: Kitchen,
) -> None:
    plan = planned(fed)
    fed.vet.made(f"/supplement-plans/{plan['id']}/sign-off", {})
    given = {"supplements": [{"product": "B1-100", "count": 2}]}
    fed.keeper.made(f"/supplement-plans/{plan['id']}/given", given)
    fed.keeper.made(f"/supplement-plans/{plan['id']}/given", given | {"already_done": True})
    told = fed.vet.shown("/messages")["items"]
    (message,) = [m for m in told if "against a rule" in m["title"]]
    assert (message["subject"], message["urgency"]) == ("supplement", "now")
    assert "B1-100" in message["body"]
