"""Plans over a day: stages, several pulls, shared surplus, full places, plans made anew."""

from datetime import datetime, timedelta
from typing import Any

import pytest
from sqlmodel import select

from service.notifications.models import Message
from service.thawing.actions.replanning import anything_due, replan_due
from tests.assessments.outages import readings, watched
from tests.kitchen import START, Kitchen

FIRST, LAST = "2026-11-26T08:00:00Z", "2026-11-26T16:00:00Z"


def instant(text: str) -> datetime:
    return datetime.fromisoformat(text)


def asked(
    kitchen: Kitchen,
    mass: str = "25 kg",
    species: str = "HER",
    place: str = "TANK1",
    first: str = FIRST,
    last: str = LAST,
    **more: Any,
) -> Any:
    body = {
        "first_feed_at": first,
        "last_feed_at": last,
        "thaw_place": place,
        "lines": [{"species": species, "mass": mass}],
        **more,
    }
    return kitchen.keeper.made("/thaw-requests", body)


def shown(kitchen: Kitchen, plan: Any) -> Any:
    return kitchen.keeper.shown(f"/thaw-requests/{plan['id']}")


def pulled(kitchen: Kitchen, plan: Any, number: int = 0) -> Any:
    pull = plan["pulls"][number]
    return kitchen.pulled(
        pull["lot"],
        f"{pull['mass']['g']} g",
        to=pull["to_place"],
        thaw_request=plan["id"],
        from_place=pull["from_place"],
    )


def looked(kitchen: Kitchen) -> bool:
    """What the worker does each minute; whether there was something to plan again."""
    with kitchen.looking() as session:
        due = anything_due(session, kitchen.clock())
    with kitchen.writing() as session:
        assert bool(replan_due(session, kitchen.clock())) == due
    with kitchen.looking() as session:
        assert not anything_due(session, kitchen.clock()), "nothing is planned again twice"
    return due


def told(kitchen: Kitchen) -> list[tuple[str, str, str]]:
    with kitchen.looking() as session:
        found = session.exec(select(Message).where(Message.subject == "thaw").order_by("id"))
        return [(m.title, m.body, m.urgency) for m in found]


# How, in which clock


def test_a_plan_says_which_clock_its_fish_is_judged_by(kitchen: Kitchen) -> None:
    # 9 CFR 3.105(d): 24 h from the freezer, or of being thawed where it is refrigerated.
    kitchen.a_lot("CAP")
    in_water, refrigerated = (
        asked(kitchen, "5 kg", "CAP", place)["pulls"][0] for place in ("TANK1", "COOL")
    )
    assert (in_water["clock"], in_water["clock_hours"]) == ("clock-from-freezer", 24)
    assert (refrigerated["clock"], refrigerated["clock_hours"]) == ("clock-from-thawed", 24)
    (stage,) = in_water["stages"]
    assert (stage["place"], stage["until"]) == ("TANK1", "thawed")
    assert stage["ends_range"] == in_water["thawed_range"]


def test_where_a_block_is_too_slow_the_best_plan_is_in_stages_and_meets_every_clock(
    kitchen: Kitchen,
) -> None:
    kitchen.a_lot("HER")
    slow = {"changes": {"thaw_hours_block_thaw_tank": 20}, "reason": "our tank is slow"}
    assert kitchen.manager.put("/sites/main/policy", slow).status_code == 200
    feeds = {"first": "2026-11-27T08:00:00Z", "last": "2026-11-27T16:00:00Z"}
    as_asked = asked(kitchen, place="ROOM", **feeds)
    assert (as_asked["feasible"], as_asked["way"]) == (False, "as_asked")
    plan = asked(kitchen, place="ROOM", way="best", **feeds)
    assert plan["feasible"]
    assert plan["alternatives"] == []
    for pull in plan["pulls"]:
        first, second = pull["stages"]
        assert [(s["place_kind"], s["until"]) for s in (first, second)] == [
            ("refrigerator", "separable"),
            ("thaw_tank", "thawed"),
        ]
        assert (first["place"], second["place"], pull["to_place"]) == ("COOL", "TANK1", "COOL")
        assert first["ends_at"] == second["begins_at"]
        assert pull["pull_not_before"] <= pull["pull_not_after"]
        assert instant(pull["discard_after"]) >= instant(pull["serves_until"])
        assert instant(pull["thawed_range"][1]) <= instant(pull["serves_from"])
    (why,) = [f for f in plan["findings"] if f["rule"] == "clock-from-freezer"]
    assert why["outcome"] == "warn"
    assert why["numbers"]["short_by_h"] > 0
    assert "so it is thawed" in why["because"]


def test_a_day_that_is_too_long_for_one_pull_is_served_by_several(kitchen: Kitchen) -> None:
    kitchen.a_lot("HER")
    plan = asked(kitchen, "20 kg", last="2026-11-26T20:00:00Z", way="best")
    assert plan["feasible"]
    morning, evening = plan["pulls"]
    assert (morning["serves_from"], morning["serves_until"]) == (FIRST, "2026-11-26T14:00:00Z")
    assert evening["serves_from"] == "2026-11-26T14:00:00Z"
    assert [p["mass"]["g"] for p in plan["pulls"]] == [10_000, 10_000]
    assert morning["pull_not_after"] < evening["pull_not_after"]
    kept = kitchen.keeper.shown("/stock", params={"species": "HER"})["items"]
    assert [row["available"]["g"] for row in kept] == [80_000]


def test_what_cannot_be_met_in_any_way_stays_as_it_was_asked(kitchen: Kitchen) -> None:
    kitchen.a_lot("HER")
    soon = (START + timedelta(minutes=40)).isoformat()
    plan = asked(kitchen, first=soon, last=soon, way="best")
    assert not plan["feasible"]
    assert plan["pulls"][0]["late"]
    assert plan["pulls"][0]["to_place"] == "TANK1"


# Surplus


def test_a_later_request_of_the_day_first_uses_what_an_earlier_one_leaves(
    kitchen: Kitchen,
) -> None:
    kitchen.a_lot("HER")
    first = asked(kitchen, "25 kg")  # three cartons of 10 kg: 5 kg are left
    second = asked(kitchen, "12 kg")
    (shared,) = second["shared"]
    assert (shared["thaw_request"], shared["pull"], shared["mass"]["g"]) == (first["id"], 1, 5_000)
    assert [(p["cartons"], p["surplus"]["g"]) for p in second["pulls"]] == [(1, 3_000)]
    third = asked(kitchen, "3 kg")
    assert third["pulls"] == []
    assert third["shared"][0]["thaw_request"] == second["id"]
    assert shown(kitchen, first)["pulls"][0]["surplus_shared"]["g"] == 5_000


def test_surplus_of_another_day_or_of_fish_on_hold_is_not_used(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot("HER")
    asked(kitchen, "5 kg")
    another_day = asked(kitchen, "5 kg", first="2026-11-27T08:00:00Z", last="2026-11-27T16:00:00Z")
    assert another_day["shared"] == []
    kitchen.vet.made(f"/lots/{lot['code']}/holds", {"reason": "supplier recall"})
    on_hold = asked(kitchen, "5 kg")
    assert (on_hold["shared"], on_hold["pulls"]) == ([], [])
    assert on_hold["shortages"][0]["mass"]["g"] == 5_000


def test_surplus_that_was_pulled_is_used_while_its_clock_allows_it(kitchen: Kitchen) -> None:
    kitchen.a_lot("HER")
    first = asked(kitchen, "25 kg", first="2026-11-26T03:00:00Z", last="2026-11-26T05:00:00Z")
    batch = pulled(kitchen, first)
    assert instant(batch["discard_after"]) == START + timedelta(hours=24)
    lawful = asked(kitchen, "2 kg", first="2026-11-26T04:00:00Z", last="2026-11-26T06:00:00Z")
    assert lawful["shared"][0]["thaw_batches"] == [batch["code"]]
    assert instant(lawful["shared"][0]["discard_after"]) == START + timedelta(hours=24)
    too_late = asked(kitchen, "2 kg", first="2026-11-26T04:00:00Z", last="2026-11-26T06:00:01Z")
    assert too_late["shared"] == []


def test_a_pull_that_has_to_serve_an_earlier_feed_too_is_brought_forward_and_told(
    kitchen: Kitchen,
) -> None:
    kitchen.a_lot("HER")
    first = asked(kitchen, "25 kg", first="2026-11-26T10:00:00Z")
    second = asked(kitchen, "5 kg", first="2026-11-26T08:00:00Z", last="2026-11-26T12:00:00Z")
    assert second["shared"][0]["thaw_request"] == first["id"]
    now = shown(kitchen, first)
    before, after = (instant(p["pulls"][0]["pull_not_after"]) for p in (first, now))
    assert before - after == timedelta(hours=2)
    (change,) = now["changes"]
    assert change["why"] == f"its surplus serves thaw request {second['id']} too"
    assert [title for title, _, _ in told(kitchen)] == [
        f"Thaw request {first['id']} has changed: {change['why']}"
    ]


def test_who_used_the_surplus_of_a_request_that_is_cancelled_gets_fish_of_its_own(
    kitchen: Kitchen,
) -> None:
    kitchen.a_lot("HER")
    first, second = asked(kitchen, "25 kg"), asked(kitchen, "5 kg")
    assert second["pulls"] == []
    kitchen.keeper.made(f"/thaw-requests/{first['id']}/cancel", {})
    now = shown(kitchen, second)
    assert now["shared"] == []
    assert [p["mass"]["g"] for p in now["pulls"]] == [10_000]
    assert now["changes"][0]["why"] == f"thaw request {first['id']} was cancelled"
    (row,) = kitchen.keeper.shown("/stock", params={"species": "HER"})["items"]
    assert row["available"]["g"] == 90_000


def test_a_request_that_is_cancelled_half_way_keeps_what_was_pulled_and_frees_the_rest(
    kitchen: Kitchen,
) -> None:
    older = kitchen.a_lot("HER", caught="2026-08-01", mass="20 kg")
    kitchen.a_lot("HER", caught="2026-09-01", mass="50 kg")
    plan = asked(kitchen, "45 kg")
    batch = pulled(kitchen, plan)
    cancelled = kitchen.keeper.made(f"/thaw-requests/{plan['id']}/cancel", {})
    assert [p["pulled"]["g"] for p in cancelled["pulls"]] == [20_000, 0]
    assert cancelled["pulls"][0]["thaw_batches"] == [batch["code"]]
    frozen = kitchen.keeper.shown("/stock", params={"place": "FZ1"})["items"]
    assert [(r["mass"]["g"], r["available"]["g"]) for r in frozen] == [(50_000, 50_000)]
    assert batch["lot"] == older["code"]


# Places


def test_what_one_place_has_no_room_for_goes_to_another_of_its_kind(kitchen: Kitchen) -> None:
    kitchen.a_lot("HER", mass="200 kg")
    body = {"code": "TANK2", "name": "Second tank", "kind": "thaw_tank", "capacity": "40 kg"}
    kitchen.manager.made("/places", body)
    set_up = kitchen.manager.put("/places/TANK1", {"capacity": "65 kg"})
    assert set_up.json()["capacity"]["g"] == 65_000
    plan = asked(kitchen, "95 kg")
    assert [(p["to_place"], p["cartons"], p["surplus"]["g"]) for p in plan["pulls"]] == [
        ("TANK1", 6, 0),
        ("TANK2", 4, 5_000),
    ]
    full = asked(kitchen, "25 kg")
    (finding,) = [f for f in full["findings"] if f["rule"] == "place-full"]
    assert finding["outcome"] == "warn"
    assert full["pulls"][0]["to_place"] == "TANK1"
    apart = asked(kitchen, "30 kg", first="2026-11-28T08:00:00Z", last="2026-11-28T16:00:00Z")
    assert [p["to_place"] for p in apart["pulls"]] == ["TANK1"], "it is empty again by then"


def test_fish_that_lies_in_a_tank_takes_its_room(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot("HER", mass="200 kg")
    kitchen.manager.put("/places/TANK1", {"capacity": "50 kg"})
    kitchen.pulled(lot["code"], "40 kg")
    soon = {"first": "2026-11-25T22:00:00Z", "last": "2026-11-25T23:00:00Z"}
    plan = asked(kitchen, "20 kg", **soon)
    assert [f["rule"] for f in plan["findings"]] == ["place-full"]


# A day by its diets


def day_asked(kitchen: Kitchen, **more: Any) -> Any:
    body = {"day": "2026-11-27", "thaw_place": "TANK1", **more}
    return kitchen.keeper.made("/thaw-requests", body)


def diet(kitchen: Kitchen, **more: Any) -> None:
    items = [{"species": "HER", "mass": "3 kg", **more}]
    body = {"from": "2026-11-01", "items": items, "feeds_per_day": 3}
    kitchen.nutritionist.made("/animals/BRINE/diets", body)


def test_extras_are_added_to_what_the_diets_need_and_say_what_for(kitchen: Kitchen) -> None:
    kitchen.a_lot("HER")
    kitchen.a_lot("CAP")
    diet(kitchen)
    extras = [
        {"species": "HER", "mass": "4 kg", "reason": "training of the new arrivals"},
        {"species": "CAP", "mass": "2 kg", "reason": "enrichment"},
    ]
    plan = day_asked(kitchen, extras=extras)
    need = {n["species"]: (n["mass"]["g"], n["extra"]["g"]) for n in plan["need"]}
    assert need == {"CAP": (2_000, 2_000), "HER": (7_000, 4_000)}
    assert [(e["species"], e["reason"]) for e in plan["extras"]] == [
        (e["species"], e["reason"]) for e in extras
    ]


def test_a_day_without_diets_may_still_have_extras_and_is_fed_in_the_usual_hours(
    kitchen: Kitchen,
) -> None:
    kitchen.a_lot("CAP")
    extra = {"species": "CAP", "mass": "2 kg", "reason": "enrichment"}
    plan = day_asked(kitchen, extras=[extra])
    assert [p["mass"]["g"] for p in plan["pulls"]] == [2_000]
    # our defaults feed_day_from and feed_day_to, in the site's zone
    assert plan["first_feed_at"] == "2026-11-27T08:00:00Z"
    assert plan["last_feed_at"] == "2026-11-27T16:00:00Z"


def test_what_is_short_may_be_replaced_by_fish_of_the_same_energy_once_somebody_says_so(
    kitchen: Kitchen,
) -> None:
    kitchen.a_lot("CAP")
    diet(kitchen, substitutes=["CAP"])
    plan = day_asked(kitchen)
    assert plan["shortages"][0]["mass"]["g"] == 3_000
    (proposed,) = plan["substitutions"]
    assert (proposed["animal"], proposed["species"], proposed["substitute"]) == (
        "BRINE",
        "HER",
        "CAP",
    )
    path = f"/thaw-requests/{plan['id']}/substitutions"
    accepted = kitchen.nutritionist.made(path, {"reason": "the truck is late"})
    taken = proposed["substitute_mass"]["g"]
    assert [(p["species"], p["mass"]["g"]) for p in accepted["pulls"]] == [("CAP", taken)]
    assert (accepted["shortages"], accepted["substitutions"]) == ([], [])
    again = kitchen.nutritionist.post(path, {"reason": "the truck is late"})
    assert again.status_code == 409


# Planned again


def test_a_hold_between_request_and_pull_moves_the_reservation_and_is_told(
    kitchen: Kitchen,
) -> None:
    older = kitchen.a_lot("HER", caught="2026-08-01")
    newer = kitchen.a_lot("HER", caught="2026-09-01", place="FZ2")
    plan = asked(kitchen, "20 kg")
    kitchen.vet.made(f"/lots/{older['code']}/holds", {"reason": "supplier recall"})
    refused = kitchen.keeper.post(
        "/pulls",
        {
            "lot": older["code"],
            "from_place": "FZ1",
            "mass": "20 kg",
            "to_place": "TANK1",
            "thaw_request": plan["id"],
        },
    )
    assert refused.json()["type"] == "/problems/lot-on-hold"
    assert looked(kitchen)
    now = shown(kitchen, plan)
    assert [(p["lot"], p["from_place"], p["mass"]["g"]) for p in now["pulls"]] == [
        (newer["code"], "FZ2", 20_000)
    ]
    (change,) = now["changes"]
    assert change["why"] == f"lot {older['code']} is on hold"
    assert f"Do not pull lot {older['code']} from FZ1 (20 kg)." in change["changes"]
    assert any(newer["code"] in said and "FZ2" in said for said in change["changes"])
    ((title, body, urgency),) = told(kitchen)
    assert (body, urgency) == ("\n".join(change["changes"]), "today")
    assert str(plan["id"]) in title
    assert not looked(kitchen)
    assert pulled(kitchen, now)["lot"] == newer["code"]


def test_what_nothing_can_replace_is_told_at_once_as_short(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot("HER")
    plan = asked(kitchen, "20 kg")
    kitchen.vet.made(f"/lots/{lot['code']}/holds", {"reason": "supplier recall"})
    assert looked(kitchen)
    assert shown(kitchen, plan)["shortages"][0]["mass"]["g"] == 20_000
    assert [urgency for _, _, urgency in told(kitchen)] == ["now"]


def test_fish_that_is_counted_short_is_planned_again(kitchen: Kitchen) -> None:
    older = kitchen.a_lot("HER", caught="2026-08-01", mass="20 kg")
    newer = kitchen.a_lot("HER", caught="2026-09-01")
    plan = asked(kitchen, "20 kg")
    count = {"lot": older["code"], "place": "FZ1", "mass": "10 kg", "reason": "weekly count"}
    kitchen.commissary.made("/counts", count)
    assert looked(kitchen)
    now = shown(kitchen, plan)
    assert [(p["lot"], p["mass"]["g"]) for p in now["pulls"]] == [
        (older["code"], 10_000),
        (newer["code"], 10_000),
    ]


def test_fish_in_a_freezer_that_became_warm_is_left_for_fish_in_another(kitchen: Kitchen) -> None:
    older = kitchen.a_lot("HER", caught="2026-08-01")
    newer = kitchen.a_lot("HER", caught="2026-09-01", place="FZ2")
    plan = asked(kitchen, "20 kg")
    assert [p["lot"] for p in plan["pulls"]] == [older["code"]]
    readings(kitchen, {0: -4.0})
    watched(kitchen)
    assert looked(kitchen)
    now = shown(kitchen, plan)
    assert [(p["lot"], p["from_place"]) for p in now["pulls"]] == [(newer["code"], "FZ2")]
    why = f"lot {older['code']} in FZ1 waits for a decision on its excursion"
    assert now["changes"][0]["why"] == why


def test_a_pull_that_is_late_is_planned_again_in_a_quicker_way_and_told_once(
    kitchen: Kitchen,
) -> None:
    kitchen.a_lot("HER")
    plan = asked(kitchen, "20 kg", place="TANK1", last="2026-11-26T12:00:00Z")
    until = instant(plan["pulls"][0]["pull_not_after"])
    kitchen.clock.at = until + timedelta(minutes=9)
    assert not looked(kitchen), "it may have been pulled and not yet written down"
    kitchen.clock.at = until + timedelta(hours=3)
    assert looked(kitchen)
    now = shown(kitchen, plan)
    assert now["changes"][0]["why"].startswith("not pulled in time")
    for pull in now["pulls"]:
        if now["feasible"]:
            assert instant(pull["pull_not_after"]) >= kitchen.clock()
    assert len(told(kitchen)) == 1
    kitchen.clock.forward(minutes=1)
    assert not looked(kitchen)


def test_what_is_pulled_stays_when_the_rest_is_planned_again(kitchen: Kitchen) -> None:
    older = kitchen.a_lot("HER", caught="2026-08-01", mass="20 kg")
    newer = kitchen.a_lot("HER", caught="2026-09-01")
    newest = kitchen.a_lot("HER", caught="2026-10-01")
    plan = asked(kitchen, "35 kg")
    batch = pulled(kitchen, plan)
    kitchen.vet.made(f"/lots/{newer['code']}/holds", {"reason": "supplier recall"})
    assert looked(kitchen)
    now = shown(kitchen, plan)
    assert [(p["lot"], p["mass"]["g"], p["pulled"]["g"]) for p in now["pulls"]] == [
        (older["code"], 20_000, 20_000),
        (newest["code"], 20_000, 0),
    ]
    assert now["pulls"][0]["thaw_batches"] == [batch["code"]]
    assert [p["number"] for p in now["pulls"]] == [1, 2]


def test_who_shares_the_surplus_of_a_plan_that_changes_is_planned_again_too(
    kitchen: Kitchen,
) -> None:
    older = kitchen.a_lot("HER", caught="2026-08-01", mass="30 kg")
    newer = kitchen.a_lot("HER", caught="2026-09-01")
    first, second = asked(kitchen, "25 kg"), asked(kitchen, "5 kg")
    kitchen.vet.made(f"/lots/{older['code']}/holds", {"reason": "supplier recall"})
    assert looked(kitchen)
    assert [p["lot"] for p in shown(kitchen, first)["pulls"]] == [newer["code"]]
    assert shown(kitchen, second)["shared"][0]["lot"] == newer["code"]
    (row,) = [
        r
        for r in kitchen.keeper.shown("/stock", params={"species": "HER"})["items"]
        if r["lot"] == newer["code"]
    ]
    assert row["available"]["g"] == 70_000


def test_somebody_may_ask_for_another_plan_and_no_longer_once_it_is_over(
    kitchen: Kitchen,
) -> None:
    kitchen.a_lot("HER")
    plan = asked(kitchen, "20 kg", last="2026-11-26T20:00:00Z")
    assert not plan["feasible"]
    better = kitchen.keeper.made(f"/thaw-requests/{plan['id']}/replan", {"way": "best"})
    assert better["feasible"]
    assert len(better["pulls"]) == 2
    assert "The plan meets its clocks again." in better["changes"][0]["changes"]
    kitchen.clock.at = instant("2026-11-26T20:00:00Z")
    over = kitchen.keeper.post(f"/thaw-requests/{plan['id']}/replan", {})
    assert over.json()["type"] == "/problems/request-over"
    kitchen.clock.at = START
    kitchen.keeper.made(f"/thaw-requests/{plan['id']}/cancel", {})
    cancelled = kitchen.keeper.post(f"/thaw-requests/{plan['id']}/replan", {})
    assert cancelled.json()["type"] == "/problems/already-cancelled"


# Nights


@pytest.mark.parametrize(
    ("day", "hours"), [("2027-03-28", 23), ("2026-10-25", 25), ("2026-12-01", 24)]
)
def test_on_the_night_the_clocks_are_changed_feeds_keep_the_walls_time_and_clocks_count_hours(
    kitchen: Kitchen, day: str, hours: int
) -> None:
    # Europe/Oslo: the hour 02 is left out on 2027-03-28 and comes twice on 2026-10-25.
    kitchen.clock.at = instant(f"{day}T00:00:00+00:00") - timedelta(hours=20)
    kitchen.a_lot("CAP", caught="2026-09-20", arrived="2026-10-01T09:00:00Z")
    site = kitchen.manager.put("/sites/main", {"timezone": "Europe/Oslo"})
    assert site.status_code == 200
    diet_of = {"from": "2026-09-01", "items": [{"species": "CAP", "mass": "3 kg"}]}
    kitchen.nutritionist.made("/animals/BRINE/diets", diet_of)
    plan = kitchen.keeper.made("/thaw-requests", {"day": day, "thaw_place": "TANK1"})
    summer = day == "2027-03-28"
    assert plan["first_feed_at"] == f"{day}T{'06' if summer else '07'}:00:00Z"
    (pull,) = plan["pulls"]
    left = instant(pull["pull_not_after"])
    assert instant(pull["discard_after"]) - left == timedelta(hours=24)
    last = instant(plan["last_feed_at"])
    assert instant(pull["pull_not_before"]) == last - timedelta(hours=24)
    day_before = (instant(plan["first_feed_at"]) - timedelta(hours=hours)).isoformat()
    listed = kitchen.keeper.shown("/pull-list", params={"day": day})["items"]
    assert [line["thaw_request"] for line in listed] == [plan["id"]]
    assert day_before < pull["pull_not_after"]


def test_a_thaw_across_midnight_is_on_the_list_of_the_day_it_is_fed(kitchen: Kitchen) -> None:
    kitchen.a_lot("HER")
    plan = asked(kitchen, "10 kg", first="2026-11-26T23:00:00Z", last="2026-11-27T03:00:00Z")
    assert plan["feasible"]
    (pull,) = plan["pulls"]
    assert pull["pull_not_after"] < "2026-11-26T12:00:00Z" < plan["first_feed_at"]
    for day, ids in (("2026-11-26", [plan["id"]]), ("2026-11-27", [])):
        listed = kitchen.keeper.shown("/pull-list", params={"day": day})["items"]
        assert [line["thaw_request"] for line in listed] == ids


# The pull list


def test_the_pull_list_holds_all_requests_of_a_day_in_the_order_of_the_work(
    kitchen: Kitchen,
) -> None:
    herring = kitchen.a_lot("HER", place="FZ2")
    capelin = kitchen.a_lot("CAP")
    first = asked(kitchen, "25 kg")
    second = asked(kitchen, "5 kg", "CAP")
    asked(kitchen, "5 kg", "CAP", first="2026-11-27T08:00:00Z", last="2026-11-27T16:00:00Z")
    cancelled = asked(kitchen, "5 kg", "CAP")
    kitchen.keeper.made(f"/thaw-requests/{cancelled['id']}/cancel", {})
    lines = kitchen.keeper.shown("/pull-list", params={"day": "2026-11-26"})["items"]
    said = [(e["thaw_request"], e["scan"], e["from_place"], e["mass"]["g"]) for e in lines]
    assert said == [
        (first["id"], herring["code"], "FZ2", 30_000),
        (second["id"], capelin["code"], "FZ1", 5_000),
    ]
    assert [line["done"] for line in lines] == [False, False]
    pulled(kitchen, first)
    lines = kitchen.keeper.shown("/pull-list", params={"day": "2026-11-26"})["items"]
    assert [(line["done"], line["pulled"]["g"]) for line in lines] == [(True, 30_000), (False, 0)]
    table = kitchen.keeper.get(
        "/pull-list", params={"day": "2026-11-26"}, headers={"Accept": "text/csv"}
    )
    assert table.text.splitlines()[0].startswith("thaw_request,pull,pull_not_before")
    assert len(table.text.splitlines()) == 3


def test_a_line_that_should_have_been_pulled_says_so(kitchen: Kitchen) -> None:
    kitchen.a_lot("HER")
    asked(kitchen, "25 kg")
    kitchen.clock.forward(hours=24)
    (line,) = kitchen.keeper.shown("/pull-list", params={"day": "2026-11-26"})["items"]
    assert line["late"]
