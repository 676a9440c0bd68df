"""Looking through a delivery: opened, answered half-way, resumed, signed, corrected."""

from typing import Any

import pytest
from sqlalchemy import text

from service.security import audit
from tests.architecture.test_statements import counted
from tests.kitchen import Kitchen, Person
from tests.photos.test_photos import sent
from tests.photos.test_pictures import picture

LINE = {
    "product": "HER-BLOCK-10",
    "caught_from": "2026-08-01",
    "cartons": 64,
    "place": "FZ1",
    "core_temperatures": [],
}


def a_delivery(kitchen: Kitchen, lots: int = 1, **more: Any) -> Any:
    """A delivery that has just come; of herring in 64 cartons a lot."""
    lines = [LINE | more for _ in range(lots)]
    return kitchen.commissary.made("/deliveries", {"supplier": "NORD", "lots": lines})


def opened(kitchen: Kitchen, delivery: Any, **more: Any) -> Any:
    return kitchen.commissary.made(f"/deliveries/{delivery['id']}/inspections", more)


def all_well(kitchen: Kitchen, inspection: Any, **otherwise: str) -> Any:
    """Every question answered with "accept" or as said; cold cores; no carton defective."""
    questions = kitchen.keeper.shown("/inspection-items")["items"]
    body = {
        "answers": [
            {"item": q["item"], "answer": otherwise.get(q["item"], "accept")} for q in questions
        ],
        "cores": [
            {"lot": lot["lot"], "carton": each["carton"], "temperature": "-20 °C"}
            for lot in inspection["lots"]
            for each in lot["sample"]["cartons"][:3]
        ],
        "counts": [
            {"lot": lot["lot"], "opened": lot["sample"]["size"], "defective": 0}
            for lot in inspection["lots"]
        ],
    }
    return kitchen.commissary.made(f"/inspections/{inspection['id']}/answers", body)


def signed(person: Person, inspection: Any, decision: str, **more: Any) -> Any:
    body = {"decision": decision, "reason": "as it looks"} | more
    return person.post(f"/inspections/{inspection['id']}/signature", body)


def status(kitchen: Kitchen, lot: Any) -> str:
    return str(kitchen.keeper.shown(f"/lots/{lot['code']}")["status"])


def override(*rules: str) -> dict[str, Any]:
    return {"override": [{"rule": rule, "reason": "seen by myself"} for rule in rules]}


def test_the_checklist_is_shown_with_its_sources(small_kitchen: Kitchen) -> None:
    shown = small_kitchen.person("inspector").shown("/inspection-items")["items"]
    assert len(shown) == 24
    assert shown[0]["item"] == "paper_order" and shown[0]["stage"] == "papers"
    assert all(item["source"] and item["flag"] and item["asked_of"] for item in shown)


def test_an_inspection_says_which_cartons_to_open_and_can_say_so_again(kitchen: Kitchen) -> None:
    inspection = opened(kitchen, a_delivery(kitchen))
    assert (inspection["purpose"], inspection["proposed"]) == ("new_supplier", "hold")
    (lot,) = inspection["lots"]
    sample = lot["sample"]
    assert (sample["size"], sample["accept"], sample["level"]) == (6, 1, "I")
    assert len({c["carton"] for c in sample["cartons"]}) == 6
    assert sample["key"].startswith(f"{inspection['delivery']}/{inspection['id']}/{lot['lot']}/")
    assert len(sample["key"].rpartition("/")[2]) == 32
    assert "core_temp" in lot["open_items"] and "smell_thawed" in lot["open_items"]
    again = kitchen.keeper.shown(f"/inspections/{inspection['id']}")
    assert again == inspection
    other = opened(kitchen, a_delivery(kitchen))["lots"][0]["sample"]
    assert other["key"] != sample["key"]


def test_answers_are_saved_half_way_and_go_on_after_a_restart(kitchen: Kitchen) -> None:
    inspection = opened(kitchen, a_delivery(kitchen))
    address = f"/inspections/{inspection['id']}"
    kitchen.commissary.made(
        f"{address}/answers",
        {
            "answers": [{"item": "box_dry", "answer": "question", "note": "damp at the door"}],
            "cores": [{"carton": 7, "temperature": "-19.5 °C"}],
        },
    )
    token = kitchen.keeper.token
    kitchen.close()
    restarted = Kitchen(kitchen.address, kitchen.folder)
    found = Person(restarted.app, token).shown(address)
    restarted.close()
    (lot,) = found["lots"]
    assert lot["answered"] == {"box_dry": "question", "core_temp": "accept"}
    assert "box_dry" not in lot["open_items"] and "box_ice" in lot["open_items"]
    assert found["cores"][0]["temperature"]["c"] == -19.5
    reasons = [r["finding"]["because"] for r in lot["reasons"]]
    assert any("damp" in because for because in reasons)
    assert any("1 of 3 cores" in because for because in reasons)


def test_the_newest_answer_counts_and_older_ones_stay(kitchen: Kitchen) -> None:
    inspection = opened(kitchen, a_delivery(kitchen))
    all_well(kitchen, inspection, box_dry="reject")
    address = f"/inspections/{inspection['id']}"
    assert kitchen.keeper.shown(address)["proposed"] == "reject"
    kitchen.clock.forward(minutes=5)
    body = {"answers": [{"item": "box_dry", "answer": "accept", "note": "only the film"}]}
    found = kitchen.commissary.made(f"{address}/answers", body)
    assert found["proposed"] == "accept"
    said = [(a["answer"], a["counts"]) for a in found["answers"] if a["item"] == "box_dry"]
    assert said == [("reject", False), ("accept", True)]


def test_what_is_said_of_one_lot_does_not_clear_what_is_said_of_the_load(kitchen: Kitchen) -> None:
    inspection = opened(kitchen, a_delivery(kitchen, lots=2))
    all_well(kitchen, inspection, box_dry="question")
    first, second = (lot["lot"] for lot in inspection["lots"])
    answers = [
        {"item": "box_dry", "lot": first, "answer": "accept"},
        {"item": "box_ice", "lot": second, "answer": "reject"},
    ]
    found = kitchen.commissary.made(
        f"/inspections/{inspection['id']}/answers", {"answers": answers}
    )
    assert [lot["proposed"] for lot in found["lots"]] == ["hold", "reject"]


def test_a_load_that_is_well_is_accepted_by_signature_and_then_nothing_changes(
    kitchen: Kitchen,
) -> None:
    delivery = a_delivery(kitchen)
    inspection = opened(kitchen, delivery)
    assert all_well(kitchen, inspection)["proposed"] == "accept"
    answer = signed(kitchen.commissary, inspection, "accept")
    assert answer.status_code == 201
    signature = answer.json()["signature"]
    assert (signature["by"], signature["role"]) == ("commissary", "commissary")
    assert signature["signed_at"] == "2026-11-25T06:00:00Z" and signature["meaning"]
    assert status(kitchen, delivery["lots"][0]) == "accepted"
    address = f"/inspections/{inspection['id']}"
    body = {"answers": [{"item": "box_dry", "answer": "reject"}]}
    for refused in (
        kitchen.commissary.post(f"{address}/answers", body),
        signed(kitchen.manager, inspection, "reject"),
    ):
        assert (refused.status_code, refused.json()["type"]) == (409, "/problems/inspection-signed")
    assert kitchen.keeper.shown(address) == answer.json()
    with kitchen.looking() as session:
        assert audit.verify(session) == []


def test_a_held_load_is_on_hold_and_a_rejected_one_is_never_used(kitchen: Kitchen) -> None:
    delivery = a_delivery(kitchen, lots=3)
    inspection = opened(kitchen, delivery)
    all_well(kitchen, inspection)
    a, b, c = (lot["code"] for lot in delivery["lots"])
    otherwise = [{"lot": b, "decision": "hold"}, {"lot": c, "decision": "reject"}]
    answer = signed(kitchen.commissary, inspection, "accept", lots=otherwise).json()
    assert answer["signature"]["decision"] == "reject", "the strictest of the lots"
    assert answer["signature"]["lots"] == {a: "accept", b: "hold", c: "reject"}
    assert [status(kitchen, lot) for lot in delivery["lots"]] == ["accepted", "held", "rejected"]
    (hold,) = kitchen.keeper.shown(f"/lots/{b}")["holds"]
    assert hold["reason"] == f"inspection {inspection['id']}: as it looks"


@pytest.mark.parametrize(
    ("otherwise", "decision", "rules"),
    [
        ({"box_ice": "reject"}, "accept", ["inspection"]),
        ({"box_ice": "reject"}, "hold", ["inspection"]),
        ({"box_ice": "question"}, "accept", ["inspection"]),
    ],
)
def test_a_milder_decision_than_proposed_is_the_managers_with_a_reason(
    kitchen: Kitchen, otherwise: dict[str, str], decision: str, rules: list[str]
) -> None:
    delivery = a_delivery(kitchen)
    inspection = opened(kitchen, delivery)
    all_well(kitchen, inspection, **otherwise)
    refused = signed(kitchen.commissary, inspection, decision)
    assert (refused.status_code, refused.json()["type"]) == (409, "/problems/inspection")
    assert refused.json()["findings"][0]["may_override"] == ["manager"]
    plain = signed(kitchen.manager, inspection, decision)
    assert plain.status_code == 409, "also a manager says why"
    not_theirs = signed(kitchen.commissary, inspection, decision, **override(*rules))
    assert not_theirs.status_code == 403
    assert kitchen.keeper.shown(f"/inspections/{inspection['id']}")["signature"] is None
    done = signed(kitchen.manager, inspection, decision, **override(*rules))
    assert done.status_code == 201
    assert done.json()["signature"]["proposed"] != decision
    (deviation,) = kitchen.manager.shown("/deviations")["items"]
    assert (deviation["rule"], deviation["reason"]) == ("inspection", "seen by myself")


def test_a_stricter_decision_than_proposed_needs_nobody_elses_leave(kitchen: Kitchen) -> None:
    delivery = a_delivery(kitchen)
    inspection = opened(kitchen, delivery)
    all_well(kitchen, inspection)
    assert signed(kitchen.commissary, inspection, "reject").status_code == 201
    assert status(kitchen, delivery["lots"][0]) == "rejected"


def test_unanswered_questions_hold_the_load(kitchen: Kitchen) -> None:
    inspection = opened(kitchen, a_delivery(kitchen))
    refused = signed(kitchen.commissary, inspection, "accept")
    assert refused.status_code == 409
    said = refused.json()["detail"]
    assert "not answered yet: the order beside the load; " in said and "paper_order" not in said
    assert signed(kitchen.commissary, inspection, "hold").status_code == 201


def test_defective_cartons_and_warm_cores_name_their_own_rules(kitchen: Kitchen) -> None:
    inspection = opened(kitchen, a_delivery(kitchen))
    all_well(kitchen, inspection)
    address = f"/inspections/{inspection['id']}/answers"
    two = kitchen.commissary.made(address, {"counts": [{"opened": 6, "defective": 2}]})
    assert two["proposed"] == "hold"
    warm = {"cores": [{"carton": 64, "temperature": "-12 °C"}]}
    found = kitchen.commissary.made(address, warm)
    assert found["proposed"] == "reject"
    rules = {r["finding"]["rule"]: r["verdict"] for r in found["lots"][0]["reasons"]}
    assert rules == {"sample-plan": "hold", "core-too-warm": "reject"}
    only_one = signed(kitchen.manager, inspection, "accept", **override("core-too-warm"))
    assert (only_one.status_code, only_one.json()["type"]) == (409, "/problems/sample-plan")
    both = override("core-too-warm", "sample-plan")
    assert signed(kitchen.manager, inspection, "accept", **both).status_code == 201


def test_cores_measured_when_the_truck_came_count(kitchen: Kitchen) -> None:
    cold = ["-20 °C", "-21 °C", "-19 °C"]
    (lot,) = opened(kitchen, a_delivery(kitchen, core_temperatures=cold))["lots"]
    assert lot["answered"] == {"core_temp": "accept"}
    assert not [r for r in lot["reasons"] if "cores" in r["finding"]["because"]]
    (warm,) = opened(kitchen, a_delivery(kitchen, core_temperatures=["-10 °C"] * 3))["lots"]
    assert (warm["answered"], warm["proposed"]) == ({"core_temp": "reject"}, "reject")


def test_a_keeper_looks_but_neither_opens_nor_answers_nor_signs(kitchen: Kitchen) -> None:
    delivery = a_delivery(kitchen)
    inspection = opened(kitchen, delivery)
    address = f"/inspections/{inspection['id']}"
    for role in ("keeper", "nutritionist", "vet", "inspector"):
        person = kitchen.person(role)
        assert person.get(address).status_code == 200
        assert signed(person, inspection, "hold").status_code == 403
        assert person.post(f"/deliveries/{delivery['id']}/inspections", {}).status_code == 403
        answers = {"answers": [{"item": "box_dry", "answer": "accept"}]}
        assert person.post(f"{address}/answers", answers).status_code == 403
    assert kitchen.keeper.shown(address)["signature"] is None


def test_somebody_of_another_site_neither_sees_nor_answers(kitchen: Kitchen) -> None:
    inspection = opened(kitchen, a_delivery(kitchen))
    kitchen.manager.made("/sites", {"code": "pier", "name": "Pier"})
    stranger = kitchen.person("commissary", site_ids=(2,))
    address = f"/inspections/{inspection['id']}"
    assert stranger.get(address).status_code == 403
    assert stranger.get(f"/deliveries/{inspection['delivery']}/inspections").status_code == 403
    assert signed(stranger, inspection, "hold").status_code == 403
    assert stranger.shown("/suppliers/NORD/inspections")["held"] == 0


def test_a_correction_is_a_new_inspection_that_refers_to_the_old_one(kitchen: Kitchen) -> None:
    delivery = a_delivery(kitchen)
    inspection = opened(kitchen, delivery)
    all_well(kitchen, inspection, box_ice="question")
    before = {"corrects": inspection["id"]}
    address = f"/deliveries/{delivery['id']}/inspections"
    assert kitchen.commissary.post(address, before).status_code == 409, "not signed yet"
    signed(kitchen.commissary, inspection, "hold")
    new = kitchen.commissary.made(address, before)
    assert new["corrects"] == inspection["id"] and new["signature"] is None
    assert new["lots"][0]["sample"]["key"] == inspection["lots"][0]["sample"]["key"]
    assert (new["lots"][0]["open_items"], new["proposed"]) == ([], "hold"), "taken over"
    assert kitchen.commissary.post(address, before).status_code == 409, "once only"
    better = {"answers": [{"item": "box_ice", "answer": "accept", "note": "frost, no ice"}]}
    assert kitchen.commissary.made(f"/inspections/{new['id']}/answers", better)["proposed"] == (
        "accept"
    )
    assert signed(kitchen.commissary, new, "accept").status_code == 201
    assert status(kitchen, delivery["lots"][0]) == "held", "a hold is released, not overruled"
    record = kitchen.keeper.shown("/suppliers/nord/inspections")
    assert (record["accepted"], record["held"], record["last_failures"]) == (1, 0, [])
    listed = kitchen.keeper.shown(address)["items"]
    assert [each["id"] for each in listed] == [new["id"], inspection["id"]]


def test_a_supplier_whose_loads_failed_is_looked_at_more_closely(kitchen: Kitchen) -> None:
    for _ in range(3):
        a_delivery(kitchen)
        kitchen.clock.forward(hours=1)
    sizes = []
    for decision in ("accept", "hold", "reject", "accept"):
        inspection = opened(kitchen, a_delivery(kitchen))
        assert inspection["purpose"] == "routine"
        sizes.append((inspection["failures"], inspection["lots"][0]["sample"]["size"]))
        all_well(kitchen, inspection)
        signed(kitchen.commissary, inspection, decision)
        kitchen.clock.forward(hours=1)
    # 3 cartons; 3 × 2 = 6 is the sample of level I for 64 cartons, and stays so
    assert sizes == [(0, 3), (0, 3), (1, 6), (2, 6)]
    record = kitchen.keeper.shown("/suppliers/NORD/inspections")
    assert (record["accepted"], record["held"], record["rejected"]) == (2, 1, 1)
    assert [f["decision"] for f in record["last_failures"]] == ["reject", "hold"]


def test_a_new_suppliers_load_is_looked_at_less_closely_only_by_the_manager(
    kitchen: Kitchen,
) -> None:
    address = f"/deliveries/{a_delivery(kitchen)['id']}/inspections"
    refused = kitchen.commissary.post(address, {"purpose": "routine"})
    assert (refused.status_code, refused.json()["type"]) == (409, "/problems/sample-plan")
    allowed = kitchen.manager.made(address, {"purpose": "routine"} | override("sample-plan"))
    assert allowed["lots"][0]["sample"]["size"] == 3
    dispute = kitchen.commissary.made(address, {"purpose": "dispute"})
    assert (dispute["lots"][0]["sample"]["size"], dispute["lots"][0]["sample"]["level"]) == (
        13,
        "II",
    )


def test_photos_stand_beside_an_answer_and_must_be_there(kitchen: Kitchen) -> None:
    inspection = opened(kitchen, a_delivery(kitchen))
    photo = sent(kitchen.commissary, picture()).json()["photo"]
    address = f"/inspections/{inspection['id']}/answers"
    answer = {"item": "box_ice", "answer": "reject", "photos": [photo, photo]}
    found = kitchen.commissary.made(address, {"answers": [answer]})
    assert found["answers"][0]["photos"] == [photo]
    missing = answer | {"photos": ["0" * 64]}
    refused = kitchen.commissary.post(address, {"answers": [missing]})
    assert refused.status_code == 404
    assert refused.json()["errors"][0]["field"] == "answers.0.photos.0"


def test_what_is_malformed_is_named_and_nothing_of_it_is_stored(small_kitchen: Kitchen) -> None:
    inspection = opened(small_kitchen, a_delivery(small_kitchen, lots=2))
    code = inspection["lots"][0]["lot"]
    address = f"/inspections/{inspection['id']}/answers"
    good = {"item": "box_dry", "answer": "accept"}
    for body, field in (
        ({}, "body"),
        ({"answers": [good, {"item": "colour", "answer": "accept"}]}, "answers.1.item"),
        ({"answers": [{"item": "lens_frozen", "answer": "reject"}]}, "answers.0.answer"),
        ({"answers": [good | {"answer": "perhaps"}]}, "answers.0.answer"),
        ({"answers": [good | {"lot": "NOPE"}]}, "answers.0.lot"),
        ({"answers": [good | {"photos": ["x"]}]}, "answers.0.photos.0"),
        ({"answers": [good], "cores": [{"carton": 1, "temperature": "-20 °C"}]}, "cores.0.lot"),
        (
            {"cores": [{"lot": code, "carton": 65, "temperature": "-20 °C"}]},
            "cores.0.carton",
        ),
        ({"cores": [{"lot": code, "carton": 0, "temperature": "-20 °C"}]}, "cores.0.carton"),
        ({"cores": [{"lot": code, "carton": 1, "temperature": "cold"}]}, "cores.0.temperature"),
        ({"counts": [{"lot": code, "opened": 2, "defective": 3}]}, "counts.0"),
        ({"counts": [{"lot": code, "opened": 65, "defective": 0}]}, "counts.0.opened"),
        ({"answers": [good], "occurred_at": "2026-11-26T06:00:00Z"}, "occurred_at"),
    ):
        refused = small_kitchen.commissary.post(address, body)
        assert refused.status_code in (404, 422), refused.text
        assert field in [e["field"] for e in refused.json()["errors"]], (body, refused.text)
    assert small_kitchen.keeper.shown(f"/inspections/{inspection['id']}") == inspection
    said = {"decision": "hold", "reason": "as it looks"}
    for more, field in (
        ({"already_done": True}, "already_done"),
        ({"lots": [{"lot": "NOPE", "decision": "hold"}]}, "lots.0.lot"),
        ({"reason": ""}, "reason"),
        ({"occurred_at": "2026-11-26T06:00:00Z"}, "occurred_at"),
    ):
        refused = small_kitchen.commissary.post(
            f"/inspections/{inspection['id']}/signature", said | more
        )
        assert refused.status_code == 422
        assert field in [e["field"] for e in refused.json()["errors"]]


def test_a_lot_or_an_inspection_of_another_delivery_is_refused_by_name(kitchen: Kitchen) -> None:
    first, second = a_delivery(kitchen), a_delivery(kitchen)
    address = f"/deliveries/{second['id']}/inspections"
    code = first["lots"][0]["code"]
    refused = kitchen.commissary.post(address, {"lot": code})
    assert (refused.status_code, refused.json()["errors"][0]["field"]) == (422, "lot")
    inspection = opened(kitchen, first, lot=code.lower())
    signed(kitchen.commissary, inspection, "hold")
    refused = kitchen.commissary.post(address, {"corrects": inspection["id"]})
    assert (refused.status_code, refused.json()["errors"][0]["field"]) == (422, "corrects")
    for path in ("/deliveries/99/inspections", "/inspections/99"):
        assert kitchen.keeper.get(path).status_code == 404
    assert kitchen.keeper.get("/suppliers/NOPE/inspections").status_code == 404


@pytest.mark.parametrize(
    "table", ["inspection_answer", "inspection_core", "inspection_count", "inspection_signature"]
)
def test_what_was_seen_and_signed_cannot_be_changed_in_the_database(
    kitchen: Kitchen, table: str
) -> None:
    inspection = opened(kitchen, a_delivery(kitchen))
    all_well(kitchen, inspection)
    signed(kitchen.commissary, inspection, "accept")
    for statement in (f"UPDATE {table} SET by = 'x'", f"DELETE FROM {table}"):
        with (
            pytest.raises(Exception, match="never"),
            kitchen.app.state.database.writer.begin() as connection,
        ):
            connection.execute(text(statement))


def test_the_limits_of_the_day_it_was_opened_stay_the_limits_of_an_inspection(
    kitchen: Kitchen,
) -> None:
    inspection = opened(kitchen, a_delivery(kitchen))
    all_well(kitchen, inspection)
    kitchen.clock.forward(hours=1)
    change = {"changes": {"receive_core_hold": -25}, "reason": "the vet asks for it"}
    assert kitchen.manager.put("/sites/main/policy", change).status_code == 200
    assert kitchen.keeper.shown(f"/inspections/{inspection['id']}")["proposed"] == "accept"


def test_a_list_of_inspections_takes_as_many_statements_for_many_as_for_few(
    kitchen: Kitchen,
) -> None:
    delivery = a_delivery(kitchen, lots=2)
    address = f"/deliveries/{delivery['id']}/inspections"
    kitchen.keeper.shown(address)
    sizes = []
    for _ in range(2):
        for _ in range(3):
            all_well(kitchen, opened(kitchen, delivery))
        with counted(kitchen) as sent_statements:
            sizes.append(len(kitchen.keeper.shown(address)["items"]))
        sizes.append(len(sent_statements))
    assert sizes[0] == 3 and sizes[2] == 6
    assert sizes[1] == sizes[3] <= 12
