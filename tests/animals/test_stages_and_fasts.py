"""Body mass, stages of life and fasts, as they are recorded and ended."""

from typing import Any

import httpx
import pytest

from tests.kitchen import Kitchen


def refusal(answer: httpx.Response) -> tuple[int, str]:
    return answer.status_code, answer.json()["type"].removeprefix("/problems/")


def a_fast(kitchen: Kitchen, animal: str = "BRINE", **more: Any) -> Any:
    body = {"from": "2026-11-24", "reason": "breeding season"} | more
    return kitchen.vet.made(f"/animals/{animal}/fasts", body)


def fasting(kitchen: Kitchen, day: str) -> list[str]:
    return [f["animal"] for f in kitchen.keeper.shown("/fasts", params={"day": day})["items"]]


def test_the_history_of_body_mass_is_shown_newest_first_page_by_page(kitchen: Kitchen) -> None:
    for day, mass in (("2026-09-01", "100 kg"), ("2026-11-01", "104 kg"), ("2026-10-01", "98 kg")):
        body = {"mass": mass, "occurred_at": f"{day}T08:00:00Z"}
        kitchen.keeper.made("/animals/BRINE/weights", body)
    first = kitchen.keeper.shown("/animals/BRINE/weights", params={"limit": 2})
    assert [w["mass"]["g"] for w in first["items"]] == [104_000, 98_000]
    rest = kitchen.keeper.shown("/animals/BRINE/weights", params={"cursor": first["next"]})
    assert [w["mass"]["g"] for w in rest["items"]] == [100_000]
    assert rest["next"] is None
    table = kitchen.keeper.get("/animals/BRINE/weights", headers={"Accept": "text/csv"})
    assert len(table.text.splitlines()) == 4


@pytest.mark.parametrize("cursor", ["x", "WyJ4IiwxXQ", "WzEsMV0"])
def test_a_cursor_of_another_list_is_refused(small_kitchen: Kitchen, cursor: str) -> None:
    answer = small_kitchen.keeper.get("/animals/BRINE/weights", params={"cursor": cursor})
    assert refusal(answer) == (422, "validation")


def test_a_fast_names_the_vet_who_answers_for_it(kitchen: Kitchen) -> None:
    body = {"from": "2026-11-24", "until": "2026-12-01", "reason": "moult", "weight_floor": "90 kg"}
    answer = kitchen.keeper.post("/animals/BRINE/fasts", body)
    assert refusal(answer) == (422, "validation")
    assert answer.json()["errors"][0]["field"] == "ordered_by"
    kept = kitchen.keeper.made("/animals/BRINE/fasts", body | {"ordered_by": "Dr. Alder"})
    (told,) = kitchen.vet.shown("/messages")["items"]
    assert "in the name of Dr. Alder" in told["title"] and "Entered by keeper" in told["body"]
    assert (kept["ordered_by"], kept["recorded_by"]) == ("Dr. Alder", "keeper")
    assert kept["weight_floor"]["g"] == 90_000
    assert a_fast(kitchen)["ordered_by"] == "vet"
    assert len(kitchen.vet.shown("/messages")["items"]) == 1, "a vet knows of their own"


def test_a_fast_holds_on_both_of_its_days(kitchen: Kitchen) -> None:
    a_fast(kitchen, until="2026-11-26")
    days = ["2026-11-23", "2026-11-24", "2026-11-26", "2026-11-27"]
    assert [fasting(kitchen, day) for day in days] == [[], ["BRINE"], ["BRINE"], []]


def test_a_fast_that_is_over_today_no_longer_holds_today(kitchen: Kitchen) -> None:
    fast = a_fast(kitchen)
    assert kitchen.keeper.shown("/animals/BRINE")["fast"]["reason"] == "breeding season"
    ended = kitchen.keeper.made(f"/fasts/{fast['id']}/end", {})
    assert ended["until"] == "2026-11-24"
    assert fasting(kitchen, "2026-11-25") == []
    assert kitchen.keeper.shown("/animals/BRINE")["fast"] is None
    again = kitchen.keeper.post(f"/fasts/{fast['id']}/end", {})
    assert refusal(again) == (409, "already-over")


def test_a_fast_that_is_over_before_it_began_has_never_been(kitchen: Kitchen) -> None:
    fast = a_fast(kitchen, **{"from": "2026-11-25"})
    ended = kitchen.keeper.made(f"/fasts/{fast['id']}/end", {})
    assert ended["withdrawn_at"] is not None
    assert fasting(kitchen, "2026-11-25") == []
    kept = kitchen.keeper.shown("/animals/BRINE/fasts")["items"]
    assert [f["id"] for f in kept] == [fast["id"]]


def test_a_fast_ends_after_it_begins(small_kitchen: Kitchen) -> None:
    body = {"from": "2026-11-24", "until": "2026-11-23", "reason": "moult"}
    answer = small_kitchen.vet.post("/animals/BRINE/fasts", body)
    assert refusal(answer) == (422, "validation")
    unknown = small_kitchen.vet.post("/fasts/77/end", {})
    assert refusal(unknown) == (404, "unknown-fast")


def test_stages_of_life_may_overlap_and_are_shown_with_the_animal(kitchen: Kitchen) -> None:
    for stage in ("pregnant", "moulting"):
        body = {"stage": stage, "from": "2026-11-01"}
        kept = kitchen.keeper.made("/animals/BRINE/stages", body)
    assert kitchen.keeper.shown("/animals/BRINE")["stages"] == ["moulting", "pregnant"]
    kitchen.keeper.made(f"/life-stages/{kept['id']}/end", {"over_on": "2026-11-20"})
    assert kitchen.keeper.shown("/animals/BRINE")["stages"] == ["pregnant"]
    history = kitchen.keeper.shown("/animals/BRINE/stages")["items"]
    assert {(s["stage"], s["until"]) for s in history} == {
        ("pregnant", None),
        ("moulting", "2026-11-19"),
    }
    assert refusal(kitchen.keeper.post("/life-stages/99/end", {})) == (404, "unknown-life-stage")
