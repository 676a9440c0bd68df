"""Groups of animals: who is in which, from when to when, and where it waits."""

from typing import Any

import httpx

from tests.kitchen import Kitchen


def refusal(answer: httpx.Response) -> tuple[int, str]:
    return answer.status_code, answer.json()["type"].removeprefix("/problems/")


def an_animal(kitchen: Kitchen, code: str, **more: Any) -> Any:
    body = {"code": code, "name": code.title(), "taxon": "Zalophus californianus"}
    return kitchen.keeper.made("/animals", body | {"group": "pinniped"} | more)


def a_group(kitchen: Kitchen, code: str = "COVE", **more: Any) -> Any:
    return kitchen.keeper.made("/groups", {"code": code, "name": code.title()} | more)


def joins(kitchen: Kitchen, group: str, animal: str, **more: Any) -> Any:
    return kitchen.keeper.made(f"/groups/{group}/members", {"animal": animal} | more)


def present(kitchen: Kitchen, group: str, at: str) -> list[str]:
    shown = kitchen.keeper.shown(f"/groups/{group}", params={"at": at})
    return [member["animal"] for member in shown["members"]]


def test_an_animal_is_in_one_group_at_a_time(kitchen: Kitchen) -> None:
    a_group(kitchen, "COVE"), a_group(kitchen, "LAGOON")
    joins(kitchen, "COVE", "BRINE", station="left ledge", **{"from": "2026-11-01T08:00:00Z"})
    joins(kitchen, "LAGOON", "BRINE", **{"from": "2026-11-20T08:00:00Z"})
    assert present(kitchen, "COVE", "2026-11-19T12:00:00Z") == ["BRINE"]
    assert present(kitchen, "COVE", "2026-11-20T08:00:00Z") == []
    assert present(kitchen, "LAGOON", "2026-11-20T08:00:00Z") == ["BRINE"]
    assert kitchen.keeper.shown("/animals/BRINE")["fed_in"] == "LAGOON"


def test_where_an_animal_waits_is_shown_with_it(small_kitchen: Kitchen) -> None:
    a_group(small_kitchen)
    joins(small_kitchen, "COVE", "BRINE", station="left ledge")
    shown = small_kitchen.keeper.shown("/animals/BRINE")
    assert (shown["fed_in"], shown["station"]) == ("COVE", "left ledge")


def test_a_stay_that_is_known_is_not_overwritten_by_an_earlier_one(kitchen: Kitchen) -> None:
    a_group(kitchen, "COVE"), a_group(kitchen, "LAGOON")
    joins(kitchen, "LAGOON", "BRINE", **{"from": "2026-11-20T08:00:00Z"})
    early = {"animal": "BRINE", "from": "2026-11-10T08:00:00Z"}
    answer = kitchen.keeper.post("/groups/COVE/members", early)
    assert refusal(answer) == (409, "already-in-group")
    kitchen.keeper.made("/groups/COVE/members", early | {"until": "2026-11-20T08:00:00Z"})
    assert present(kitchen, "COVE", "2026-11-15T08:00:00Z") == ["BRINE"]


def test_an_animal_leaves_a_group_once(kitchen: Kitchen) -> None:
    a_group(kitchen)
    stay = joins(kitchen, "COVE", "BRINE", **{"from": "2026-11-01T08:00:00Z"})
    path = f"/memberships/{stay['id']}/end"
    too_early = kitchen.keeper.post(path, {"until": "2026-10-01T08:00:00Z"})
    assert refusal(too_early) == (422, "validation")
    assert kitchen.keeper.made(path, {})["until"] is not None
    assert refusal(kitchen.keeper.post(path, {})) == (409, "already-over")
    assert kitchen.keeper.shown("/groups/COVE")["members"] == []


def test_a_colony_is_counted_without_naming_everybody(kitchen: Kitchen) -> None:
    a_group(kitchen, "ROCKS", unnamed=40)
    joins(kitchen, "ROCKS", "BRINE")
    assert kitchen.keeper.shown("/groups/ROCKS")["present"] == 41
    kitchen.keeper.made("/groups/ROCKS/count", {"unnamed": 38})
    assert kitchen.keeper.shown("/groups/rocks")["present"] == 39
    assert [g["code"] for g in kitchen.keeper.shown("/groups")["items"]] == ["ROCKS"]


def test_a_second_group_of_the_same_code_is_refused(small_kitchen: Kitchen) -> None:
    a_group(small_kitchen)
    answer = small_kitchen.keeper.post("/groups", {"code": "cove", "name": "Another"})
    assert refusal(answer) == (409, "already-exists")


def test_an_animal_of_another_site_does_not_join(small_kitchen: Kitchen) -> None:
    small_kitchen.manager.made("/sites", {"code": "SUD", "name": "South house"})
    a_group(small_kitchen, "SOUTH", site="SUD")
    answer = small_kitchen.keeper.post("/groups/SOUTH/members", {"animal": "BRINE"})
    assert refusal(answer) == (409, "another-site")
    assert refusal(small_kitchen.keeper.get("/groups/NONE")) == (404, "unknown-group")


def test_an_animal_that_is_gone_keeps_its_record_and_is_in_no_group(kitchen: Kitchen) -> None:
    a_group(kitchen)
    joins(kitchen, "COVE", "BRINE", **{"from": "2026-11-01T08:00:00Z"})
    gone = {"reason": "moved to another house"}
    assert kitchen.keeper.made("/animals/BRINE/departure", gone)["gone_on"] == "2026-11-25"
    assert refusal(kitchen.keeper.post("/animals/BRINE/departure", gone)) == (409, "already-gone")
    assert kitchen.keeper.shown("/animals/BRINE")["gone_on"] == "2026-11-25"
    assert kitchen.keeper.shown("/groups/COVE")["present"] == 0
