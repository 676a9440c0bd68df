"""A supplier recalls a lot: which ones are here, and all of them are held at once."""

from typing import Any

import pytest
from sqlalchemy import text

from service.lots.models import LotCandidate
from tests.kitchen import Kitchen


def recalled(kitchen: Kitchen, code: str, **more: str) -> Any:
    return kitchen.vet.ask("GET", "/recall", params={"supplier_lot": code, **more}).json()


def codes(found: Any, group: str) -> list[str]:
    return [trace["lot"] for trace in found[group]]


@pytest.fixture
def lots(kitchen: Kitchen) -> dict[str, str]:
    """Lots by what their suppliers called them."""
    written = ("LO-0077", "lo 0077", "LO77", "1077", "L0078", "LO770", None)
    return {str(code): kitchen.a_lot("CAP", supplier_lot=code)["code"] for code in written}


def test_codes_are_found_in_any_case_and_look_alikes_apart(
    kitchen: Kitchen, lots: dict[str, str]
) -> None:
    found = recalled(kitchen, "lo/0077")
    assert codes(found, "exact") == [lots["LO-0077"], lots["lo 0077"]]
    assert codes(found, "look_alikes") == [lots["LO77"], lots["1077"]]
    assert found["normalised"] == "LO0077" and "1077" in found["read_as"]
    assert found["elsewhere"] == {"exact_sites": 0, "look_alike_sites": 0, "says": None}


def test_a_code_that_is_nowhere_gives_an_empty_answer_and_one_without_signs_none(
    kitchen: Kitchen, lots: dict[str, str]
) -> None:
    found = recalled(kitchen, "Z99")
    assert found["exact"] == found["look_alikes"] == found["items"] == []
    assert recalled(kitchen, "-/-")["status"] == 422
    assert recalled(kitchen, "A1", supplier="NOBODY")["type"] == "/problems/unknown-supplier"


def test_another_suppliers_lots_are_left_out_when_the_supplier_is_named(
    kitchen: Kitchen, lots: dict[str, str]
) -> None:
    kitchen.manager.made("/suppliers", {"code": "WEST", "name": "Western Fish"})
    assert recalled(kitchen, "LO0077", supplier="WEST")["exact"] == []
    assert len(recalled(kitchen, "LO0077", supplier="nord")["exact"]) == 2


def test_a_lot_without_a_readable_label_that_may_be_of_it_is_in_the_recall(
    kitchen: Kitchen, lots: dict[str, str]
) -> None:
    with kitchen.writing() as session:
        ids = dict(session.execute(text("SELECT code, id FROM lot")).all())
        unread = ids[lots["None"]]
        session.add(LotCandidate(lot_id=unread, candidate_id=ids[lots["LO-0077"]]))
    assert codes(recalled(kitchen, "LO0077"), "may_be_of") == [lots["None"]]
    assert recalled(kitchen, "LO770")["may_be_of"] == []
    held = kitchen.vet.made("/recall/holds", {"supplier_lot": "LO0077", "reason": "a recall"})
    assert lots["None"] in [h["lot"] for h in held["holds"]], "the safe side"


def two_sites(kitchen: Kitchen) -> tuple[str, int]:
    """A lot at another site, and the first site's number."""
    boss = kitchen.manager
    boss.made("/sites", {"code": "EAST", "name": "East", "timezone": "Europe/Oslo"})
    boss.made("/places", {"site": "EAST", "code": "EFZ", "name": "East", "kind": "freezer"})
    lot = kitchen.a_lot("CAP", supplier_lot="lo 0077", place="EFZ")["code"]
    with kitchen.looking() as session:
        return lot, int(session.execute(text("SELECT min(id) FROM site")).scalar_one())


def test_another_site_is_told_of_and_nothing_of_it_is_shown(
    kitchen: Kitchen, lots: dict[str, str]
) -> None:
    theirs, main = two_sites(kitchen)
    local = kitchen.person("vet", (main,))
    found = local.shown("/recall?supplier_lot=LO0077")
    assert codes(found, "exact") == [lots["LO-0077"], lots["lo 0077"]]
    assert found["elsewhere"]["exact_sites"] == 1
    assert found["elsewhere"]["says"].startswith("1 more site is concerned")
    assert theirs not in str(found) and "EAST" not in str(found)
    held = local.made("/recall/holds", {"supplier_lot": "LO0077", "reason": "a recall"})
    assert held["elsewhere"]["exact_sites"] == 1
    assert kitchen.vet.shown(f"/lots/{theirs}")["status"] == "accepted"
    assert theirs in codes(recalled(kitchen, "LO0077"), "exact"), "who sees all sites sees it"
    assert local.get(f"/lots/{theirs}/trace").status_code == 403


def test_all_exact_matches_are_held_at_once_and_the_rest_is_named(
    kitchen: Kitchen, lots: dict[str, str]
) -> None:
    order = {"supplier_lot": "LO0077", "reason": "listeria at the supplier"}
    held = kitchen.keeper.made("/recall/holds", order)
    assert [h["lot"] for h in held["holds"]] == [lots["LO-0077"], lots["lo 0077"]]
    assert held["not_held"] == [lots["LO77"], lots["1077"]]
    listed = kitchen.keeper.shown("/holds?open=true")["items"]
    assert [(h["lot"], h["reason"], h["placed_by"]) for h in listed] == [
        (lots["LO-0077"], "listeria at the supplier", "keeper"),
        (lots["lo 0077"], "listeria at the supplier", "keeper"),
    ]
    assert [(p["place"], p["mass"]["g"]) for p in listed[0]["on_hand"]] == [("FZ1", 100_000)]
    kitchen.vet.made(f"/holds/{listed[0]['id']}/release", {"reason": "another catch"})
    assert len(kitchen.keeper.shown("/holds?open=true")["items"]) == 1
    assert len(kitchen.keeper.shown("/holds?open=false")["items"]) == 1
    first = kitchen.keeper.shown("/holds?limit=1")
    assert len(first["items"]) == 1
    second = kitchen.keeper.shown(f"/holds?limit=1&cursor={first['next']}")
    assert second["items"][0]["lot"] == lots["lo 0077"] and second["next"] is None


def test_a_look_alike_is_held_when_somebody_names_it(
    kitchen: Kitchen, lots: dict[str, str]
) -> None:
    order = {"supplier_lot": "LO0077", "reason": "a recall", "lots": [lots["1077"]]}
    held = kitchen.vet.made("/recall/holds", order)
    assert [h["lot"] for h in held["holds"]] == [lots["1077"]]
    wrong = order | {"lots": [lots["1077"], lots["L0078"]]}
    problem = kitchen.vet.post("/recall/holds", wrong).json()
    assert problem["errors"][0]["field"] == "lots.1"
    assert len(kitchen.vet.shown("/holds")["items"]) == 1, "all or none"


def test_nothing_to_hold_is_said_with_what_looks_alike(
    kitchen: Kitchen, lots: dict[str, str]
) -> None:
    answer = kitchen.vet.post("/recall/holds", {"supplier_lot": "LOO77", "reason": "a recall"})
    assert answer.status_code == 404
    assert answer.json()["type"] == "/problems/unknown-supplier-lot"
    assert answer.json()["look_alikes"] == [lots["LO-0077"], lots["lo 0077"], lots["LO77"]]
