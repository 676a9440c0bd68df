"""Thaw times in plans and pulls, and what a kitchen learns, as its people meet them."""

from datetime import datetime, timedelta
from typing import Any

import pytest

from tests.kitchen import START, Kitchen


def instant(text: str) -> datetime:
    return datetime.fromisoformat(text)


def asked(
    kitchen: Kitchen,
    species: str = "HER",
    place: str = "TANK1",
    first: str = "2026-11-26T08:00:00Z",
    last: str = "2026-11-26T16:00:00Z",
) -> Any:
    return kitchen.keeper.made(
        "/thaw-requests",
        {
            "first_feed_at": first,
            "last_feed_at": last,
            "thaw_place": place,
            "lines": [{"species": species, "mass": "10 kg"}],
        },
    )


def measured(kitchen: Kitchen, probe: str, celsius: float, hours: int = 24) -> None:
    kitchen.temperatures(probe, kitchen.clock() - timedelta(hours=hours), [celsius] * (hours + 1))


def test_a_plan_says_how_long_each_product_takes_why_and_on_whose_word(kitchen: Kitchen) -> None:
    kitchen.a_lot("HER")
    plan = asked(kitchen)
    (pull,) = plan["pulls"]
    thaw = pull["thaw"]
    assert plan["method"] == thaw["method"] == "thaw model"
    assert "brick 100 × 250 × 500 mm" in thaw["steps"]
    assert any("Hossain" in source for source in thaw["sources"])
    # first feed 08:00 - 30 min - the late end of the range
    latest = instant("2026-11-26T07:30:00Z") - timedelta(hours=thaw["range"][1])
    assert abs(instant(pull["pull_not_after"]) - latest) < timedelta(minutes=1)
    expected = instant(pull["pull_not_after"]) + timedelta(hours=thaw["hours"])
    assert abs(instant(pull["thawed_expected"]) - expected) < timedelta(minutes=1)


def test_a_cold_refrigerator_takes_longer_than_the_policy_thinks(kitchen: Kitchen) -> None:
    kitchen.a_lot("CAP")
    usual = asked(kitchen, "CAP", "COOL")["pulls"][0]["thaw"]
    measured(kitchen, "COOL-AIR", 1.0)
    cold = asked(kitchen, "CAP", "COOL")["pulls"][0]["thaw"]
    assert cold["hours"] > 1.5 * usual["hours"]
    assert any("1.0 °C" in step for step in cold["steps"])


def test_a_block_that_cannot_meet_the_clock_is_offered_in_stages(kitchen: Kitchen) -> None:
    kitchen.a_lot("HER")
    plan = asked(kitchen, place="ROOM", first="2026-11-27T08:00:00Z", last="2026-11-27T16:00:00Z")
    assert not plan["feasible"]
    (failed,) = [f for f in plan["findings"] if f["outcome"] == "block"]
    assert failed["rule"] == "clock-from-freezer"
    assert failed["numbers"]["short_by_h"] > 0
    staged = [a for a in plan["alternatives"] if len(a["stages"]) == 2]
    assert [a["place_kind"] for a in staged] == ["thaw_tank", "thaw_room"]
    in_water = staged[0]
    assert in_water["feasible"]
    assert [(s["place_kind"], s["until"]) for s in in_water["stages"]] == [
        ("refrigerator", "separable"),
        ("thaw_tank", "thawed"),
    ]
    assert in_water["hours"] == pytest.approx(sum(s["hours"] for s in in_water["stages"]), abs=0.02)
    assert all(a["feasible"] == (a["short_by_h"] == 0) for a in plan["alternatives"])


def test_the_sites_own_figure_counts_before_the_physics(kitchen: Kitchen) -> None:
    kitchen.a_lot("HER")
    body = {"changes": {"thaw_hours_block_thaw_tank": 20}, "reason": "our tank is slow"}
    assert kitchen.manager.put("/sites/main/policy", body).status_code == 200
    plan = asked(kitchen)
    assert plan["method"] == "site's own figure"
    assert plan["pulls"][0]["thaw"]["range"] == [14.0, 28.0]


def test_a_thaw_batch_says_when_it_should_be_thawed_until_it_is(kitchen: Kitchen) -> None:
    batch = kitchen.pulled(kitchen.a_lot("CAP")["code"], "10 kg")
    low, high = (instant(at) for at in batch["thawed_range"])
    assert START < low < instant(batch["thawed_expected"]) < high
    kitchen.clock.forward(hours=3)
    done = kitchen.keeper.made(f"/thaw-batches/{batch['code']}/thawed", {})
    assert (done["thawed_expected"], done["thawed_range"]) == (None, None)


def test_a_clock_from_an_estimate_never_moves_by_itself(kitchen: Kitchen) -> None:
    batch = kitchen.pulled(kitchen.a_lot("CAP")["code"], "10 kg", to="COOL")
    assert batch["discard_after_estimated"]
    earliest = instant(batch["thawed_range"][0])
    assert instant(batch["discard_after"]) == earliest + timedelta(hours=24)
    # the refrigerator fails, and the policy changes: what was pulled keeps its clock
    kitchen.clock.forward(hours=2)
    measured(kitchen, "COOL-AIR", 15.0)
    body = {"changes": {"thaw_hours_iqf_refrigerator": 40}, "reason": "trays are deeper now"}
    assert kitchen.manager.put("/sites/main/policy", body).status_code == 200
    (shown,) = kitchen.keeper.shown("/thaw-batches")["items"]
    assert shown["discard_after"] == batch["discard_after"]


# What a kitchen learns


def thawed_after(kitchen: Kitchen, lot: str, hours: float, *, looked: bool = True) -> None:
    """A pull into the tank, found thawed after some hours; not yet a quarter of an hour before."""
    batch = kitchen.pulled(lot, "10 kg")
    kitchen.clock.forward(hours=hours)
    looks = {"not_yet_at": (kitchen.clock() - timedelta(minutes=15)).isoformat()} if looked else {}
    kitchen.keeper.made(f"/thaw-batches/{batch['code']}/thawed", looks)
    kitchen.clock.forward(hours=1)


def hours_now(kitchen: Kitchen) -> tuple[float, float]:
    start = kitchen.clock()
    plan = asked(
        kitchen,
        first=(start + timedelta(hours=30)).isoformat(),
        last=(start + timedelta(hours=32)).isoformat(),
    )
    thaw = plan["pulls"][0]["thaw"]
    kitchen.keeper.made(f"/thaw-requests/{plan['id']}/cancel", {})
    return thaw["hours"], thaw["range"][1] / thaw["range"][0]


def test_a_kitchen_whose_thaws_take_longer_learns_it_from_those_it_watched(
    kitchen: Kitchen,
) -> None:
    lot = kitchen.a_lot("HER", mass="300 kg")["code"]
    before, width = hours_now(kitchen)
    for _ in range(3):
        thawed_after(kitchen, lot, before * 1.2)
    after, narrower = hours_now(kitchen)
    assert before * 1.1 < after < before * 1.2
    assert narrower < width


def test_found_thawed_alone_teaches_nothing_as_nobody_knows_since_when(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot("HER", mass="300 kg")["code"]
    before = hours_now(kitchen)
    for _ in range(3):
        thawed_after(kitchen, lot, before[0] * 1.3, looked=False)
    assert hours_now(kitchen) == before


def test_a_thaw_in_two_places_teaches_nothing_of_either(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot("HER", mass="300 kg")["code"]
    before = hours_now(kitchen)
    batch = kitchen.pulled(lot, "10 kg")
    kitchen.clock.forward(hours=2)
    move = {"lot": lot, "from_place": "TANK1", "to_place": "COOL", "mass": "10 kg"}
    assert kitchen.commissary.post("/moves", move).status_code == 201
    kitchen.clock.forward(hours=12)
    seen = {"not_yet_at": (kitchen.clock() - timedelta(minutes=30)).isoformat()}
    kitchen.keeper.made(f"/thaw-batches/{batch['code']}/thawed", seen)
    assert hours_now(kitchen) == before


def test_a_wild_entry_moves_no_plan(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot("HER", mass="300 kg")["code"]
    before = hours_now(kitchen)
    thawed_after(kitchen, lot, before[0] * 5)
    assert hours_now(kitchen) == before


@pytest.mark.parametrize("hours", [-1.0, 0.0, 3.0, 4.0])
def test_a_look_before_the_pull_or_after_the_thaw_is_refused(
    small_kitchen: Kitchen, hours: float
) -> None:
    batch = small_kitchen.pulled(small_kitchen.a_lot("HER")["code"], "10 kg")
    small_kitchen.clock.forward(hours=3)
    seen = {"not_yet_at": (START + timedelta(hours=hours)).isoformat()}
    answer = small_kitchen.keeper.post(f"/thaw-batches/{batch['code']}/thawed", seen)
    assert answer.status_code == 422
    assert [e["field"] for e in answer.json()["errors"]] == ["not_yet_at"]
    (shown,) = small_kitchen.keeper.shown("/thaw-batches")["items"]
    assert shown["thawed_at"] is None


def test_what_was_learned_lengthens_a_plan_and_never_a_clock(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot("CAP", mass="300 kg")["code"]
    first = kitchen.pulled(lot, "10 kg", to="COOL")
    low_h = instant(first["thawed_range"][0]) - START
    for _ in range(4):
        batch = kitchen.pulled(lot, "10 kg", to="COOL")
        kitchen.clock.forward(hours=22)
        seen = {"not_yet_at": (kitchen.clock() - timedelta(minutes=30)).isoformat()}
        kitchen.keeper.made(f"/thaw-batches/{batch['code']}/thawed", seen)
    again = kitchen.pulled(lot, "10 kg", to="COOL")
    start = kitchen.clock()
    assert instant(again["thawed_expected"]) - start > instant(first["thawed_expected"]) - START
    assert instant(again["thawed_range"][0]) - start <= low_h


def test_finding_it_part_thawed_teaches_as_much_as_having_looked_before(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot("HER", mass="300 kg")["code"]
    before, width = hours_now(kitchen)
    for _ in range(3):
        batch = kitchen.pulled(lot, "10 kg")["code"]
        kitchen.clock.forward(hours=before * 1.2 - 0.25)
        kitchen.keeper.made(f"/thaw-batches/{batch}/part-thawed", {"method": "touch"})
        kitchen.clock.forward(minutes=15)
        core = {"part": "core", "temperature": "1 °C"}
        kitchen.keeper.made(f"/thaw-batches/{batch}/temperatures", core)
        kitchen.clock.forward(hours=1)
    after, narrower = hours_now(kitchen)
    assert before * 1.1 < after < before * 1.2
    assert narrower < width
