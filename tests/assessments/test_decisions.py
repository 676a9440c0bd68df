"""Who may decide what after an excursion, what it does, and that nothing changes it."""

from typing import Any

import pytest
from sqlalchemy import text

from tests.assessments.outages import assessed, core, decide, readings, watched
from tests.assessments.test_flow import a_warm_night
from tests.kitchen import Kitchen


def test_the_commissary_and_the_manager_leave_warm_fish_to_the_vet(kitchen: Kitchen) -> None:
    lot, number = a_warm_night(kitchen)
    why = [{"rule": "excursion-open", "reason": "we need it"}]
    for person in (kitchen.commissary, kitchen.manager):
        refused = decide(person, number, {lot: "use"})
        assert refused.status_code == 409
        assert refused.json()["type"].endswith("/excursion-open")
        assert decide(person, number, {lot: "use"}, override=why).status_code == 403
    assert decide(kitchen.keeper, number, {lot: "use"}).status_code == 403
    assert decide(kitchen.nutritionist, number, {lot: "hold"}).status_code == 403
    assert assessed(kitchen, number)["undecided"] == [lot]
    assert decide(kitchen.vet, number, {lot: "use_first"}).status_code == 201


def test_whoever_may_decide_may_hold_and_the_lot_is_held_at_once(kitchen: Kitchen) -> None:
    lot, number = a_warm_night(kitchen)
    signed = decide(kitchen.commissary, number, {lot: "hold"})
    assert signed.status_code == 201
    decided = signed.json()["lots"][lot]
    (hold,) = kitchen.keeper.shown("/holds?open=true")["items"]
    assert (decided["hold"], hold["lot"]) == (hold["id"], lot)
    assert hold["reason"].startswith(f"excursion {number}, hold:")


def test_to_condemn_holds_and_says_how_it_leaves_the_books(kitchen: Kitchen) -> None:
    lot, number = a_warm_night(kitchen)
    before = kitchen.balance()
    decided = decide(kitchen.vet, number, {lot: "condemn"}).json()["lots"][lot]
    assert f"/v1/lots/{lot}/condemnation" in decided["next"]
    assert kitchen.balance() == before
    assert kitchen.keeper.shown(f"/lots/{lot}")["status"] == "held"


def test_a_newer_decision_counts_and_the_older_one_stays(kitchen: Kitchen) -> None:
    lot, number = a_warm_night(kitchen)
    first = decide(kitchen.vet, number, {lot: "hold"}).json()
    second = decide(kitchen.vet, number, {lot: "use_first"}, reason="cut open: hard and bright")
    assert second.status_code == 201
    kept = kitchen.keeper.shown(f"/excursions/{number}/decisions")["items"]
    assert [d["id"] for d in kept] == [first["id"], second.json()["id"]]
    assert [d["lots"][lot]["holds"] for d in kept] == [False, True]


def test_a_decision_that_happened_without_a_right_is_recorded_and_settles_nothing(
    kitchen: Kitchen,
) -> None:
    lot, number = a_warm_night(kitchen)
    done = decide(kitchen.commissary, number, {lot: "use"}, already_done=True)
    assert done.status_code == 201
    body = done.json()
    assert [b["rule"] for b in body["breaches"]] == ["excursion-open"]
    assert (body["undecided"], body["state"]) == ([lot], "assessed")
    assert not body["lots"][lot]["holds"]


def test_an_excursion_with_two_lots_is_decided_when_both_are(kitchen: Kitchen) -> None:
    first = str(kitchen.a_lot("CAP")["code"])
    second, number = a_warm_night(kitchen)
    one = decide(kitchen.vet, number, {first: "use_first"}).json()
    assert (one["state"], one["undecided"]) == ("assessed", [second])
    both = decide(kitchen.vet, number, {second: "hold"}).json()
    assert (both["state"], both["undecided"]) == ("decided", [])


def test_a_decision_on_an_excursion_that_goes_on_counts_until_it_is_warmer(
    kitchen: Kitchen,
) -> None:
    lot = str(kitchen.a_lot()["code"])
    readings(kitchen, {9.5: -8.0})  # two and a half hours so far
    watched(kitchen)
    number = int(kitchen.keeper.shown("/excursions")["items"][0]["id"])
    signed = decide(kitchen.commissary, number, {lot: "use"}).json()
    assert (signed["state"], signed["undecided"]) == ("open", [])
    start = kitchen.clock()
    kitchen.clock.forward(hours=8)
    kitchen.temperatures("FZ1-AIR", start, [-8.0] * 97, every_s=300)
    watched(kitchen)
    assert assessed(kitchen, number)["undecided"] == [lot]


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"lots": [{"lot": "NOTHERE", "decision": "use"}]}, "lots.0.lot"),
        ({"lots": []}, "lots"),
        ({"reason": "x"}, "reason"),
        ({"corrective_action": ""}, "corrective_action"),
        ({"lots": [{"lot": "NOTHERE", "decision": "eat"}]}, "lots.0.decision"),
    ],
)
def test_a_malformed_decision_names_its_field(
    small_kitchen: Kitchen, change: dict[str, Any], field: str
) -> None:
    lot, number = a_warm_night(small_kitchen)
    refused = decide(small_kitchen.vet, number, {lot: "hold"}, **change)
    assert refused.status_code == 422, refused.text
    assert refused.json()["errors"][0]["field"] == field


def test_an_unknown_excursion_is_told_so(small_kitchen: Kitchen) -> None:
    for path in ("assessment", "record", "decisions"):
        answer = small_kitchen.keeper.get(f"/excursions/99/{path}")
        assert answer.status_code == 404
        assert answer.json()["type"].endswith("/unknown-excursion")


def test_a_decision_sent_twice_is_signed_once(kitchen: Kitchen) -> None:
    lot, number = a_warm_night(kitchen)
    body = {
        "lots": [{"lot": lot, "decision": "hold"}],
        "reason": "too warm",
        "corrective_action": "called the service",
    }
    key = {"Idempotency-Key": "decision-1"}
    path = f"/excursions/{number}/decisions"
    first = kitchen.vet.post(path, body, headers=key)
    again = kitchen.vet.post(path, body, headers=key)
    assert first.json() == again.json()
    assert len(kitchen.keeper.shown(path)["items"]) == 1


def test_what_was_measured_computed_and_decided_is_never_changed(kitchen: Kitchen) -> None:
    lot, number = a_warm_night(kitchen)
    core(kitchen, lot, "-13.4 °C")
    assert decide(kitchen.vet, number, {lot: "hold"}).status_code == 201
    for table in ("check_record", "assessment", "assessed_fish", "excursion_decision"):
        for statement in (f'UPDATE {table} SET "{_column(table)}" = NULL', f"DELETE FROM {table}"):
            with (
                pytest.raises(Exception, match="never"),
                kitchen.app.state.database.writer.begin() as connection,
            ):
                connection.execute(text(statement))


def _column(table: str) -> str:
    return {"check_record": "by", "excursion_decision": "by"}.get(table, "figures")
