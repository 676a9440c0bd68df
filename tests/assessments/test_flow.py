"""From a warm night to a signed decision, on both databases."""

from datetime import timedelta
from typing import Any

from sqlmodel import select

from service.assessments.actions.assessing import assess_due, assess_new
from service.assessments.models import AssessedFish, Assessment
from tests.assessments.outages import (
    NIGHT,
    assessed,
    core,
    decide,
    excursion,
    readings,
    watched,
    worst,
)
from tests.kitchen import START, Kitchen

SHORT = {2: -14.0, 2.5: -9.0, 3: -8.0, 9: -15.0, 9.5: -20.0, 10: -22.0}  # warm for seven hours


def a_warm_night(kitchen: Kitchen, **lot: Any) -> tuple[str, int]:
    """A lot of herring and the excursion that it was in."""
    code = str(kitchen.a_lot(**lot)["code"])
    readings(kitchen, SHORT)
    watched(kitchen)
    return code, int(excursion(kitchen)["id"])


def test_a_warm_night_is_assessed_measured_and_decided(kitchen: Kitchen) -> None:
    lot, number = a_warm_night(kitchen)
    it = assessed(kitchen, number)
    assert (it["state"], it["number"], it["undecided"]) == ("assessed", 1, [lot])
    (fish,) = it["fish"]
    figures = fish["figures"]
    assert fish["on_hand"]["g"] == fish["was_there"]["g"] == 100_000
    low, high = worst(it, lot)
    assert -14.0 < low < -12.0 < high < -9.0
    assert figures["past_limit"] and figures["suggestion"] == "use_first"
    assert figures["limits_perhaps_passed"] == ["core -12 °C"]
    assert fish["may_release"] == ["vet"]
    inside = figures["typical"]["peak_core"]["range"]
    assert inside[1] < low, "the core of the stack stayed colder than any corner"
    assert figures["worst"]["sources"] and figures["worst"]["steps"] and figures["supposed"]

    done = core(kitchen, lot, "-13.4 °C", occurred_at=(NIGHT + timedelta(hours=8.9)).isoformat())
    assert done["excursions"] == [number]
    after = assessed(kitchen, number)
    assert after["number"] is None, "computed anew, with the check"
    assert [c["temperature"]["c"] for c in after["checks"]] == [-13.4]
    assert worst(after, lot)[1] <= -12.5

    signed = decide(kitchen.commissary, number, {lot: "use_first"})
    assert signed.status_code == 201, signed.text
    body = signed.json()
    assert (body["state"], body["undecided"]) == ("decided", [])
    assert (body["by"], body["role"]) == ("commissary", "commissary")
    assert "decide what becomes of it" in body["meaning"]
    assert body["lots"][lot]["holds"]
    assert kitchen.keeper.shown(f"/excursions/{number}/decisions")["items"] == [body]
    assert assessed(kitchen, number)["number"] == 2, "what was decided on is kept"


def test_probing_the_cartons_named_settles_the_lots(kitchen: Kitchen) -> None:
    small = str(kitchen.a_lot(mass="60 kg")["code"])
    large, number = a_warm_night(kitchen, mass="480 kg", caught="2026-07-01")
    # In the middle of the event a thermometer tells most: 02:00, while it is warm.
    kitchen.clock.at = NIGHT + timedelta(hours=8.9)
    following = assessed(kitchen, number)["probe_next"]
    assert following["open"]["g"] == 540_000
    assert following["cartons"][0]["lot"] == large
    assert following["cartons"][0]["where"] == "an outer corner carton of the top layer"
    done = [each["settled"]["g"] for each in following["cartons"]]
    assert done == sorted(done) and done[-1] <= 540_000
    assert f"After these {len(done)} cartons" in following["says"]
    for lot in (small, large):
        core(kitchen, lot, "-13.5 °C")
    assert assessed(kitchen, number)["probe_next"]["cartons"] == []


def test_the_worker_stores_what_is_due_and_nothing_twice(kitchen: Kitchen) -> None:
    kitchen.a_lot()
    readings(kitchen, SHORT)
    watched(kitchen)
    for _ in range(2):
        assert assess_due(kitchen.app.state.database, kitchen.clock) == 0
        with kitchen.writing() as session:
            assert assess_new(session, at=kitchen.clock()) == 0
    with kitchen.looking() as session:
        assert len(session.exec(select(Assessment)).all()) == 1
        assert len(session.exec(select(AssessedFish)).all()) == 1


def test_a_check_makes_the_worker_assess_again(kitchen: Kitchen) -> None:
    lot, number = a_warm_night(kitchen)
    kitchen.clock.forward(minutes=1)
    core(kitchen, lot, "-13.4 °C", occurred_at=(NIGHT + timedelta(hours=8.9)).isoformat())
    kitchen.clock.forward(minutes=1)
    assert assess_due(kitchen.app.state.database, kitchen.clock) == 1
    assert assessed(kitchen, number)["number"] == 2


def test_a_parcel_that_is_split_keeps_its_figures(kitchen: Kitchen) -> None:
    lot, number = a_warm_night(kitchen)
    before = assessed(kitchen, number)
    kitchen.clock.forward(minutes=2)
    move = {"lot": lot, "from_place": "FZ1", "to_place": "FZ2", "mass": "30 kg"}
    kitchen.commissary.made("/moves", move)
    after = assessed(kitchen, number)
    assert worst(after, lot) == worst(before, lot)
    (fish,) = after["fish"]
    assert fish["on_hand"]["g"] == 100_000 and len(fish["parcels"]) == 2


def test_fish_that_was_moved_out_in_time_is_judged_by_its_own_hours(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot()["code"]
    saved = NIGHT + timedelta(hours=4)
    kitchen.clock.at = saved
    move = {"lot": lot, "from_place": "FZ1", "to_place": "FZ2", "mass": "50 kg"}
    kitchen.commissary.made("/moves", move)
    kitchen.clock.at = START
    readings(kitchen, SHORT)
    watched(kitchen)
    fish = assessed(kitchen, int(excursion(kitchen)["id"]))["fish"]
    peaks = {f["figures"]["until_at"]: f["figures"]["worst"]["peak_core"]["range"][1] for f in fish}
    assert len(peaks) == 2
    assert min(peaks.values()) < -13.0 < -12.0 < max(peaks.values())
    assert peaks[saved.isoformat().replace("+00:00", "Z")] == min(peaks.values())


def test_an_empty_freezer_is_assessed_and_closed_without_lots(kitchen: Kitchen) -> None:
    readings(kitchen, SHORT)
    watched(kitchen)
    number = int(excursion(kitchen)["id"])
    it = assessed(kitchen, number)
    assert (it["state"], it["fish"], it["probe_next"]["cartons"]) == ("assessed", [], [])
    closed = decide(kitchen.commissary, number, {})
    assert closed.status_code == 201 and closed.json()["state"] == "decided"


def test_a_short_silence_of_hard_frozen_fish_calls_for_nothing(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot()["code"]
    start = START - timedelta(days=4)
    kitchen.temperatures("FZ1-AIR", start, [-22.0] * (4 * 288 - 18), every_s=300)  # 1.5 h silent
    watched(kitchen)
    it = assessed(kitchen, int(excursion(kitchen)["id"]))
    assert it["kind"] == "silent" and it["air"]["hours_unknown"] > 1.4
    (fish,) = it["fish"]
    assert not fish["figures"]["past_limit"]
    assert worst(it, lot)[1] > -21.0, "what nobody measured is not taken for cold"


def test_a_silence_of_a_day_may_have_thawed_it(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot()["code"]
    start = START - timedelta(days=4)
    kitchen.temperatures("FZ1-AIR", start, [-22.0] * (3 * 288), every_s=300)
    watched(kitchen)
    it = assessed(kitchen, int(excursion(kitchen)["id"]))
    assert worst(it, lot)[1] > -5.0
    assert it["fish"][0]["figures"]["suggestion"] == "hold"


def test_what_was_decided_is_shown_as_it_was_days_later(kitchen: Kitchen) -> None:
    lot, number = a_warm_night(kitchen)
    before = assessed(kitchen, number)
    assert decide(kitchen.vet, number, {lot: "use_first"}).json()["state"] == "decided"
    kitchen.clock.forward(days=9)
    after = assessed(kitchen, number)
    assert worst(after, lot) == worst(before, lot)
    assert after["fish"][0]["decided"]["decision"] == "use_first"
    assert after["fish"][0]["on_hand"]["g"] == 100_000
