"""What is measured by hand: kept as it was said, corrected only by a newer check."""

from typing import Any

import pytest

from service.security.rules import Role
from tests.kitchen import Kitchen


def core(lot: str, **more: Any) -> dict[str, Any]:
    return {"kind": "core", "lot": lot, "place": "FZ1", "temperature": "-13.2 °C", **more}


def test_a_core_is_kept_as_it_was_said(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot()["code"]
    body = core(lot, position="corner", carton="top layer, left", note="hard", temperature="8 °F")
    made = kitchen.keeper.made("/checks", body)
    assert made["temperature"] == {"value": -13.33, "unit": "c", "c": -13.33}
    assert (made["lot"], made["place"], made["position"], made["by"]) == (
        lot,
        "FZ1",
        "corner",
        "keeper",
    )
    (shown,) = kitchen.keeper.shown("/checks")["items"]
    assert shown == {key: value for key, value in made.items() if key != "excursions"}
    assert made["excursions"] == []


def test_air_of_a_place_is_a_check_too(kitchen: Kitchen) -> None:
    made = kitchen.vet.made("/checks", {"kind": "air", "place": "FZ1", "temperature": "-19 °C"})
    assert (made["kind"], made["lot"], made["temperature"]["c"]) == ("air", None, -19.0)


def test_a_probe_in_melting_ice_is_calibrated(kitchen: Kitchen) -> None:
    good = {"kind": "ice_point", "probe": "FZ1-AIR", "measured": "0.2 °C"}
    assert kitchen.commissary.made("/checks", good)["passed"] is True
    bad = {"kind": "ice_point", "probe": "FZ1-AIR", "measured": "1.9 °C"}
    made = kitchen.commissary.made("/checks", bad)
    assert (made["passed"], made["probe"], made["place"]) == (False, "FZ1-AIR", None)


def test_a_wrong_check_stays_and_the_one_that_corrects_it_counts(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot()["code"]
    wrong = kitchen.keeper.made("/checks", core(lot, temperature="13.2 °C"))
    right = kitchen.keeper.made("/checks", core(lot, replaces=wrong["id"]))
    newest, oldest = kitchen.keeper.shown("/checks")["items"]
    assert (newest["id"], newest["replaces"]) == (right["id"], wrong["id"])
    assert (oldest["replaced_by"], oldest["temperature"]["c"]) == (right["id"], 13.2)
    again = kitchen.keeper.post("/checks", core(lot, replaces=wrong["id"]))
    assert again.status_code == 409
    assert again.json()["type"].endswith("/already-replaced")
    air = {"kind": "air", "place": "FZ1", "temperature": "-19 °C", "replaces": right["id"]}
    assert kitchen.keeper.post("/checks", air).status_code == 422, "of another kind"


def test_a_tablet_that_sends_a_check_twice_makes_one(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot()["code"]
    key = {"Idempotency-Key": "check-1"}
    first = kitchen.keeper.post("/checks", core(lot), headers=key)
    again = kitchen.keeper.post("/checks", core(lot), headers=key)
    assert first.json() == again.json()
    assert len(kitchen.keeper.shown("/checks")["items"]) == 1


def test_checks_are_found_by_what_they_are_about(kitchen: Kitchen) -> None:
    first = kitchen.a_lot()["code"]
    second = kitchen.a_lot("CAP", place="FZ2")["code"]
    kitchen.keeper.made("/checks", core(first, occurred_at="2026-11-24T10:00:00Z"))
    kitchen.keeper.made("/checks", core(second, place="FZ2"))
    kitchen.keeper.made("/checks", {"kind": "air", "place": "FZ2", "temperature": "-19 °C"})

    def found(query: str) -> list[tuple[str, str | None]]:
        items = kitchen.keeper.shown(f"/checks?{query}")["items"]
        return [(item["kind"], item["lot"]) for item in items]

    assert found(f"lot={first}") == [("core", first)]
    assert found("place=fz2") == [("air", None), ("core", second)]
    assert found("kind=air") == [("air", None)]
    assert found("to=2026-11-25T00:00:00Z") == [("core", first)]
    assert found("from=2026-11-25T00:00:00Z&kind=core") == [("core", second)]
    page = kitchen.keeper.shown("/checks?limit=2")
    rest = kitchen.keeper.shown(f"/checks?limit=2&cursor={page['next']}")
    assert len(page["items"]) == 2 and len(rest["items"]) == 1 and rest["next"] is None


@pytest.mark.parametrize(
    ("body", "status", "says"),
    [
        ({"kind": "core", "place": "FZ1", "temperature": "-13 °C"}, 422, "needs lot"),
        ({"kind": "air", "place": "FZ1"}, 422, "needs temperature"),
        (
            {"kind": "air", "place": "FZ1", "temperature": "-13 °C", "position": "corner"},
            422,
            "has no position",
        ),
        ({"kind": "ice_point", "probe": "FZ1-AIR", "temperature": "0 °C"}, 422, "needs measured"),
        ({"kind": "smell", "place": "FZ1"}, 422, "kind"),
        ({"kind": "air", "place": "NOWHERE", "temperature": "-13 °C"}, 404, "NOWHERE"),
        ({"kind": "ice_point", "probe": "NONE", "measured": "0 °C"}, 404, "NONE"),
        ({"kind": "air", "place": "FZ1", "temperature": "NaN °C"}, 422, "temperature"),
        ({"kind": "air", "place": "FZ1", "temperature": "-1 °C", "excursion": 9}, 404, "9"),
        ({"kind": "air", "place": "FZ1", "temperature": "-1 °C", "replaces": 9}, 404, "9"),
        (
            {
                "kind": "air",
                "place": "FZ1",
                "temperature": "-1 °C",
                "occurred_at": "2030-01-01T00:00:00Z",
            },
            422,
            "future",
        ),
        (
            {"kind": "air", "place": "FZ1", "temperature": "-1 °C", "photo": "0" * 64},
            404,
            "photo",
        ),
    ],
)
def test_a_check_that_cannot_be_says_why(
    small_kitchen: Kitchen, body: dict[str, Any], status: int, says: str
) -> None:
    answer = small_kitchen.commissary.post("/checks", body)
    assert answer.status_code == status, answer.text
    assert says in answer.text
    assert small_kitchen.keeper.shown("/checks")["items"] == []


def test_fish_is_measured_only_where_it_has_been(small_kitchen: Kitchen) -> None:
    lot = small_kitchen.a_lot()["code"]
    elsewhere = small_kitchen.keeper.post("/checks", core(lot, place="FZ2"))
    assert elsewhere.status_code == 422 and "had not come to FZ2" in elsewhere.text
    early = small_kitchen.keeper.post("/checks", core(lot, occurred_at="2026-11-01T00:00:00Z"))
    assert early.status_code == 422
    other = small_kitchen.keeper.post("/checks", core(lot, parcel=999))
    assert other.status_code == 404 and other.json()["type"].endswith("/unknown-parcel")


@pytest.mark.parametrize("role", [Role.NUTRITIONIST, Role.INSPECTOR, Role.DEVICE])
def test_only_those_who_handle_fish_record_checks(small_kitchen: Kitchen, role: Role) -> None:
    body = {"kind": "air", "place": "FZ1", "temperature": "-19 °C"}
    assert small_kitchen.person(role).post("/checks", body).status_code == 403


def test_a_vet_does_not_calibrate(small_kitchen: Kitchen) -> None:
    body = {"kind": "ice_point", "probe": "FZ1-AIR", "measured": "0.1 °C"}
    assert small_kitchen.vet.post("/checks", body).status_code == 403


def test_a_check_leaves_an_entry_in_the_trail(small_kitchen: Kitchen) -> None:
    small_kitchen.keeper.made("/checks", {"kind": "air", "place": "FZ1", "temperature": "-19 °C"})
    newest = small_kitchen.manager.shown("/audit")["items"][0]
    assert newest["what"] == "air checked" and newest["by"] == "keeper"
