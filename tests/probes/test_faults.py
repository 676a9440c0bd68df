"""Faults and choices: a broken probe stands for nothing, and the site names the one that does."""

from datetime import timedelta
from typing import Any

import pytest
from sqlmodel import col, select

from service.probes import queries
from service.probes.models import Probe
from service.site.models import Place
from tests.kitchen import START, Kitchen

AIR = "/probes/FZ1-AIR"


def ago(hours: float) -> str:
    return (START - timedelta(hours=hours)).isoformat()


def fault(kitchen: Kitchen, hours_ago: float, **more: Any) -> Any:
    body = {"from": ago(hours_ago), "reason": "its cable was crushed"} | more
    return kitchen.manager.made(f"{AIR}/faults", body)


def standing_hours(kitchen: Kitchen) -> float:
    """For how many of the last ten hours the freezer's probe stood for it."""
    end_s = int(START.timestamp())
    with kitchen.looking() as session:
        place = session.exec(select(Place.id).where(col(Place.code) == "FZ1")).one()
        found = queries.standings(session, place or 0, end_s - 36_000, end_s)
    return sum(s.until_s - s.from_s for s in found) / 3600


def watched(kitchen: Kitchen, until_s: int | None = None) -> int:
    with kitchen.writing() as session:
        probe = session.exec(select(Probe).where(col(Probe.code) == "FZ1-AIR")).one()
        if until_s is not None:
            probe.watched_until_s = until_s
            session.add(probe)
        found: int = probe.watched_until_s
        return found


def test_a_broken_probe_stands_for_nothing_until_it_is_in_order(kitchen: Kitchen) -> None:
    now_s = int(START.timestamp())
    watched(kitchen, now_s)
    number = fault(kitchen, 6)["id"]
    assert standing_hours(kitchen) == 4
    assert watched(kitchen) == now_s - 6 * 3600, "the watch judges again from there"
    assert [c["kind"] for c in kitchen.keeper.shown(AIR)["concerns"]] == ["faulty"]
    watched(kitchen, now_s)
    ended = kitchen.manager.made(f"/probe-faults/{number}/end", {"occurred_at": ago(2)})
    assert ended["until"].startswith(ago(2)[:16])
    assert standing_hours(kitchen) == 6
    assert watched(kitchen) == now_s - 2 * 3600
    again = kitchen.manager.post(f"/probe-faults/{number}/end", {})
    assert again.json()["type"] == "/problems/already-ended"


def test_a_fault_that_was_none_is_withdrawn(kitchen: Kitchen) -> None:
    number = fault(kitchen, 6, until=ago(5))["id"]
    assert standing_hours(kitchen) == 9
    path = f"/probe-faults/{number}/withdrawal"
    assert kitchen.manager.made(path, {"reason": "another cable"})["withdrawn_by"] == "manager"
    assert standing_hours(kitchen) == 10
    assert kitchen.manager.post(path, {"reason": "another cable"}).status_code == 409
    assert kitchen.manager.post(f"/probe-faults/{number}/end", {}).status_code == 409
    assert len(kitchen.keeper.shown(AIR)["faults"]) == 1, "it stays to be seen"


def test_the_same_fault_twice_is_told_apart_from_a_longer_one(kitchen: Kitchen) -> None:
    number = fault(kitchen, 6, until=ago(2))["id"]
    body = {"from": ago(5), "until": ago(3), "reason": "its cable was crushed"}
    answer = kitchen.manager.post(f"{AIR}/faults", body)
    assert (answer.status_code, answer.json()["type"]) == (409, "/problems/already-faulty")
    assert str(number) in answer.json()["detail"]
    fault(kitchen, 5)
    assert standing_hours(kitchen) == 4


@pytest.mark.parametrize(
    ("path", "body", "status"),
    [
        (f"{AIR}/faults", {"from": "2026-11-25T08:00:00Z", "reason": "broken"}, 422),
        (f"{AIR}/faults", {"from": ago(1), "until": ago(2), "reason": "broken"}, 422),
        (f"{AIR}/faults", {"from": ago(1)}, 422),
        ("/probes/NONE/faults", {"reason": "broken"}, 404),
        ("/probe-faults/99/end", {}, 404),
        ("/probe-faults/99999999999/end", {}, 422),
        ("/places/FZ1/governing-probe", {"probe": "FZ2-AIR", "reason": "better"}, 409),
        ("/places/FZ1/governing-probe", {"probe": "NONE", "reason": "better"}, 404),
        ("/places/FZ1/governing-probe", {"reason": "better"}, 422),
    ],
)
def test_what_cannot_be_is_refused(
    small_kitchen: Kitchen, path: str, body: Any, status: int
) -> None:
    assert small_kitchen.manager.post(path, body).status_code == status


def test_a_fault_does_not_end_before_it_began(small_kitchen: Kitchen) -> None:
    number = fault(small_kitchen, 2)["id"]
    body = {"occurred_at": ago(3)}
    assert small_kitchen.manager.post(f"/probe-faults/{number}/end", body).status_code == 422


def test_the_site_names_the_probe_of_a_place_and_takes_it_back(kitchen: Kitchen) -> None:
    boss = kitchen.manager
    boss.made("/probes", {"code": "FZ1-LOW", "place": "FZ1", "kind": "product"})
    path = "/places/fz1/governing-probe"
    assert boss.shown(path) == {"place": "FZ1", "probe": None, "choices": []}
    named = {"probe": "FZ1-LOW", "from": ago(5), "reason": "the other is in the door's draught"}
    assert boss.made(path, named)["probe"] == "FZ1-LOW"
    boss.made(path, {"probe": None, "reason": "the door was mended"})
    shown = kitchen.keeper.shown(path)
    assert shown["probe"] is None
    assert [c["probe"] for c in shown["choices"]] == ["FZ1-LOW", None]
    assert kitchen.keeper.post(path, named).status_code == 403
