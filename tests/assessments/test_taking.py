"""Fish that was in an excursion: pulled only after somebody decided, moved at any time."""

from datetime import datetime, timedelta
from typing import Any

from service.assessments.rules.deciding import Decided
from service.assessments.rules.judging import Choice
from service.assessments.rules.taking import Met, taking_findings
from service.excursions.actions.watching import watch
from service.excursions.rules import ExcursionKind
from service.site.rules import default_policy
from tests.assessments.outages import (
    NIGHT,
    assessed,
    core,
    decide,
    excursion,
    readings,
    watched,
)
from tests.assessments.test_flow import SHORT, a_warm_night
from tests.kitchen import START, Kitchen

POLICY = default_policy()
BEGUN = START - timedelta(hours=3)


def met(**more: Any) -> Met:
    facts: dict[str, Any] = {
        "excursion": 1,
        "place": "FZ1",
        "freezer": True,
        "kind": ExcursionKind.WARM,
        "from_at": BEGUN,
        "ended_at": START,
        "peak_c": -8.0,
    }
    return Met(**facts | more)


def outcome(*, at: datetime = START, feeding: bool = False, **more: Any) -> str:
    (found,) = taking_findings("HER1", [met(**more)], POLICY, at, feeding=feeding)
    return str(found.outcome)


def test_until_it_is_assessed_the_warmest_air_bounds_the_core() -> None:
    assert outcome(peak_c=-11.9) == "block"
    assert outcome(peak_c=-12.0) == "warn"
    assert outcome(kind=ExcursionKind.RISING, peak_c=-18.5) == "warn"


def test_a_short_silence_warns_and_a_long_one_blocks_until_it_is_assessed() -> None:
    silent: dict[str, Any] = {"kind": ExcursionKind.SILENT, "peak_c": None, "ended_at": None}
    assert outcome(at=BEGUN + timedelta(hours=POLICY.excursion_silence_h), **silent) == "warn"
    assert outcome(at=BEGUN + timedelta(hours=4, seconds=1), **silent) == "block"
    assert outcome(at=BEGUN + timedelta(hours=9), worst_c=-19.0, **silent) == "warn"


def test_once_assessed_the_worst_carton_counts_and_not_the_air() -> None:
    assert outcome(worst_c=-12.0) == "warn"
    assert outcome(worst_c=-11.9) == "block"


def test_a_decision_lets_fish_go_as_long_as_it_became_no_warmer() -> None:
    use = Decided(Choice.USE_FIRST, -10.0)
    assert outcome(worst_c=-10.0, decided=use) == "pass"
    assert outcome(worst_c=-8.0, decided=use) == "block"
    assert outcome(worst_c=-10.0, decided=Decided(Choice.USE, -10.0, breach=True)) == "block"


def test_outside_of_freezers_and_for_thawed_fish_it_warns() -> None:
    assert outcome(freezer=False, peak_c=9.0) == "warn"
    assert outcome(worst_c=-5.0, feeding=True) == "warn"


def pull(kitchen: Kitchen, lot: str, **more: Any) -> Any:
    body = {"lot": lot, "from_place": "FZ1", "to_place": "TANK1", "mass": "10 kg", **more}
    return kitchen.keeper.post("/pulls", body)


def test_fish_that_may_have_been_too_warm_waits_for_a_decision(kitchen: Kitchen) -> None:
    lot, number = a_warm_night(kitchen)
    refused = pull(kitchen, lot)
    assert refused.status_code == 409
    body = refused.json()
    assert body["type"].endswith("/excursion-open")
    (found,) = [f for f in body["findings"] if f["rule"] == "excursion-open"]
    assert found["may_override"] == ["vet"]
    assert found["numbers"]["excursion"] == number and found["numbers"]["limit_c"] == -12.0

    why = [{"rule": "excursion-open", "reason": "looked at it"}]
    assert pull(kitchen, lot, override=why).status_code == 403, "a keeper may not"
    as_vet = {"lot": lot, "from_place": "FZ1", "to_place": "TANK1", "mass": "10 kg"}
    assert kitchen.vet.post("/pulls", as_vet | {"override": why}).status_code == 201

    assert decide(kitchen.vet, number, {lot: "use_first"}).status_code == 201
    assert pull(kitchen, lot).status_code == 201


def test_an_excursion_blocks_before_anybody_has_assessed_it(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot()["code"]
    readings(kitchen, SHORT)
    with kitchen.writing() as session:
        watch(session, at=kitchen.clock())
    refused = pull(kitchen, lot)
    assert refused.status_code == 409 and "is not assessed" in refused.json()["detail"]


def test_a_pull_that_has_happened_is_recorded_with_its_breach(kitchen: Kitchen) -> None:
    lot, _ = a_warm_night(kitchen)
    done = pull(kitchen, lot, already_done=True)
    assert done.status_code == 201
    assert [b["rule"] for b in done.json()["breaches"]] == ["excursion-open"]


def test_fish_always_gets_out_of_a_freezer_that_fails_and_stays_blocked(kitchen: Kitchen) -> None:
    lot, _ = a_warm_night(kitchen)
    move = {"lot": lot, "from_place": "FZ1", "to_place": "FZ2", "mass": "40 kg"}
    assert kitchen.commissary.post("/moves", move).status_code == 201
    refused = pull(kitchen, lot, from_place="FZ2")
    assert refused.status_code == 409
    assert refused.json()["type"].endswith("/excursion-open")


def test_fish_that_stayed_cold_enough_is_pulled_with_a_warning(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot()["code"]
    readings(kitchen, {9.0: -9.0, 11.0: -22.0})  # two hours
    watched(kitchen)
    answer = pull(kitchen, lot)
    assert answer.status_code == 201, answer.text
    assert answer.json()["breaches"] == []


def test_cartons_measured_cold_are_pulled_at_once(kitchen: Kitchen) -> None:
    lot, number = a_warm_night(kitchen)
    at = NIGHT + timedelta(hours=8.9)
    core(kitchen, lot, "-14.0 °C", occurred_at=at.isoformat())
    assert assessed(kitchen, number)["fish"][0]["may_release"] == ["commissary", "manager", "vet"]
    watched(kitchen)  # the worker stores what the check changed
    assert pull(kitchen, lot).status_code == 201


def test_a_core_measured_warm_blocks_before_the_worker_has_looked(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot()["code"]
    readings(kitchen, {9.0: -9.0, 11.0: -22.0})
    watched(kitchen)
    assert pull(kitchen, lot).status_code == 201
    core(kitchen, lot, "-7.0 °C")
    assert pull(kitchen, lot).status_code == 409


def test_a_lot_that_waits_keeps_nobody_from_the_next_one(kitchen: Kitchen) -> None:
    """Else the older lot could not be pulled, nor the newer one before it."""
    older = kitchen.a_lot(caught="2026-07-01")["code"]
    newer = kitchen.a_lot(caught="2026-08-10", place="FZ2")["code"]
    readings(kitchen, SHORT)
    watched(kitchen)
    assert pull(kitchen, older).status_code == 409
    assert pull(kitchen, newer, from_place="FZ2").status_code == 201
    feeds = {
        "first_feed_at": (START + timedelta(hours=26)).isoformat(),
        "last_feed_at": (START + timedelta(hours=30)).isoformat(),
        "thaw_place": "TANK1",
        "lines": [{"species": "HER", "mass": "20 kg"}],
    }
    plan = kitchen.keeper.made("/thaw-requests", feeds)
    assert {p["lot"] for p in plan["pulls"]} == {newer}


def test_fish_thawed_before_anybody_knew_is_fed_with_a_warning(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot()["code"]
    kitchen.clock.at = NIGHT + timedelta(hours=9)
    batch = kitchen.pulled(lot, "10 kg")["code"]
    kitchen.clock.at = START
    readings(kitchen, SHORT)
    watched(kitchen)
    items = [{"thaw_batch": batch, "offered": "2 kg", "eaten": "2 kg"}]
    fed = kitchen.keeper.made("/feeds", {"animal": "BRINE", "items": items})
    assert fed["breaches"] == []
    assert excursion(kitchen)["place"] == "FZ1"


def test_a_decided_excursion_is_not_heard_of_again(kitchen: Kitchen) -> None:
    lot, number = a_warm_night(kitchen)
    assert decide(kitchen.vet, number, {lot: "hold"}).status_code == 201
    refused = pull(kitchen, lot)
    assert refused.json()["type"].endswith("/lot-on-hold")
    (hold,) = kitchen.keeper.shown("/holds?open=true")["items"]
    kitchen.vet.made(f"/holds/{hold['id']}/release", {"reason": "smelled, cut and looked at"})
    assert pull(kitchen, lot).status_code == 201
