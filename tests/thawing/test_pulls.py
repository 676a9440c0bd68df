"""Pulls, thaw batches and thaw requests, as keepers and commissaries meet them."""

from datetime import datetime, timedelta
from typing import Any

import httpx
import pytest

from tests.kitchen import START, Kitchen

REASON = "the older cartons are under a fallen shelf"
OLDER_LOT = [{"rule": "older-lot-first", "reason": REASON}]


def body(lot: Any, mass: str = "10 kg", **more: Any) -> dict[str, Any]:
    return {"lot": lot["code"], "from_place": "FZ1", "mass": mass, "to_place": "TANK1", **more}


def refusal(answer: httpx.Response) -> tuple[int, str]:
    return answer.status_code, answer.json()["type"].removeprefix("/problems/")


def rules(answer: httpx.Response) -> list[str]:
    return [f["rule"] for f in answer.json()["findings"] if f["outcome"] == "block"]


def asked(kitchen: Kitchen, mass: str, species: str = "CAP") -> Any:
    """A thaw request for tomorrow morning."""
    return kitchen.keeper.made(
        "/thaw-requests",
        {
            "first_feed_at": "2026-11-26T08:00:00Z",
            "last_feed_at": "2026-11-26T10:00:00Z",
            "thaw_place": "TANK1",
            "lines": [{"species": species, "mass": mass}],
        },
    )


def instant(text: str) -> datetime:
    return datetime.fromisoformat(text)


# Which lot


def test_a_later_lot_is_not_pulled_while_an_earlier_one_is_there(kitchen: Kitchen) -> None:
    older = kitchen.a_lot("CAP", caught="2026-08-01", place="FZ2")
    newer = kitchen.a_lot("CAP", caught="2026-08-02")
    answer = kitchen.keeper.post("/pulls", body(newer))
    assert refusal(answer) == (409, "older-lot-first")
    numbers = answer.json()["findings"][0]["numbers"]
    assert (numbers["older_lot"], numbers["place"]) == (older["code"], "FZ2")
    assert kitchen.keeper.shown("/thaw-batches")["items"] == []


def test_lots_of_the_same_day_never_block_one_another(kitchen: Kitchen) -> None:
    lots = [kitchen.a_lot("CAP", caught="2026-08-01") for _ in range(2)]
    for lot in lots:
        assert kitchen.keeper.post("/pulls", body(lot)).status_code == 201


def test_another_species_never_blocks(kitchen: Kitchen) -> None:
    kitchen.a_lot("HER", caught="2026-07-01")
    lot = kitchen.a_lot("CAP", caught="2026-09-01")
    assert kitchen.keeper.post("/pulls", body(lot)).status_code == 201


def test_a_held_older_lot_is_passed_over(kitchen: Kitchen) -> None:
    older = kitchen.a_lot("CAP", caught="2026-08-01")
    newer = kitchen.a_lot("CAP", caught="2026-09-01")
    kitchen.vet.made(f"/lots/{older['code']}/holds", {"reason": "supplier recall"})
    assert kitchen.keeper.post("/pulls", body(newer)).status_code == 201


def test_a_rejected_older_lot_is_passed_over(kitchen: Kitchen) -> None:
    older = kitchen.a_lot("CAP", caught="2026-08-01")
    newer = kitchen.a_lot("CAP", caught="2026-09-01")
    kitchen.manager.made(f"/lots/{older['code']}/rejection", {"reason": "it smells"})
    assert kitchen.keeper.post("/pulls", body(newer)).status_code == 201


def test_an_older_lot_past_its_age_limit_is_passed_over(kitchen: Kitchen) -> None:
    kitchen.a_lot("HER", caught="2026-04-01")  # fatty fish: 6 months
    newer = kitchen.a_lot("HER", caught="2026-09-01")
    assert kitchen.keeper.post("/pulls", body(newer)).status_code == 201


def test_an_older_lot_that_is_all_reserved_for_others_is_passed_over(kitchen: Kitchen) -> None:
    older = kitchen.a_lot("CAP", caught="2026-08-01", mass="20 kg")
    newer = kitchen.a_lot("CAP", caught="2026-09-01")
    request = asked(kitchen, "20 kg")
    assert [p["lot"] for p in request["pulls"]] == [older["code"]]
    assert kitchen.keeper.post("/pulls", body(newer)).status_code == 201
    own = kitchen.keeper.post("/pulls", body(newer, thaw_request=request["id"]))
    assert refusal(own) == (409, "older-lot-first"), "its own reserved fish is not passed over"


def test_an_older_lot_that_is_already_thawing_is_passed_over(kitchen: Kitchen) -> None:
    older = kitchen.a_lot("CAP", caught="2026-08-01", mass="10 kg")
    newer = kitchen.a_lot("CAP", caught="2026-09-01")
    kitchen.pulled(older["code"], "10 kg")
    assert kitchen.keeper.post("/pulls", body(newer)).status_code == 201


def test_a_commissary_takes_the_later_lot_with_a_reason_that_is_kept(kitchen: Kitchen) -> None:
    kitchen.a_lot("CAP", caught="2026-08-01")
    newer = kitchen.a_lot("CAP", caught="2026-09-01")
    pulled = kitchen.commissary.made("/pulls", body(newer, override=OLDER_LOT))
    assert pulled["breaches"] == []
    (kept,) = kitchen.manager.shown("/deviations")["items"]
    told = (kept["kind"], kept["rule"], kept["reason"], kept["by"])
    assert told == ("override", "older-lot-first", REASON, "commissary")
    assert pulled["thaw_batch"]["code"] in kept["subject"]


def test_a_keeper_may_not_take_the_later_lot_whatever_the_reason(kitchen: Kitchen) -> None:
    kitchen.a_lot("CAP", caught="2026-08-01")
    newer = kitchen.a_lot("CAP", caught="2026-09-01")
    answer = kitchen.keeper.post("/pulls", body(newer, override=OLDER_LOT))
    assert refusal(answer) == (403, "not-allowed")
    assert kitchen.manager.shown("/deviations")["items"] == []
    assert kitchen.keeper.shown("/thaw-batches")["items"] == []


def test_a_pull_that_has_happened_is_stored_with_what_it_breaches(kitchen: Kitchen) -> None:
    kitchen.a_lot("CAP", caught="2026-08-01")
    newer = kitchen.a_lot("CAP", caught="2026-09-01")
    kitchen.vet.made(f"/lots/{newer['code']}/holds", {"reason": "supplier recall"})
    pulled = kitchen.keeper.made("/pulls", body(newer, mass="120 kg", already_done=True))
    breached = ["lot-on-hold", "older-lot-first", "not-enough-stock"]
    assert [b["rule"] for b in pulled["breaches"]] == breached
    assert pulled["thaw_batch"]["mass"]["g"] == 120_000
    listed = kitchen.manager.shown("/deviations")["items"]
    assert {(d["kind"], d["rule"]) for d in listed} == {("breach", rule) for rule in breached}
    assert kitchen.balance()["count_difference"] == -20_000


def test_a_hold_names_the_refusal_before_every_other_rule(kitchen: Kitchen) -> None:
    kitchen.a_lot("HER", caught="2026-04-02")
    lot = kitchen.a_lot("HER", caught="2026-04-03")
    kitchen.vet.made(f"/lots/{lot['code']}/holds", {"reason": "supplier recall"})
    answer = kitchen.keeper.post("/pulls", body(lot, mass="500 kg"))
    assert refusal(answer) == (409, "lot-on-hold")
    assert rules(answer) == ["lot-on-hold", "past-age-limit", "not-enough-stock"]


def test_a_hold_is_never_overridden_but_released(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot("CAP")
    hold = kitchen.keeper.made(f"/lots/{lot['code']}/holds", {"reason": "it smells"})["id"]
    override = [{"rule": "lot-on-hold", "reason": "it smells no more"}]
    for person in (kitchen.keeper, kitchen.vet, kitchen.manager):
        answer = person.post("/pulls", body(lot, override=override))
        assert answer.status_code == 403
    kitchen.vet.made(f"/holds/{hold}/release", {"reason": "inspected and sound"})
    assert kitchen.keeper.post("/pulls", body(lot)).status_code == 201


def test_fish_may_be_pulled_on_its_last_day_of_age_and_not_on_the_next(kitchen: Kitchen) -> None:
    # Fatty fish: 6 months of 30.4375 days are 182.625 days; 182 days pass, 183 do not.
    lot = kitchen.a_lot("HER", caught="2026-05-27")
    kitchen.clock.at = instant("2026-11-25T23:59:59+00:00")
    assert kitchen.keeper.post("/pulls", body(lot)).status_code == 201
    kitchen.clock.forward(seconds=1)
    answer = kitchen.keeper.post("/pulls", body(lot))
    assert refusal(answer) == (409, "past-age-limit")
    assert answer.json()["findings"][0]["may_override"] == ["vet"]


def test_only_the_vet_pulls_fish_past_its_age_limit_with_a_reason_that_is_kept(
    kitchen: Kitchen,
) -> None:
    lot = kitchen.a_lot("HER", caught="2026-04-01")
    override = [{"rule": "past-age-limit", "reason": "inspected, kept at -30 °C"}]
    for person in (kitchen.keeper, kitchen.commissary, kitchen.manager):
        answer = person.post("/pulls", body(lot, override=override))
        assert refusal(answer) == (403, "not-allowed")
    assert kitchen.vet.made("/pulls", body(lot, override=override))["breaches"] == []
    (kept,) = kitchen.manager.shown("/deviations")["items"]
    assert (kept["kind"], kept["rule"], kept["by"]) == ("override", "past-age-limit", "vet")


def test_a_pull_of_blocks_is_rounded_up_to_whole_cartons_and_says_so(kitchen: Kitchen) -> None:
    pulled = kitchen.keeper.made("/pulls", body(kitchen.a_lot(mass="100 kg"), mass="25 kg"))
    assert (pulled["cartons"], pulled["thaw_batch"]["mass"]["g"]) == (3, 30_000)


def test_nothing_is_pulled_before_it_arrived(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot("CAP", arrived="2026-11-25T05:00:00Z")
    early = body(lot, occurred_at="2026-11-25T04:59:59Z", already_done=True)
    answer = kitchen.keeper.post("/pulls", early)
    assert (answer.status_code, answer.json()["errors"][0]["field"]) == (422, "occurred_at")


def test_a_pull_into_a_freezer_is_told_to_be_a_move(kitchen: Kitchen) -> None:
    answer = kitchen.keeper.post("/pulls", body(kitchen.a_lot("CAP"), to_place="FZ2"))
    assert answer.status_code == 422
    assert "POST /v1/moves" in answer.json()["errors"][0]["message"]


# The clocks


@pytest.mark.parametrize("place", ["TANK1", "ROOM", "KITCHEN"])
def test_fish_thawed_in_air_or_water_is_good_for_24_h_from_the_freezer(
    kitchen: Kitchen, place: str
) -> None:
    # 9 CFR 3.105(d): fed within 24 h of leaving the freezer.
    batch = kitchen.pulled(kitchen.a_lot("CAP")["code"], "10 kg", to=place)
    assert instant(batch["discard_after"]) == START + timedelta(hours=24)
    assert (batch["clock"], batch["discard_after_estimated"]) == ("clock-from-freezer", False)
    kitchen.clock.forward(hours=5)
    marked = kitchen.keeper.made(f"/thaw-batches/{batch['code']}/thawed", {})
    assert marked["state"] == "thawed"
    assert marked["discard_after"] == batch["discard_after"], "being thawed moves no clock here"


def test_fish_in_a_refrigerator_is_good_for_24_h_from_being_found_thawed(kitchen: Kitchen) -> None:
    # 9 CFR 3.105(d): thawed under refrigeration, within 24 h of being thawed.
    batch = kitchen.pulled(kitchen.a_lot("CAP")["code"], "10 kg", to="COOL")
    assert (batch["clock"], batch["discard_after_estimated"]) == ("clock-from-thawed", True)
    assert instant(batch["discard_after"]) > START + timedelta(hours=24)
    kitchen.clock.forward(hours=20)
    marked = kitchen.keeper.made(f"/thaw-batches/{batch['code']}/thawed", {})
    assert instant(marked["discard_after"]) == START + timedelta(hours=44)
    assert marked["discard_after_estimated"] is False


def test_of_several_times_found_thawed_the_earliest_counts(kitchen: Kitchen) -> None:
    code = kitchen.pulled(kitchen.a_lot("CAP")["code"], "10 kg", to="COOL")["code"]
    kitchen.clock.forward(hours=20)
    kitchen.keeper.made(f"/thaw-batches/{code}/thawed", {})
    earlier = {"occurred_at": "2026-11-25T20:00:00Z"}
    marked = kitchen.keeper.made(f"/thaw-batches/{code}/thawed", earlier)
    assert marked["thawed_at"] == "2026-11-25T20:00:00Z"
    assert marked["discard_after"] == "2026-11-26T20:00:00Z"


def test_leaving_the_refrigerator_before_it_is_thawed_counts_from_the_freezer(
    kitchen: Kitchen,
) -> None:
    lot = kitchen.a_lot("CAP")["code"]
    code = kitchen.pulled(lot, "10 kg", to="COOL")["code"]
    kitchen.clock.forward(hours=6)
    move = {"lot": lot, "from_place": "COOL", "to_place": "ROOM", "mass": "10 kg"}
    kitchen.commissary.made("/moves", move)
    batch = kitchen.keeper.shown(f"/thaw-batches/{code}")
    assert (batch["place"], batch["clock"]) == ("ROOM", "clock-from-freezer")
    assert instant(batch["discard_after"]) == START + timedelta(hours=24)


def test_leaving_the_refrigerator_once_thawed_keeps_its_clock(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot("CAP")["code"]
    code = kitchen.pulled(lot, "10 kg", to="COOL")["code"]
    kitchen.clock.forward(hours=20)
    kitchen.keeper.made(f"/thaw-batches/{code}/thawed", {})
    move = {"lot": lot, "from_place": "COOL", "to_place": "KITCHEN", "mass": "10 kg"}
    kitchen.commissary.made("/moves", move)
    batch = kitchen.keeper.shown(f"/thaw-batches/{code}")
    assert instant(batch["discard_after"]) == START + timedelta(hours=44)


def test_a_batch_that_is_used_up_is_finished_and_no_longer_open(kitchen: Kitchen) -> None:
    code = kitchen.pulled(kitchen.a_lot("CAP")["code"], "10 kg")["code"]
    waste = {"mass": "10 kg", "reason": "dropped on the floor"}
    answer = kitchen.keeper.made(f"/thaw-batches/{code}/discard", waste)
    assert (answer["thaw_batch"]["state"], answer["thaw_batch"]["remaining"]["g"]) == (
        "finished",
        0,
    )
    assert kitchen.keeper.shown("/thaw-batches", params={"state": "open"})["items"] == []
    assert kitchen.balance()["discarded"] == 10_000


def test_nobody_discards_more_than_the_batch_holds(kitchen: Kitchen) -> None:
    code = kitchen.pulled(kitchen.a_lot("CAP")["code"], "10 kg")["code"]
    waste = {"mass": "10.001 kg", "reason": "spoiled"}
    answer = kitchen.keeper.post(f"/thaw-batches/{code}/discard", waste)
    assert refusal(answer) == (409, "not-enough-stock")


# Put back


def put_back(kitchen: Kitchen, code: str, core: str | None = "-19 °C", **more: Any) -> Any:
    order = {"mass": "4 kg", "to_place": "FZ1", **more}
    if core is not None:
        order["core_temperature"] = core
    return kitchen.keeper.post(f"/thaw-batches/{code}/put-back", order)


def put_back_minutes(kitchen: Kitchen) -> float:
    site = kitchen.manager.shown("/sites")["items"][0]["code"]
    return float(kitchen.manager.shown(f"/sites/{site}/policy")["figures"]["put_back_minutes"])


def test_hard_frozen_fish_goes_back_within_the_minutes_and_not_a_second_later(
    kitchen: Kitchen,
) -> None:
    code = kitchen.pulled(kitchen.a_lot("CAP")["code"], "10 kg")["code"]
    kitchen.clock.forward(minutes=put_back_minutes(kitchen))
    answer = put_back(kitchen, code)
    assert answer.status_code == 201, answer.text
    assert answer.json()["thaw_batch"]["remaining"]["g"] == 6_000
    kitchen.clock.forward(seconds=1)
    assert refusal(put_back(kitchen, code)) == (409, "no-refreeze")


@pytest.mark.parametrize("core", [None, "-11.9 °C", "-1 °C"])
def test_fish_that_is_soft_or_was_not_measured_does_not_go_back(
    kitchen: Kitchen, core: str | None
) -> None:
    code = kitchen.pulled(kitchen.a_lot("CAP")["code"], "10 kg")["code"]
    assert refusal(put_back(kitchen, code, core)) == (409, "no-refreeze")


def test_fish_that_was_found_thawed_does_not_go_back(kitchen: Kitchen) -> None:
    code = kitchen.pulled(kitchen.a_lot("CAP")["code"], "10 kg")["code"]
    kitchen.keeper.made(f"/thaw-batches/{code}/thawed", {})
    assert refusal(put_back(kitchen, code)) == (409, "no-refreeze")


def test_nobody_may_let_fish_be_refrozen_but_what_was_done_is_stored(kitchen: Kitchen) -> None:
    code = kitchen.pulled(kitchen.a_lot("CAP")["code"], "10 kg")["code"]
    kitchen.clock.forward(hours=3)
    override = [{"rule": "no-refreeze", "reason": "it would be a waste"}]
    assert put_back(kitchen, code, override=override).status_code == 403
    answer = put_back(kitchen, code, already_done=True)
    assert [b["rule"] for b in answer.json()["breaches"]] == ["no-refreeze"]
    (kept,) = kitchen.manager.shown("/deviations")["items"]
    assert (kept["kind"], kept["rule"]) == ("breach", "no-refreeze")


def test_what_was_put_back_is_pulled_first(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot("CAP")
    code = kitchen.pulled(lot["code"], "10 kg")["code"]
    kitchen.clock.forward(minutes=5)
    put_back(kitchen, code)
    kitchen.clock.forward(hours=1)
    kitchen.keeper.made("/pulls", body(lot, mass="4 kg"))
    frozen = kitchen.keeper.shown("/stock", params={"place": "FZ1"})["items"]
    assert [(row["mass"]["g"], row["parcel"]) for row in frozen] == [(90_000, 1)]


# Requests


def test_a_pull_for_a_request_uses_the_reservation_first(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot("CAP", mass="20 kg")
    request = asked(kitchen, "15 kg")
    answer = kitchen.keeper.post("/pulls", body(lot, mass="6 kg"))
    assert refusal(answer) == (409, "not-enough-stock")
    numbers = answer.json()["findings"][0]["numbers"]
    assert numbers == {"wanted_g": 6_000, "available_g": 5_000, "reserved_g": 15_000}
    kitchen.keeper.made("/pulls", body(lot, mass="15 kg", thaw_request=request["id"]))
    (row,) = kitchen.keeper.shown("/stock", params={"place": "FZ1"})["items"]
    assert (row["mass"]["g"], row["available"]["g"]) == (5_000, 5_000)


@pytest.mark.parametrize(
    ("away_h", "said"), [(-2.5, "early_by_h"), (0.0, None), (1.5, "late_by_h")]
)
def test_a_pull_outside_of_its_planned_window_says_by_how_much(
    kitchen: Kitchen, away_h: float, said: str | None
) -> None:
    kitchen.a_lot("CAP")
    plan = asked(kitchen, "20 kg")
    (planned,) = plan["pulls"]
    edge = planned["pull_not_before" if away_h < 0 else "pull_not_after"]
    kitchen.clock.at = instant(edge) + timedelta(hours=away_h)
    request = body({"code": planned["lot"]}, thaw_request=plan["id"])
    found = kitchen.keeper.made("/pulls", request)["findings"]
    numbers = [f["numbers"] for f in found if f["rule"] == "thaw-in-time"]
    assert numbers == ([{said: abs(away_h)}] if said else [])


def test_a_request_that_was_pulled_in_part_keeps_the_rest(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot("CAP", mass="20 kg")
    request = asked(kitchen, "15 kg")
    kitchen.keeper.made("/pulls", body(lot, mass="5 kg", thaw_request=request["id"]))
    (row,) = kitchen.keeper.shown("/stock", params={"place": "FZ1"})["items"]
    assert (row["mass"]["g"], row["available"]["g"]) == (15_000, 5_000)


def test_a_request_reserves_the_oldest_fish_and_tells_what_is_short(kitchen: Kitchen) -> None:
    newer = kitchen.a_lot("CAP", caught="2026-09-01", mass="20 kg")
    older = kitchen.a_lot("CAP", caught="2026-08-01", mass="20 kg")
    request = asked(kitchen, "50 kg")
    taken = [(p["lot"], p["mass"]["g"]) for p in request["pulls"]]
    assert taken == [(older["code"], 20_000), (newer["code"], 20_000)]
    assert request["shortages"][0]["mass"]["g"] == 10_000
    assert asked(kitchen, "1 kg")["pulls"] == [], "two requests never keep the same fish"


def test_a_request_for_blocks_keeps_whole_cartons_and_shows_the_surplus(kitchen: Kitchen) -> None:
    kitchen.a_lot("HER", mass="100 kg")
    (pull,) = asked(kitchen, "25 kg", "HER")["pulls"]
    assert (pull["cartons"], pull["mass"]["g"], pull["surplus"]["g"]) == (3, 30_000, 5_000)


def test_a_request_that_is_cancelled_gives_its_fish_back(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot("CAP", mass="20 kg")
    request = asked(kitchen, "20 kg")["id"]
    cancelled = kitchen.keeper.made(f"/thaw-requests/{request}/cancel", {})
    assert instant(cancelled["cancelled_at"]) == START
    again = kitchen.keeper.post(f"/thaw-requests/{request}/cancel", {})
    assert refusal(again) == (409, "already-cancelled")
    stale = kitchen.keeper.post("/pulls", body(lot, thaw_request=request))
    assert refusal(stale) == (409, "already-cancelled")
    assert kitchen.keeper.post("/pulls", body(lot, mass="20 kg")).status_code == 201


def test_a_pull_that_has_happened_for_a_request_cancelled_meanwhile_is_stored(
    kitchen: Kitchen,
) -> None:
    lot = kitchen.a_lot("CAP", mass="20 kg")
    request = asked(kitchen, "20 kg")["id"]
    kitchen.keeper.made(f"/thaw-requests/{request}/cancel", {})
    order = body(lot, mass="20 kg", thaw_request=request, already_done=True)
    assert kitchen.keeper.made("/pulls", order)["thaw_batch"]["mass"]["g"] == 20_000


# Taken back, and held meanwhile


def test_a_pull_that_is_taken_back_is_reserved_again(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot("CAP", mass="20 kg")
    request = asked(kitchen, "15 kg")["id"]
    pulled = kitchen.keeper.made("/pulls", body(lot, "12 kg", thaw_request=request))
    others = kitchen.keeper.post("/pulls", body(lot, "6 kg"))
    assert refusal(others) == (409, "not-enough-stock")
    back = {"reason": "the wrong freezer was opened"}
    kitchen.keeper.made(f"/movements/{pulled['movement_id']}/reversal", back)
    (row,) = kitchen.keeper.shown("/stock?species=CAP")["items"]
    assert (row["mass"]["g"], row["available"]["g"]) == (20_000, 5_000)
    assert refusal(kitchen.keeper.post("/pulls", body(lot, "6 kg"))) == (409, "not-enough-stock")
    own = body(lot, "15 kg", thaw_request=request)
    assert kitchen.keeper.post("/pulls", own).status_code == 201


def test_what_a_cancelled_plan_had_pulled_is_free_when_it_is_taken_back(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot("CAP", mass="20 kg")
    request = asked(kitchen, "15 kg")["id"]
    pulled = kitchen.keeper.made("/pulls", body(lot, "12 kg", thaw_request=request))
    kitchen.keeper.made(f"/thaw-requests/{request}/cancel", {})
    back = {"reason": "the wrong freezer was opened"}
    kitchen.keeper.made(f"/movements/{pulled['movement_id']}/reversal", back)
    (row,) = kitchen.keeper.shown("/stock?species=CAP")["items"]
    assert row["available"]["g"] == row["mass"]["g"] == 20_000


def test_fish_held_between_pull_and_feed_is_not_fed_and_if_it_was_it_is_written_down(
    kitchen: Kitchen,
) -> None:
    lot = kitchen.a_lot("CAP")
    batch = kitchen.pulled(lot["code"], "10 kg")["code"]
    kitchen.clock.forward(hours=2)
    kitchen.vet.made(f"/lots/{lot['code']}/holds", {"reason": "supplier recall"})
    items = [{"thaw_batch": batch, "offered": "1 kg", "eaten": "1 kg"}]
    feed = {"animal": "BRINE", "items": items}
    assert refusal(kitchen.keeper.post("/feeds", feed)) == (409, "lot-on-hold")
    done = kitchen.keeper.made("/feeds", feed | {"already_done": True})
    assert [b["rule"] for b in done["breaches"]] == ["lot-on-hold"]
    assert kitchen.balance()["eaten"] == 1_000


def test_single_fish_comes_out_of_the_opened_carton_first(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot("CAP", mass="60 kg")  # five cartons of 12 kg

    def out_of(mass: str) -> tuple[int, int, int]:
        said = kitchen.keeper.made("/pulls", body(lot, mass))["out_of_cartons"]
        return said["opened"]["g"], said["whole"], said["newly_opened"]["g"]

    assert out_of("5 kg") == (0, 0, 5_000)
    assert out_of("22 kg") == (7_000, 1, 3_000)
    assert out_of("1 kg") == (1_000, 0, 0)
    assert kitchen.keeper.made("/pulls", body(kitchen.a_lot()))["out_of_cartons"] is None
