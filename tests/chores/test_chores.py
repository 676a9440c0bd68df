"""Chores: a list of what is due, told once when it is overdue."""

from datetime import UTC, datetime
from typing import Any

from sqlmodel import col, select

from service.chores.actions import find_overdue, tell_overdue
from service.chores.models import OverdueChore
from service.notifications.models import Message
from tests.architecture.test_statements import counted
from tests.kitchen import Kitchen


def chores(kitchen: Kitchen, query: str = "") -> dict[tuple[str, str | None], Any]:
    items = kitchen.keeper.shown(f"/chores{query}")["items"]
    return {(item["chore"], item["place"] or item["equipment"]): item for item in items}


def state(kitchen: Kitchen, chore: str, where: str) -> str:
    found: str = chores(kitchen)[chore, where]["state"]
    return found


def sanitised(kitchen: Kitchen, **more: Any) -> Any:
    return kitchen.commissary.made("/checks", {"kind": "sanitised", "method": "steam", **more})


def look(kitchen: Kitchen) -> int:
    with kitchen.looking() as session:
        found = find_overdue(session, kitchen.clock())
    with kitchen.writing() as session:
        return tell_overdue(session, found, kitchen.clock())


def told(kitchen: Kitchen) -> list[Message]:
    with kitchen.looking() as session:
        return list(session.exec(select(Message).where(col(Message.subject) == "check")))


def all_done(kitchen: Kitchen) -> None:
    for place in ("FZ1", "FZ2", "COOL"):
        kitchen.keeper.made("/checks", {"kind": "cleaned", "place": place})
    for place in ("ROOM", "KITCHEN", "TANK1"):
        sanitised(kitchen, place=place)
    for equipment in ("buckets", "utensils"):
        sanitised(kitchen, equipment=equipment)


def test_each_place_and_the_equipment_have_their_chores(kitchen: Kitchen) -> None:
    found = chores(kitchen)
    assert {key for key in found if key[1] in ("KITCHEN", "FZ1", "TANK1")} == {
        ("kitchen_clean", "KITCHEN"),
        ("kitchen_sanitise", "KITCHEN"),
        ("container_check", "KITCHEN"),
        ("store_clean", "FZ1"),
        ("tank_sanitise", "TANK1"),
        ("container_check", "TANK1"),
    }
    assert ("buckets_sanitise", "buckets") in found and ("utensils_sanitise", "utensils") in found
    never = found["kitchen_clean", "KITCHEN"]
    assert (never["state"], never["last_done_at"], never["done_by"]) == (
        "not_known",
        None,
        ["cleaned", "sanitised"],
    )
    assert found["container_check", "KITCHEN"]["state"] == "in_order", "no fish stands there"


def test_the_kitchen_is_cleaned_daily_and_sanitised_weekly(kitchen: Kitchen) -> None:
    """9 CFR 3.107(b). The site's zone is UTC; it is six in the morning."""
    all_done(kitchen)
    assert not chores(kitchen, "?state=due&state=overdue&state=not_known")
    kitchen.clock.forward(days=1)
    assert state(kitchen, "kitchen_clean", "KITCHEN") == "due"
    assert state(kitchen, "kitchen_sanitise", "KITCHEN") == "in_order"
    kitchen.keeper.made("/checks", {"kind": "cleaned", "place": "KITCHEN"})
    assert state(kitchen, "kitchen_clean", "KITCHEN") == "in_order"
    kitchen.clock.forward(days=6)
    assert state(kitchen, "kitchen_sanitise", "KITCHEN") == "due"
    assert state(kitchen, "store_clean", "FZ2") == "due"
    kitchen.clock.forward(days=1)
    assert state(kitchen, "kitchen_sanitise", "KITCHEN") == "overdue"
    assert state(kitchen, "kitchen_clean", "KITCHEN") == "overdue"


def test_a_stricter_site_sanitises_daily(kitchen: Kitchen) -> None:
    all_done(kitchen)
    change = {"changes": {"kitchen_sanitise": 1}, "reason": "as Couquiaud advises"}
    assert kitchen.manager.put("/sites/main/policy", change).status_code == 200
    kitchen.clock.forward(days=1)
    assert state(kitchen, "kitchen_sanitise", "KITCHEN") == "due"
    never = {"changes": {"kitchen_sanitise": 8}, "reason": "less work"}
    assert kitchen.manager.put("/sites/main/policy", never).status_code == 422


def test_a_tank_is_sanitised_after_its_fish_has_gone(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot()["code"]
    all_done(kitchen)
    kitchen.clock.forward(hours=1)
    batch = kitchen.pulled(lot, "10 kg")["code"]
    assert state(kitchen, "tank_sanitise", "TANK1") == "in_order"
    kitchen.clock.forward(hours=10)
    body = {"mass": "10 kg", "reason": "nobody wanted it"}
    kitchen.keeper.made(f"/thaw-batches/{batch}/discard", body)
    kitchen.clock.forward(minutes=1)
    assert state(kitchen, "tank_sanitise", "TANK1") == "due"
    kitchen.clock.forward(hours=4)
    assert state(kitchen, "tank_sanitise", "TANK1") == "overdue"
    kitchen.keeper.made("/checks", {"kind": "cleaned", "place": "TANK1"})
    assert state(kitchen, "tank_sanitise", "TANK1") == "overdue", "cleaned is not sanitised"
    sanitised(kitchen, place="TANK1")
    assert state(kitchen, "tank_sanitise", "TANK1") == "in_order"


def test_buckets_are_sanitised_after_a_feed(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot("CAP")["code"]
    all_done(kitchen)
    batch = kitchen.pulled(lot, "12 kg")["code"]
    kitchen.clock.forward(hours=8)
    kitchen.keeper.made(f"/thaw-batches/{batch}/thawed", {})
    item = {"thaw_batch": batch, "offered": "2 kg", "eaten": "2 kg"}
    kitchen.keeper.made("/feeds", {"animal": "BRINE", "items": [item]})
    kitchen.clock.forward(minutes=30)
    assert state(kitchen, "buckets_sanitise", "buckets") == "due"
    wash = {"equipment": "buckets", "method": "dishwasher"}
    assert sanitised(kitchen, **wash, temperature="160 °F")["passed"] is False
    assert state(kitchen, "buckets_sanitise", "buckets") == "due", "the water was too cold"
    assert sanitised(kitchen, **wash, temperature="180 °F")["passed"] is True
    assert state(kitchen, "buckets_sanitise", "buckets") == "in_order"
    assert state(kitchen, "utensils_sanitise", "utensils") == "due"


def test_a_tub_that_is_too_warm_is_told(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot()["code"]
    kitchen.pulled(lot, "10 kg", to="COOL")
    kitchen.clock.forward(hours=25)
    assert state(kitchen, "container_check", "COOL") == "due"
    body = {"kind": "container", "place": "COOL", "lot": lot, "temperature": "4.8 °C"}
    assert kitchen.keeper.made("/checks", body)["passed"] is True
    assert not told(kitchen)
    warm = kitchen.keeper.made("/checks", body | {"temperature": "7.25 °C"})
    assert warm["passed"] is False
    (message,) = told(kitchen)
    assert message.title == "Thawed fish too warm in COOL: 7.25 °C" and lot in message.body
    assert state(kitchen, "container_check", "COOL") == "in_order", "it was measured"


def test_a_wrong_entry_is_corrected_and_does_not_count(kitchen: Kitchen) -> None:
    wrong = sanitised(kitchen, place="KITCHEN")
    early = "2026-11-10T08:00:00Z"
    sanitised(kitchen, place="KITCHEN", occurred_at=early, replaces=wrong["id"])
    found = chores(kitchen)["kitchen_sanitise", "KITCHEN"]
    assert datetime.fromisoformat(found["last_done_at"]) == datetime(2026, 11, 10, 8, tzinfo=UTC)
    assert found["state"] == "overdue"


def test_what_is_overdue_is_told_together_and_once(kitchen: Kitchen) -> None:
    all_done(kitchen)
    assert look(kitchen) == 0
    kitchen.clock.forward(days=2)
    assert look(kitchen) == 2, "kitchen and thaw room were not cleaned yesterday"
    (message,) = told(kitchen)
    assert message.title == "2 chores are overdue: clean KITCHEN and others"
    assert "Clean ROOM: last 2026-11-25 06:00 (9 CFR 3.107(b))." in message.body
    kitchen.clock.forward(hours=1)
    assert look(kitchen) == 0
    kitchen.keeper.made("/checks", {"kind": "cleaned", "place": "KITCHEN"})
    assert look(kitchen) == 0
    with kitchen.looking() as session:
        rows = session.exec(select(OverdueChore)).all()
    assert sorted((row.chore, row.ended_at is None) for row in rows) == [
        ("kitchen_clean", False),
        ("kitchen_clean", True),
    ]
    kitchen.clock.forward(days=2)
    assert look(kitchen) == 1, "the kitchen again; the room was told before"


def test_a_chore_says_what_was_done_to_what(kitchen: Kitchen) -> None:
    for body, says in (
        ({"kind": "cleaned"}, "needs either place or equipment"),
        ({"kind": "cleaned", "place": "FZ1", "equipment": "buckets"}, "needs either"),
        ({"kind": "sanitised", "place": "KITCHEN"}, "needs method"),
        ({"kind": "cleaned", "place": "FZ1", "temperature": "3 °C"}, "has no temperature"),
        ({"kind": "container", "place": "COOL"}, "needs temperature"),
        ({"kind": "air", "place": "FZ1", "temperature": "3 °C", "method": "steam"}, "no method"),
    ):
        answer = kitchen.keeper.post("/checks", body)
        assert answer.status_code == 422 and says in answer.text, answer.text
    assert kitchen.person("nutritionist").post("/checks", {}).status_code == 403


def test_the_list_costs_the_same_however_much_was_cleaned(kitchen: Kitchen) -> None:
    all_done(kitchen)
    with counted(kitchen) as few:
        kitchen.keeper.shown("/chores")
    for _ in range(5):
        kitchen.clock.forward(hours=1)
        all_done(kitchen)
    with counted(kitchen) as many:
        kitchen.keeper.shown("/chores")
    assert len(many) == len(few)
