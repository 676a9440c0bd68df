"""Rounds, groups, the public, corrections: what becomes of the fish and of the record."""

from datetime import UTC, datetime, timedelta
from typing import Any

import httpx
import pytest
from sqlmodel import col, func, select

from service.feeding.models import AnimalIntake, Feed, FeedItem, GroupIntake
from service.ledger.models import Movement
from service.security.models import AuditEntry
from service.security.transactions import forget_old_keys
from tests.architecture.test_statements import counted
from tests.kitchen import START, Kitchen


def refusal(answer: httpx.Response) -> tuple[int, str]:
    return answer.status_code, answer.json()["type"].removeprefix("/problems/")


def a_batch(kitchen: Kitchen, mass: str = "10 kg", species: str = "CAP", to: str = "TANK1") -> str:
    return str(kitchen.pulled(kitchen.a_lot(species)["code"], mass, to=to)["code"])


def item(batch: str, offered: str = "1 kg", eaten: str = "1 kg", **more: Any) -> dict[str, Any]:
    return {"thaw_batch": batch, "offered": offered, "eaten": eaten, **more}


def fed(*items: dict[str, Any], animal: str = "BRINE", **more: Any) -> dict[str, Any]:
    return {"animal": animal, "items": list(items), **more}


def animals(kitchen: Kitchen, *codes: str) -> None:
    for code in codes:
        body = {"code": code, "name": code, "taxon": "Spheniscus demersus", "group": "penguin"}
        kitchen.keeper.made("/animals", body)


def a_group(kitchen: Kitchen, *codes: str) -> None:
    """The group COLONY, these animals in it since long ago."""
    animals(kitchen, *codes)
    since = "2026-01-01T00:00:00Z"
    kitchen.manager.made("/groups", {"code": "COLONY", "name": "Colony"})
    for code in codes:
        body = {"animal": code, "from": since}
        kitchen.manager.made("/groups/COLONY/members", body)


def eaten_of(kitchen: Kitchen, animal: str) -> tuple[int, int]:
    """Grams eaten by an animal, and of these the estimated ones."""
    record = kitchen.keeper.shown(f"/animals/{animal}/intake")
    return record["total"]["g"], record["estimated"]["g"]


# What became of it


def test_what_came_back_cold_is_in_its_batch_again_and_what_was_lost_is_lost(
    kitchen: Kitchen,
) -> None:
    batch = a_batch(kitchen)
    order = fed(item(batch, "2 kg", "1 kg", cold="0.5 kg", lost="0.2 kg"))
    (shown,) = kitchen.keeper.made("/feeds", order)["items"]
    assert [shown[k]["g"] for k in ("eaten", "left", "cold", "lost")] == [1000, 300, 500, 200]
    balance = kitchen.balance()
    assert [balance[a] for a in ("eaten", "left", "lost")] == [1000, 300, 200]
    assert kitchen.keeper.shown(f"/thaw-batches/{batch}")["remaining"]["g"] == 8_500


@pytest.mark.parametrize(
    ("more", "outcome"),
    [
        ({"eaten": "0.1 kg"}, "eaten"),
        ({"eaten": "0 kg"}, "refused"),
        ({"eaten": "0 kg", "cold": "1 kg"}, "not_offered"),
        ({"eaten": "0 kg", "lost": "1 kg"}, "not_offered"),
    ],
)
def test_refused_and_not_offered_are_told_apart(
    kitchen: Kitchen, more: dict[str, str], outcome: str
) -> None:
    answer = kitchen.keeper.made("/feeds", fed(item(a_batch(kitchen)) | more))
    assert answer["outcome"] == answer["items"][0]["outcome"] == outcome


def test_fish_that_was_lost_may_have_been_refused_if_the_keeper_says_so(kitchen: Kitchen) -> None:
    order = fed(item(a_batch(kitchen), eaten="0 kg", lost="1 kg"), outcome="refused")
    assert kitchen.keeper.made("/feeds", order)["outcome"] == "refused"


def test_a_feed_that_never_came_about_is_on_record_and_takes_no_fish(kitchen: Kitchen) -> None:
    order = fed(outcome="not_offered", note="the gate was shut")
    first = kitchen.keeper.made("/feeds", order)
    kitchen.keeper.made("/feeds", fed(outcome="refused"))
    (day,) = kitchen.keeper.shown("/animals/BRINE/intake")["days"]
    assert [day[k] for k in ("feeds", "refused", "not_offered")] == [0, 1, 1]
    kitchen.keeper.made(f"/feeds/{first['id']}/reversal", {"reason": "it was another day"})
    (day,) = kitchen.keeper.shown("/animals/BRINE/intake")["days"]
    assert (day["refused"], day["not_offered"]) == (1, 0)


def test_fish_are_counted_where_their_mean_mass_is_known(kitchen: Kitchen) -> None:
    # The product says 40 fish a kilogram: 25 g each.
    batch = a_batch(kitchen)
    count = {"thaw_batch": batch, "offered_count": 12, "eaten_count": 9, "cold_count": 1}
    (shown,) = kitchen.keeper.made("/feeds", fed(count))["items"]
    assert [shown[k]["g"] for k in ("offered", "eaten", "left", "cold")] == [300, 225, 50, 25]
    assert (shown["offered_count"], shown["eaten_count"]) == (12, 9)
    blocks = a_batch(kitchen, species="HER")
    answer = kitchen.keeper.post("/feeds", fed(count | {"thaw_batch": blocks}))
    assert refusal(answer) == (422, "validation")
    assert answer.json()["errors"][0]["field"] == "items.0.offered_count"


@pytest.mark.parametrize(
    "wrong",
    [
        {"offered": "1 kg"},
        {"eaten": "1 kg"},
        {"offered": "1 kg", "eaten": "0.6 kg", "cold": "0.5 kg"},
        {"offered": "1 kg", "eaten": "0.5 kg", "lost": "0.1 kg", "left": "0.5 kg"},
        {"offered_count": 2, "eaten_count": 3},
        {"offered_count": 2, "eaten_count": 1, "left_count": 0},
        {"offered_count": 2, "eaten": "1 kg"},
        {"offered_count": 0, "eaten_count": 0},
        {},
    ],
)
def test_an_item_that_does_not_add_up_names_itself(
    small_kitchen: Kitchen, wrong: dict[str, Any]
) -> None:
    batch = a_batch(small_kitchen)
    answer = small_kitchen.keeper.post("/feeds", fed({"thaw_batch": batch} | wrong))
    assert refusal(answer) == (422, "validation")
    assert answer.json()["errors"][0]["field"].startswith("items.0")


@pytest.mark.parametrize(
    "wrong",
    [
        {"animal": None},
        {"group": "COLONY"},
        {"present": 3},
        {"items": []},
        {"items": [], "outcome": "eaten"},
        {"animal": None, "kind": "public", "items": [], "outcome": "refused"},
    ],
)
def test_a_feed_says_who_was_fed_with_what(small_kitchen: Kitchen, wrong: dict[str, Any]) -> None:
    order = fed(item(a_batch(small_kitchen))) | wrong
    assert refusal(small_kitchen.keeper.post("/feeds", order)) == (422, "validation")


# Groups and the public


def test_what_a_group_ate_is_shared_to_the_gram_and_flagged_as_an_estimate(
    kitchen: Kitchen,
) -> None:
    a_group(kitchen, "P1", "P2", "P3")
    batch = a_batch(kitchen)
    order = {"group": "COLONY", "items": [item(batch, "1 kg", "0.8 kg")]}
    answer = kitchen.keeper.made("/feeds", order)
    assert (answer["present"], answer["estimated"]) == (3, True)
    shares = [eaten_of(kitchen, code) for code in ("P1", "P2", "P3")]
    assert sum(eaten for eaten, _ in shares) == 800
    assert all(eaten == estimated in (266, 267) for eaten, estimated in shares)
    record = kitchen.keeper.shown("/groups/COLONY/intake")
    assert (record["total"]["g"], record["estimated"]["g"]) == (800, 0)
    movement = f"/movements/{answer['movement_id']}/reversal"
    kitchen.keeper.made(movement, {"reason": "it was the other colony"})
    assert [eaten_of(kitchen, code) for code in ("P1", "P2", "P3")] == [(0, 0)] * 3


def test_more_were_there_than_are_known_by_name(kitchen: Kitchen) -> None:
    a_group(kitchen, "P1", "P2")
    order = {"group": "COLONY", "present": 4, "items": [item(a_batch(kitchen))]}
    kitchen.keeper.made("/feeds", order)
    assert [eaten_of(kitchen, code)[0] for code in ("P1", "P2")] == [250, 250]


def test_a_colony_that_is_counted_and_not_named_is_fed_by_its_number(kitchen: Kitchen) -> None:
    a_group(kitchen, "P1")
    kitchen.manager.made("/groups/COLONY/count", {"unnamed": 9})
    order = {"group": "COLONY", "items": [item(a_batch(kitchen))]}
    assert kitchen.keeper.made("/feeds", order)["present"] == 10
    assert eaten_of(kitchen, "P1") == (100, 100)


def test_those_who_were_named_had_it_and_the_others_not(kitchen: Kitchen) -> None:
    a_group(kitchen, "P1", "P2", "P3")
    order = {"group": "COLONY", "animals": ["p1", "p3"], "items": [item(a_batch(kitchen))]}
    assert kitchen.keeper.made("/feeds", order)["present"] == 2
    assert [eaten_of(kitchen, code)[0] for code in ("P1", "P2", "P3")] == [500, 0, 500]


def test_a_recall_names_every_animal_of_a_group_that_may_have_eaten_of_the_lot(
    kitchen: Kitchen,
) -> None:
    a_group(kitchen, "P1", "P2")
    lot = kitchen.a_lot("CAP")["code"]
    batch = kitchen.pulled(lot, "5 kg")["code"]
    kitchen.keeper.made("/feeds", {"group": "COLONY", "items": [item(batch, "1 kg", "0.7 kg")]})
    kitchen.keeper.made("/feeds", fed(item(batch, "0.5 kg", "0.5 kg"), animal="P1"))
    rows = kitchen.vet.shown(f"/lots/{lot}/fed")["items"]
    seen = [(r["animal"], r["feeds"], r["eaten"]["g"], r["estimated"]["g"]) for r in rows]
    assert seen == [("P1", 2, 850, 350), ("P2", 1, 350, 350)]
    (mine,) = kitchen.vet.shown("/animals/P2/lots")["items"]
    assert (mine["lot"], mine["eaten"]["g"], mine["estimated"]["g"]) == (lot, 350, 350)


def test_fish_for_the_public_to_feed_goes_to_an_account_of_its_own(kitchen: Kitchen) -> None:
    batch = a_batch(kitchen)
    kitchen.keeper.made("/feeds", {"kind": "public", "items": [item(batch, "2 kg", "1.5 kg")]})
    balance = kitchen.balance()
    assert (balance["public"], balance["left"], balance["eaten"]) == (1500, 500, 0)
    kitchen.keeper.made("/feeds", fed(item(batch), kind="public"))
    assert eaten_of(kitchen, "BRINE") == (1000, 1000), "nobody saw who ate it"


# A round


def test_a_round_is_stored_feed_by_feed_with_one_entry_in_the_trail(kitchen: Kitchen) -> None:
    animals(kitchen, "P1", "P2")
    batch = a_batch(kitchen)
    feeds = [fed(item(batch), animal=a) for a in ("P1", "P2", "BRINE")]
    with kitchen.looking() as session:
        before = session.exec(select(func.count(col(AuditEntry.id)))).one()
    answer = kitchen.keeper.made("/feed-rounds", {"feeds": feeds})
    assert answer["eaten"]["g"] == 3000 and len({f["movement_id"] for f in answer["feeds"]}) == 3
    assert [f["animal"] for f in answer["feeds"]] == ["P1", "P2", "BRINE"]
    with kitchen.looking() as session:
        assert session.exec(select(func.count(col(AuditEntry.id)))).one() == before + 1
    assert eaten_of(kitchen, "P2") == (1000, 0)


def test_of_a_round_all_is_stored_or_nothing_and_what_is_wrong_is_named(kitchen: Kitchen) -> None:
    batch = a_batch(kitchen)
    feeds = [fed(item(batch)), fed(item(batch, "20 kg", "1 kg")), fed(item(batch, "9 kg", "9 kg"))]
    answer = kitchen.keeper.post("/feed-rounds", {"feeds": feeds})
    assert refusal(answer) == (409, "not-enough-stock")
    assert [e["field"] for e in answer.json()["errors"]] == ["feeds.1"]
    assert kitchen.balance()["eaten"] == 0
    answer = kitchen.keeper.post("/feed-rounds", {"feeds": [feeds[0], fed(item("T0"))]})
    assert refusal(answer) == (404, "unknown-thaw-batch")
    assert answer.json()["errors"][0]["field"] == "feeds.1.items.0.thaw_batch"


def test_a_round_that_has_happened_is_stored_whatever_was_wrong_with_it(kitchen: Kitchen) -> None:
    batch = a_batch(kitchen)
    kitchen.clock.forward(hours=25)
    feeds = [fed(item(batch)), fed(item(batch, "20 kg", "19 kg"))]
    answer = kitchen.keeper.made("/feed-rounds", {"feeds": feeds, "already_done": True})
    rules = [[b["rule"] for b in f["breaches"]] for f in answer["feeds"]]
    assert rules == [["clock-from-freezer"], ["clock-from-freezer", "not-enough-stock"]]
    balance = kitchen.balance()
    assert (balance["eaten"], balance["left"]) == (20_000, 1000)
    assert (balance["count_difference"], balance["parcels"]) == (-11_000, 90_000)


def test_feeds_of_a_round_are_judged_each_at_its_own_time(kitchen: Kitchen) -> None:
    batch = a_batch(kitchen)
    kitchen.clock.forward(hours=25)
    at = [(START + timedelta(hours=24, seconds=s)).isoformat() for s in (-60, 0, 1)]
    feeds = [fed(item(batch), occurred_at=each) for each in at]
    answer = kitchen.keeper.post("/feed-rounds", {"feeds": feeds})
    assert [e["field"] for e in answer.json()["errors"]] == ["feeds.2"]
    answer = kitchen.keeper.made("/feed-rounds", {"feeds": feeds[:2]})
    assert answer["breaches"] == 0


def test_a_round_takes_as_many_statements_for_many_feeds_as_for_few(kitchen: Kitchen) -> None:
    animals(kitchen, *(f"P{n}" for n in range(12)))
    batches = [a_batch(kitchen, "10 kg"), a_batch(kitchen, "10 kg", "HER")]

    def sent(number: int) -> int:
        feeds = [
            fed(*(item(b, "10 g", "9 g") for b in batches), animal=f"P{n}") for n in range(number)
        ]
        with counted(kitchen) as statements:
            kitchen.keeper.made("/feed-rounds", {"feeds": feeds})
        return len(statements)

    sent(1)
    few, many = sent(2), sent(12)
    # On PostgreSQL many rows of the same two tables are copied, which is no statement here.
    assert few - many == (0 if kitchen.address.startswith("sqlite") else 2) and few <= 40


# Corrections


def test_a_correction_stands_in_place_of_what_was_recorded_and_is_a_fact(kitchen: Kitchen) -> None:
    batch = a_batch(kitchen)
    wrong = kitchen.keeper.made("/feeds", fed(item(batch, "2 kg", "2 kg")))
    kitchen.clock.forward(hours=30)
    order = {"reason": "misread", "feed": fed(item(batch, "11 kg", "1 kg"))}
    answer = kitchen.keeper.made(f"/feeds/{wrong['id']}/correction", order)
    right = answer["feed"]
    assert (right["corrects"], right["occurred_at"]) == (wrong["id"], wrong["occurred_at"])
    assert [b["rule"] for b in right["breaches"]] == ["not-enough-stock"], "no clock had ended"
    assert eaten_of(kitchen, "BRINE") == (1000, 0)
    shown = kitchen.keeper.shown(f"/feeds/{wrong['id']}")
    assert shown["taken_back"] and not kitchen.keeper.shown(f"/feeds/{right['id']}")["taken_back"]
    again = kitchen.keeper.post(f"/feeds/{wrong['id']}/correction", order)
    assert refusal(again) == (409, "already-reversed")
    assert kitchen.balance()["eaten"] == 1000


def test_a_correction_that_cannot_be_read_takes_nothing_back(kitchen: Kitchen) -> None:
    batch = a_batch(kitchen)
    wrong = kitchen.keeper.made("/feeds", fed(item(batch)))
    order = {"reason": "misread", "feed": fed(item("T0"))}
    answer = kitchen.keeper.post(f"/feeds/{wrong['id']}/correction", order)
    assert refusal(answer) == (404, "unknown-thaw-batch")
    assert not kitchen.keeper.shown(f"/feeds/{wrong['id']}")["taken_back"]
    assert refusal(kitchen.keeper.post("/feeds/999/reversal", {"reason": "why"})) == (
        404,
        "unknown-feed",
    )


# Clocks that are wrong, and requests that come again


@pytest.mark.parametrize("wrong_by_h", [1, -1])
def test_a_tablet_whose_clock_is_an_hour_wrong_is_corrected(
    kitchen: Kitchen, wrong_by_h: int
) -> None:
    batch = a_batch(kitchen)
    now = kitchen.clock.forward(hours=3)
    wrong = timedelta(hours=wrong_by_h)
    told = (now - timedelta(minutes=10) + wrong).isoformat()
    headers = {"Device-Time": (now + wrong).isoformat()}
    answer = kitchen.keeper.made("/feeds", fed(item(batch), occurred_at=told), headers=headers)
    assert datetime.fromisoformat(answer["occurred_at"]) == now - timedelta(minutes=10)
    assert answer["clock_corrected_s"] == -3600 * wrong_by_h
    answer = kitchen.keeper.made("/feeds", fed(item(batch)), headers=headers)
    assert datetime.fromisoformat(answer["occurred_at"]) == now, "what is not said is not wrong"


def test_a_clock_within_the_skew_is_taken_at_its_word(kitchen: Kitchen) -> None:
    batch = a_batch(kitchen)
    now = kitchen.clock.forward(hours=3)
    told = (now - timedelta(minutes=10)).isoformat()
    headers = {"Device-Time": (now - timedelta(minutes=5)).isoformat()}
    answer = kitchen.keeper.made("/feeds", fed(item(batch), occurred_at=told), headers=headers)
    assert datetime.fromisoformat(answer["occurred_at"]) == now - timedelta(minutes=10)
    future = (now + timedelta(minutes=30)).isoformat()
    answer = kitchen.keeper.post("/feeds", fed(item(batch), occurred_at=future), headers=headers)
    assert refusal(answer) == (422, "validation")
    headers = {"Device-Time": "yesterday"}
    assert kitchen.keeper.post("/feeds", fed(item(batch)), headers=headers).status_code == 422


@pytest.mark.parametrize("path", ["/feeds", "/feed-rounds"])
def test_what_a_tablet_sends_three_times_two_days_later_is_stored_once(
    kitchen: Kitchen, path: str
) -> None:
    batch = a_batch(kitchen)
    told = kitchen.clock().isoformat()
    order = fed(item(batch), occurred_at=told, already_done=True)
    body = order if path == "/feeds" else {"feeds": [order]}
    kitchen.clock.forward(days=2)
    key = {"Idempotency-Key": "tablet-7-42"}
    first = kitchen.keeper.made(path, body, headers=key)
    kitchen.clock.forward(days=40)
    with kitchen.writing() as session:
        forget_old_keys(session, at=kitchen.clock())
    assert [kitchen.keeper.made(path, body, headers=key) for _ in range(2)] == [first, first]
    assert kitchen.balance()["eaten"] == 1000


# A hold between pull and feed; a night with two two o'clocks


def test_fish_that_was_held_between_pull_and_feed_and_fed_all_the_same_is_on_record(
    kitchen: Kitchen,
) -> None:
    lot = kitchen.a_lot("CAP")["code"]
    batch = kitchen.pulled(lot, "5 kg")["code"]
    kitchen.vet.made(f"/lots/{lot}/holds", {"reason": "supplier recall"})
    assert refusal(kitchen.keeper.post("/feeds", fed(item(batch)))) == (409, "lot-on-hold")
    answer = kitchen.keeper.made("/feeds", fed(item(batch), already_done=True))
    assert [b["rule"] for b in answer["breaches"]] == ["lot-on-hold"]
    assert kitchen.vet.shown(f"/lots/{lot}/fed")["items"][0]["animal"] == "BRINE"


def test_the_long_night_of_autumn_is_one_civil_day_and_its_clock_runs_by_the_hour(
    kitchen: Kitchen,
) -> None:
    # Europe/Berlin goes back at 01:00 UTC on 25 October 2026: that day has 25 hours.
    site = kitchen.manager.shown("/sites")["items"][0]["code"]
    kitchen.manager.put(f"/sites/{site}", {"timezone": "Europe/Berlin"})
    kitchen.clock.at = datetime(2026, 10, 24, 22, 30, tzinfo=UTC)  # 00:30 of the 25th
    lot = kitchen.a_lot("CAP", arrived="2026-10-01T09:00:00Z")["code"]
    batch = kitchen.pulled(lot, "5 kg")["code"]
    kitchen.clock.forward(hours=24)  # 23:30 of the 25th, by a clock on the wall 23 h later
    assert kitchen.keeper.made("/feeds", fed(item(batch)))["breaches"] == []
    kitchen.clock.forward(minutes=30)
    late = kitchen.keeper.made("/feeds", fed(item(batch), already_done=True))
    assert [b["rule"] for b in late["breaches"]] == ["clock-from-freezer"]
    days = kitchen.keeper.shown("/animals/BRINE/intake")["days"]
    assert [(d["day"], d["feeds"]) for d in days] == [("2026-10-25", 1), ("2026-10-26", 1)]


# Lists, and the sums


def test_feeds_are_listed_newest_first_by_whom_they_were_and_how_they_went(
    kitchen: Kitchen,
) -> None:
    animals(kitchen, "P1")
    batch = a_batch(kitchen)
    for eaten, animal in (("1 kg", "P1"), ("0 kg", "BRINE"), ("0.5 kg", "P1")):
        kitchen.keeper.made("/feeds", fed(item(batch, eaten=eaten), animal=animal))
    every = kitchen.keeper.shown("/feeds")["items"]
    assert [f["animal"] for f in every] == ["P1", "BRINE", "P1"]
    page = kitchen.keeper.shown("/feeds?limit=2")
    rest = kitchen.keeper.shown(f"/feeds?limit=2&cursor={page['next']}")
    assert page["items"] + rest["items"] == every and rest["next"] is None
    assert [f["id"] for f in kitchen.keeper.shown("/feeds?outcome=refused")["items"]] == [
        every[1]["id"]
    ]
    assert len(kitchen.keeper.shown("/feeds?animal=p1")["items"]) == 2
    assert kitchen.keeper.shown("/feeds?from=2026-11-26")["items"] == []


def test_the_sums_are_what_the_feeds_that_stand_add_up_to(kitchen: Kitchen) -> None:
    a_group(kitchen, "P1", "P2", "P3")
    batches = [a_batch(kitchen), a_batch(kitchen, "20 kg", "HER")]
    made: list[int] = []
    for n in range(12):
        items = [item(b, f"{100 + n} g", f"{90 - 3 * n} g", lost="1 g") for b in batches]
        who = {"group": "COLONY"} if n % 3 == 0 else {"animal": f"P{n % 3 + 1}"}
        kind = "public" if n % 4 == 0 else "meal"
        answer = kitchen.keeper.made("/feeds", {**who, "kind": kind, "items": items})
        made.append(answer["id"])
        kitchen.clock.forward(hours=1)
    for n in (0, 4, 7):
        kitchen.keeper.made(f"/feeds/{made[n]}/reversal", {"reason": "it never was"})
    with kitchen.looking() as session:
        undone = set(session.exec(select(Movement.reverses_id)).all())
        stand = {f.id: f for f in session.exec(select(Feed)) if f.movement_id not in undone}
        items_ = [i for i in session.exec(select(FeedItem)) if i.feed_id in stand]
        of_animals = session.exec(select(AnimalIntake)).all()
        of_groups = session.exec(select(GroupIntake)).all()
    for name in ("offered_g", "eaten_g", "left_g", "cold_g", "lost_g"):
        grouped = [i for i in items_ if stand[i.feed_id].group_id is not None]
        assert sum(getattr(row, name) for row in of_animals) == sum(
            getattr(i, name) for i in items_
        ), name
        assert sum(getattr(row, name) for row in of_groups) == sum(
            getattr(i, name) for i in grouped
        ), name
    by_name = [f for f in stand.values() if f.animal_id is not None]
    groups = [f for f in stand.values() if f.group_id is not None]
    assert sum(row.feeds for row in of_animals) == len(by_name) + 3 * len(groups)
