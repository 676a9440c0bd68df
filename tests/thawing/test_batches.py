"""A thaw batch on its way: looked at, measured, split, moved on, dripped, thrown away."""

from datetime import datetime, timedelta
from typing import Any

import httpx
import pytest
from sqlalchemy import text
from sqlalchemy.exc import DBAPIError

from alembic import command
from service.migrations import configuration
from service.thawing.actions.warning import warn_of_clocks
from tests.kitchen import START, Kitchen


def instant(said: str) -> datetime:
    return datetime.fromisoformat(said)


def refusal(answer: httpx.Response) -> tuple[int, str]:
    return answer.status_code, answer.json()["type"].removeprefix("/problems/")


def field_of(answer: httpx.Response) -> str:
    assert answer.status_code == 422, answer.text
    return str(answer.json()["errors"][0]["field"])


def tend(kitchen: Kitchen, batch: Any, what: str, **body: Any) -> Any:
    return kitchen.keeper.made(f"/thaw-batches/{batch['code']}/{what}", body)


def refused(kitchen: Kitchen, batch: Any, what: str, **body: Any) -> httpx.Response:
    return kitchen.keeper.post(f"/thaw-batches/{batch['code']}/{what}", body)


def capelin(kitchen: Kitchen, mass: str = "10 kg", to: str = "TANK1") -> Any:
    return kitchen.pulled(kitchen.a_lot("CAP")["code"], mass, to=to)


def fed(kitchen: Kitchen, batch: Any, mass: str = "1 kg", **more: Any) -> httpx.Response:
    items = [{"thaw_batch": batch["code"], "offered": mass, "eaten": mass}]
    return kitchen.keeper.post("/feeds", {"animal": "BRINE", "items": items, **more})


def now(kitchen: Kitchen, batch: Any) -> Any:
    return kitchen.keeper.shown(f"/thaw-batches/{batch['code']}")


# How far it is


def test_found_thawed_by_thermometer_or_touch_is_kept_with_the_core(kitchen: Kitchen) -> None:
    batch = capelin(kitchen)
    kitchen.clock.forward(hours=3)
    tend(kitchen, batch, "thawed", method="touch")
    shown = tend(kitchen, batch, "thawed", core_temperature="0.5 °C")
    assert [(look["found"], look["method"], look["part"]) for look in shown["looks"]] == [
        ("thawed", "touch", None),
        ("thawed", "thermometer", "core"),
    ]
    assert shown["looks"][1]["temperature"]["c"] == 0.5


def test_a_core_that_is_not_thawed_is_not_called_thawed(kitchen: Kitchen) -> None:
    batch = capelin(kitchen)
    kitchen.clock.forward(hours=1)
    cold = refused(kitchen, batch, "thawed", core_temperature="-2 °C")
    assert field_of(cold) == "core_temperature" and "part thawed" in cold.text
    assert field_of(refused(kitchen, batch, "part-thawed", core_temperature="1 °C")) == (
        "core_temperature"
    )
    assert field_of(refused(kitchen, batch, "part-thawed", core_temperature="-15 °C")) == (
        "core_temperature"
    )
    assert field_of(refused(kitchen, batch, "thawed", core_temperature="1 °C", method="touch"))
    assert now(kitchen, batch)["looks"] == []


def test_part_thawed_fish_is_thawing_and_no_longer_goes_back(kitchen: Kitchen) -> None:
    batch = capelin(kitchen)
    kitchen.clock.forward(minutes=20)
    shown = tend(kitchen, batch, "part-thawed", method="touch")
    assert (shown["state"], instant(shown["part_thawed_at"])) == ("thawing", kitchen.clock())
    back = {"mass": "1 kg", "core_temperature": "-15 °C", "to_place": "FZ1"}
    assert refusal(refused(kitchen, batch, "put-back", **back)) == (409, "no-refreeze")


def test_a_core_measured_frozen_puts_off_the_earliest_thaw_and_touch_does_not(
    kitchen: Kitchen,
) -> None:
    # Under refrigeration the clock runs from the earliest that the fish may be thawed
    # (9 CFR 3.105(d): 24 h of being thawed); a thermometer in the fish beats the model.
    batch = capelin(kitchen, to="COOL")
    earliest = instant(batch["thawed_range"][0])
    assert instant(batch["discard_after"]) == earliest + timedelta(hours=24)
    kitchen.clock.at = earliest + timedelta(hours=2)
    touched = tend(kitchen, batch, "part-thawed", method="touch")
    assert touched["discard_after"] == batch["discard_after"]
    core = tend(kitchen, batch, "temperatures", part="core", temperature="-2 °C")
    assert core["found"] == "part_thawed"
    until = instant(core["thaw_batch"]["discard_after"])
    assert until == earliest + timedelta(hours=26)
    assert core["thaw_batch"]["discard_after_estimated"]


def test_a_core_that_is_thawed_starts_the_clock_by_itself(kitchen: Kitchen) -> None:
    batch = capelin(kitchen, to="COOL")
    kitchen.clock.forward(hours=5)  # far earlier than the model had it
    core = tend(kitchen, batch, "temperatures", part="core", temperature="32 °F")
    shown = core["thaw_batch"]
    assert (core["found"], shown["state"]) == ("thawed", "thawed")
    assert instant(shown["discard_after"]) == START + timedelta(hours=29)


def test_a_look_before_the_freezer_or_in_the_future_is_refused(kitchen: Kitchen) -> None:
    batch = capelin(kitchen)
    for what in ("thawed", "part-thawed"):
        early = refused(kitchen, batch, what, occurred_at="2026-11-25T05:59:59Z")
        assert field_of(early) == "occurred_at"
        late = refused(kitchen, batch, what, occurred_at="2026-11-25T08:00:00Z")
        assert field_of(late) == "occurred_at"


def test_looks_are_never_changed(kitchen: Kitchen) -> None:
    tend(kitchen, capelin(kitchen), "part-thawed")
    with kitchen.app.state.database.writer.connect() as connection:
        for statement in ("UPDATE thaw_look SET found = 'thawed'", "DELETE FROM thaw_look"):
            with pytest.raises(DBAPIError), connection.begin():
                connection.execute(text(statement))


# How warm


@pytest.mark.parametrize(
    ("place", "part", "said", "outcome"),
    [
        # refrigerator at most 4 °C (Crissey 1998, quoted in the trade's table); air at most
        # 10 °C (Nijboer, Merck Veterinary Manual); running water at most 21 °C and ready-to-eat
        # fish at most 5 °C (FDA Food Code 3-501.13(B)); water warns above 10 °C, our default
        ("COOL", "air", "4 °C", "pass"),
        ("COOL", "air", "4.1 °C", "warn"),
        ("ROOM", "air", "10 °C", "pass"),
        ("ROOM", "air", "10.1 °C", "warn"),
        ("TANK1", "water", "10 °C", "pass"),
        ("TANK1", "water", "10.1 °C", "warn"),
        ("TANK1", "water", "21 °C", "warn"),
        ("TANK1", "water", "21.1 °C", "block"),
        ("TANK1", "surface", "5 °C", "pass"),
        ("TANK1", "surface", "5.1 °C", "warn"),
        ("TANK1", "core", "5.1 °C", "warn"),
    ],
)
def test_what_is_measured_on_a_batch_is_judged_by_what_it_is(
    small_kitchen: Kitchen, place: str, part: str, said: str, outcome: str
) -> None:
    batch = capelin(small_kitchen, to=place)
    answer = tend(small_kitchen, batch, "temperatures", part=part, temperature=said)
    (found,) = answer["findings"]
    assert (found["rule"], found["outcome"]) == ("thaw-too-warm", outcome)


def test_fish_out_of_water_that_was_too_warm_is_fed_only_if_the_vet_says_so(
    kitchen: Kitchen,
) -> None:
    batch = capelin(kitchen)
    tend(kitchen, batch, "temperatures", part="water", temperature="23 °C")
    kitchen.clock.forward(hours=2)
    assert refusal(fed(kitchen, batch)) == (409, "thaw-too-warm")
    part = tend(kitchen, batch, "split", mass="2 kg")["thaw_batch"]
    assert refusal(fed(kitchen, part)) == (409, "thaw-too-warm"), "a label of its own cools nothing"
    done = fed(kitchen, batch, already_done=True)
    assert [b["rule"] for b in done.json()["breaches"]] == ["thaw-too-warm"]
    items = [{"thaw_batch": batch["code"], "offered": "1 kg", "eaten": "1 kg"}]
    override = [{"rule": "thaw-too-warm", "reason": "the surface stayed at 3 °C"}]
    body = {"animal": "BRINE", "items": items, "override": override}
    assert kitchen.manager.post("/feeds", body).status_code == 403
    assert kitchen.vet.post("/feeds", body).status_code == 201


# Split and moved on


def test_a_part_with_its_own_label_keeps_clock_looks_and_grams(kitchen: Kitchen) -> None:
    batch = capelin(kitchen, "10 kg", to="COOL")
    kitchen.clock.forward(hours=20)
    tend(kitchen, batch, "thawed", method="touch")
    kitchen.clock.forward(hours=1)
    answer = tend(kitchen, batch, "split", mass="4 kg")
    part, rest = answer["thaw_batch"], answer["rest"]
    assert part["code"] != rest["code"] == batch["code"]
    assert (part["split_from"], rest["split_from"]) == (batch["code"], None)
    assert (part["mass"]["g"], part["remaining"]["g"], rest["remaining"]["g"]) == (4000, 4000, 6000)
    for same in ("left_freezer_at", "thawed_at", "discard_after", "place", "lot", "state"):
        assert part[same] == rest[same], same
    assert kitchen.balance()["parcels"] == 100_000
    kitchen.clock.at = instant(part["discard_after"]) + timedelta(seconds=1)
    assert refusal(fed(kitchen, part)) == (409, "clock-from-thawed")


def test_a_split_hides_no_time_outside_the_refrigerator(kitchen: Kitchen) -> None:
    batch = capelin(kitchen, "10 kg", to="ROOM")
    kitchen.clock.forward(hours=2)
    part = tend(kitchen, batch, "split", mass="4 kg", to_place="COOL")["thaw_batch"]
    assert (part["place"], part["clock"]) == ("COOL", "clock-from-freezer")
    assert instant(part["discard_after"]) == START + timedelta(hours=24)
    again = tend(kitchen, part, "split", mass="1 kg")["thaw_batch"]
    assert (again["clock"], again["split_from"]) == ("clock-from-freezer", part["code"])


def test_only_the_part_that_leaves_the_refrigerator_is_thawed_in_stages(kitchen: Kitchen) -> None:
    batch = capelin(kitchen, "10 kg", to="COOL")
    kitchen.clock.forward(hours=6)
    answer = tend(kitchen, batch, "split", mass="4 kg", to_place="TANK1")
    assert answer["thaw_batch"]["clock"] == "clock-from-freezer"
    assert answer["rest"]["clock"] == "clock-from-thawed"


def test_warm_hours_before_a_split_count_for_the_part(kitchen: Kitchen) -> None:
    # above 10 °C for more than 2 h with any time above 21.1 °C is not fed
    # (FDA Hazards and Controls Guidance, appendix 4)
    kitchen.temperatures("ROOM-AIR", START, [25.0] * 24, every_s=600)
    batch = capelin(kitchen, "10 kg", to="ROOM")
    kitchen.clock.forward(hours=3)
    part = tend(kitchen, batch, "split", mass="4 kg", to_place="COOL")["thaw_batch"]
    kitchen.clock.forward(minutes=30)
    assert refusal(fed(kitchen, part)) == (409, "warm-too-long")


def test_a_mark_from_before_the_split_is_of_both_and_a_later_one_of_its_own(
    kitchen: Kitchen,
) -> None:
    batch = capelin(kitchen, "10 kg", to="COOL")
    kitchen.clock.forward(hours=10)
    part = tend(kitchen, batch, "split", mass="4 kg")["thaw_batch"]
    kitchen.clock.forward(hours=10)
    tend(kitchen, part, "thawed")
    assert now(kitchen, batch)["thawed_at"] is None
    before = (START + timedelta(hours=9)).isoformat()
    tend(kitchen, part, "thawed", occurred_at=before)
    for each in (part, batch):
        assert instant(now(kitchen, each)["thawed_at"]) == START + timedelta(hours=9)


def test_more_than_the_batch_holds_is_not_split_off(kitchen: Kitchen) -> None:
    batch = capelin(kitchen, "10 kg")
    answer = refused(kitchen, batch, "split", mass="10.001 kg")
    assert refusal(answer) == (409, "not-enough-stock")
    assert len(kitchen.keeper.shown("/thaw-batches")["items"]) == 1


def test_the_next_stage_makes_the_clock_one_from_the_freezer(kitchen: Kitchen) -> None:
    # 9 CFR 3.105(d) is silent on staged thaws; read cautiously: 24 h from the freezer
    batch = kitchen.pulled(kitchen.a_lot("HER")["code"], "10 kg", to="COOL")
    kitchen.clock.forward(hours=16)
    tend(kitchen, batch, "part-thawed", method="touch")
    moved = tend(kitchen, batch, "move", to_place="TANK1")["thaw_batch"]
    assert (moved["place"], moved["clock"], moved["state"]) == (
        "TANK1",
        "clock-from-freezer",
        "thawing",
    )
    assert instant(moved["discard_after"]) == START + timedelta(hours=24)
    assert instant(moved["thawed_expected"]) < instant(batch["thawed_expected"])
    low, high = (instant(at) for at in moved["thawed_range"])
    assert kitchen.clock() < low < instant(moved["thawed_expected"]) < high


def test_all_of_it_moves_and_nothing_moves_to_where_it_is(kitchen: Kitchen) -> None:
    batch = capelin(kitchen, "10 kg", to="COOL")
    kitchen.clock.forward(hours=1)
    assert field_of(refused(kitchen, batch, "move", to_place="COOL")) == "to_place"
    moved = tend(kitchen, batch, "move", to_place="ROOM")["thaw_batch"]
    assert (moved["remaining"]["g"], moved["place"]) == (10_000, "ROOM")


def test_no_stage_is_a_freezer_and_if_it_was_it_is_written_down(kitchen: Kitchen) -> None:
    batch = capelin(kitchen, "10 kg")
    for what, body in (("move", {}), ("split", {"mass": "1 kg"})):
        answer = refused(kitchen, batch, what, to_place="FZ1", **body)
        assert refusal(answer) == (409, "no-refreeze")
    done = tend(kitchen, batch, "move", to_place="FZ1", already_done=True)
    assert [b["rule"] for b in done["breaches"]] == ["no-refreeze"]
    assert done["thaw_batch"]["place"] == "FZ1"


# Drip and discard


@pytest.mark.parametrize(
    ("dripped", "outcome"), [("0.199 kg", "warn"), ("0.2 kg", "pass"), ("0.501 kg", "warn")]
)
def test_drip_outside_two_to_five_per_cent_warns(
    small_kitchen: Kitchen, dripped: str, outcome: str
) -> None:
    # 2 to 5 % of mass, common practice, from memory (medium)
    batch = capelin(small_kitchen, "10 kg")
    answer = tend(small_kitchen, batch, "drip", mass=dripped)
    assert [(f["rule"], f["outcome"]) for f in answer["findings"]] == [("drip-unusual", outcome)]


def test_drip_leaves_the_batch_and_adds_up(kitchen: Kitchen) -> None:
    batch = capelin(kitchen, "10 kg")
    tend(kitchen, batch, "drip", mass="150 g")
    answer = tend(kitchen, batch, "drip", mass="150 g")
    assert answer["thaw_batch"]["remaining"]["g"] == 9_700
    assert answer["findings"][0]["numbers"]["percent"] == 3.0
    assert kitchen.balance()["drip"] == 300
    kitchen.keeper.made(f"/movements/{answer['movement_id']}/reversal", {"reason": "wrong bowl"})
    third = tend(kitchen, batch, "drip", mass="50 g")
    assert third["findings"][0]["numbers"]["percent"] == 2.0


def test_all_that_is_left_is_thrown_away_in_one_call(kitchen: Kitchen) -> None:
    batch = capelin(kitchen, "10 kg")
    fed(kitchen, batch, "3 kg")
    answer = tend(kitchen, batch, "discard", reason="its clock has run out")
    assert (answer["thaw_batch"]["state"], kitchen.balance()["discarded"]) == ("finished", 7_000)
    again = refused(kitchen, batch, "discard", reason="its clock has run out")
    assert refusal(again) == (409, "nothing-left")


# The clock runs out


def states(kitchen: Kitchen, state: str) -> list[str]:
    return [b["code"] for b in kitchen.keeper.shown(f"/thaw-batches?state={state}")["items"]]


def test_fish_past_its_clock_is_proposed_to_be_discarded_until_it_is(kitchen: Kitchen) -> None:
    early = capelin(kitchen, "10 kg")
    kitchen.clock.forward(hours=1)
    late = kitchen.pulled(early["lot"], "10 kg")
    kitchen.clock.at = START + timedelta(hours=24)
    assert states(kitchen, "to_discard") == [], "inclusive: to the second"
    kitchen.clock.forward(seconds=1)
    assert states(kitchen, "to_discard") == [early["code"]]
    assert now(kitchen, early)["to_discard"] and not now(kitchen, late)["to_discard"]
    assert refusal(fed(kitchen, early)) == (409, "clock-from-freezer")
    tend(kitchen, early, "discard", reason="its clock has run out")
    assert states(kitchen, "to_discard") == []
    assert states(kitchen, "open") == states(kitchen, "thawing") == [late["code"]]


def test_lists_by_state_are_paged(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot("CAP")["code"]
    made = [kitchen.pulled(lot, "1 kg")["code"] for _ in range(5)]
    kitchen.clock.forward(hours=25)
    first = kitchen.keeper.shown("/thaw-batches?state=to_discard&limit=3")
    rest = kitchen.keeper.shown(f"/thaw-batches?state=to_discard&limit=3&cursor={first['next']}")
    assert [b["code"] for b in first["items"] + rest["items"]] == made
    assert rest["next"] is None


def told(kitchen: Kitchen) -> list[tuple[str, str]]:
    with kitchen.writing() as session:
        warn_of_clocks(session, at=kitchen.clock())
    found = kitchen.manager.shown("/messages")["items"]
    return [(m["title"], m["body"]) for m in found if m["subject"] == "thaw"]


def test_people_are_told_four_hours_and_one_before_a_clock_runs_out_and_when_it_has(
    kitchen: Kitchen,
) -> None:
    # hours before: our default
    batch = capelin(kitchen, "10 kg")
    counts = []
    for hours in (19.9, 20, 20.5, 23, 23.5, 24, 24.1, 30):
        kitchen.clock.at = START + timedelta(hours=hours)
        counts.append(len(told(kitchen)))
    assert counts == [0, 1, 1, 2, 2, 2, 3, 3]
    said = told(kitchen)
    assert all(batch["code"] in body and batch["lot"] in body for _, body in said)
    assert len({title for title, _ in said}) == 3


def test_nobody_is_told_of_fish_that_is_gone_and_a_moved_clock_is_told_anew(
    kitchen: Kitchen,
) -> None:
    gone, kept = capelin(kitchen, "10 kg"), capelin(kitchen, "10 kg", to="COOL")
    tend(kitchen, gone, "discard", reason="it smells")
    kitchen.clock.at = instant(kept["discard_after"]) - timedelta(minutes=30)
    ((_, body),) = told(kitchen)
    assert kept["code"] in body and gone["code"] not in body
    found = tend(kitchen, kept, "thawed", method="touch")
    assert len(told(kitchen)) == 1
    kitchen.clock.at = instant(found["discard_after"]) - timedelta(minutes=30)
    assert len(told(kitchen)) == 2


def test_marks_outlive_a_step_back_and_forth_of_the_migrations(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot("CAP")["code"]
    batch = kitchen.pulled(lot, "10 kg", to="COOL")
    part = tend(kitchen, batch, "split", mass="4 kg")["thaw_batch"]
    kitchen.clock.forward(hours=20)
    tend(kitchen, batch, "thawed", method="touch")
    tend(kitchen, part, "temperatures", part="surface", temperature="2 °C")
    kitchen.close()
    command.downgrade(configuration(kitchen.address), "0017")
    command.upgrade(configuration(kitchen.address), "head")
    again = Kitchen(kitchen.address, kitchen.folder, kitchen.clock, tokens=kitchen.tokens)
    assert instant(now(again, batch)["thawed_at"]) == START + timedelta(hours=20)
    assert tend(again, batch, "thawed", method="touch")["state"] == "thawed"
    again.close()
