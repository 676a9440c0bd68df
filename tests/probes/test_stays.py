"""Where a probe hung and when: in one place at any instant, whatever is recorded later."""

from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta
from itertools import pairwise
from typing import Any

import pytest
from sqlmodel import col, select

from service.probes.models import Probe
from tests.kitchen import START, Kitchen

AIR = "/probes/FZ1-AIR"


def ago(hours: float) -> str:
    return (START - timedelta(hours=hours)).isoformat()


def hung(kitchen: Kitchen, place: str | None, hours_ago: float, **more: Any) -> list[Any]:
    body = {"place": place, "from": ago(hours_ago), "reason": "it was moved"} | more
    stays: list[Any] = kitchen.manager.made(f"{AIR}/stays", body)["stays"]
    return [s["place"] for s in stays]


def probe(kitchen: Kitchen, code: str = "FZ1-AIR") -> Probe:
    with kitchen.looking() as session:
        return session.exec(select(Probe).where(col(Probe.code) == code)).one()


def watched_until(kitchen: Kitchen, at_s: int) -> None:
    with kitchen.writing() as session:
        for row in session.exec(select(Probe)):
            row.watched_until_s = at_s
            session.add(row)


def test_readings_belong_to_the_place_where_the_probe_hung(kitchen: Kitchen) -> None:
    kitchen.temperatures("FZ1-AIR", START - timedelta(hours=4), [-20.0] * 9, every_s=1800)
    assert hung(kitchen, "COOL", 2) == ["FZ1", "COOL"]
    assert kitchen.keeper.shown(AIR)["place"] == "COOL"
    assert kitchen.keeper.shown("/probes")["items"][1]["place"] == "COOL"


def test_a_move_that_is_recorded_late_needs_a_reason(kitchen: Kitchen) -> None:
    answer = kitchen.manager.post(f"{AIR}/stays", {"place": "FZ2", "from": ago(3)})
    assert answer.status_code == 422
    assert answer.json()["errors"][0]["field"] == "reason"
    kitchen.manager.made(f"{AIR}/stays", {"place": "FZ2"})


def test_a_move_learned_of_later_ends_where_the_next_one_begins(kitchen: Kitchen) -> None:
    assert hung(kitchen, "COOL", 2) == ["FZ1", "COOL"]
    assert hung(kitchen, "FZ2", 5) == ["FZ1", "FZ2", "COOL"]
    assert kitchen.keeper.shown(AIR)["place"] == "COOL", "where it hangs now was not touched"
    assert hung(kitchen, "ROOM", 5) == ["FZ1", "ROOM", "COOL"], "corrected from the same instant"


def test_a_probe_that_was_lent_for_an_hour_goes_back(kitchen: Kitchen) -> None:
    assert hung(kitchen, "COOL", 5, until=ago(4)) == ["FZ1", "COOL", "FZ1"]
    assert hung(kitchen, None, 1) == ["FZ1", "COOL", "FZ1", None]
    shown = kitchen.keeper.shown(AIR)
    assert shown["place"] is None, "taken down"
    assert shown["concerns"] == [], "and nobody waits for its readings"
    assert hung(kitchen, "FZ2", 0) == ["FZ1", "COOL", "FZ1", None, "FZ2"]


def test_the_trail_keeps_the_stays_that_gave_way(kitchen: Kitchen) -> None:
    hung(kitchen, "COOL", 2)
    hung(kitchen, "FZ2", 3, until=ago(0))
    assert [s["place"] for s in kitchen.keeper.shown(AIR)["stays"]] == ["FZ1", "FZ2", "COOL"]
    hung(kitchen, "FZ1", 1)
    entry = kitchen.manager.shown("/audit?limit=500")["items"][0]
    assert entry["what"] == "probe hung up"
    assert len(entry["detail"]["before"]) == 3
    assert entry["before"] != entry["after"]


def test_the_watch_looks_again_from_the_first_instant_that_is_another_places(
    kitchen: Kitchen,
) -> None:
    now_s = int(START.timestamp())
    hung(kitchen, "FZ2", 4)
    watched_until(kitchen, now_s)
    before = {code: probe(kitchen, code).version for code in ("FZ1-AIR", "FZ2-AIR", "COOL-AIR")}
    hung(kitchen, "FZ2", 6, until=ago(1))  # from 4 h ago on it was known
    assert probe(kitchen).watched_until_s == now_s - 6 * 3600
    assert probe(kitchen, "FZ2-AIR").watched_until_s == now_s - 6 * 3600, "it may stand no more"
    assert probe(kitchen, "COOL-AIR").watched_until_s == now_s
    after = {code: probe(kitchen, code).version for code in before}
    assert after["FZ1-AIR"] > before["FZ1-AIR"] and after["FZ2-AIR"] > before["FZ2-AIR"]
    assert after["COOL-AIR"] == before["COOL-AIR"]


@pytest.mark.parametrize(
    ("body", "status", "kind"),
    [
        ({"place": "FZ1"}, 409, "hangs-there"),
        ({"place": "NOWHERE"}, 404, "unknown-place"),
        ({}, 422, "validation"),
        ({"place": "FZ2", "from": "2026-11-25T07:00:00Z"}, 422, "validation"),
        ({"place": "FZ2", "from": "2026-11-25T06:00:00"}, 422, "validation"),
        (
            {"place": "FZ2", "from": ago(1), "until": ago(1), "reason": "it was moved"},
            422,
            "validation",
        ),
        ({"place": "SUD1"}, 409, "another-site"),
    ],
)
def test_what_cannot_be_is_refused_and_changes_nothing(
    small_kitchen: Kitchen, body: Any, status: int, kind: str
) -> None:
    boss = small_kitchen.manager
    boss.made("/sites", {"code": "SUD", "name": "South"})
    boss.made("/places", {"code": "SUD1", "name": "S", "kind": "freezer", "site": "SUD"})
    before = boss.shown(AIR)["stays"]
    answer = boss.post(f"{AIR}/stays", body)
    assert (answer.status_code, answer.json()["type"]) == (status, f"/problems/{kind}")
    assert boss.shown(AIR)["stays"] == before


def test_somebody_of_another_site_neither_sees_nor_moves_a_probe(small_kitchen: Kitchen) -> None:
    small_kitchen.manager.made("/sites", {"code": "SUD", "name": "South"})
    other = small_kitchen.person("manager", (2,))
    assert other.get(AIR).status_code == 403
    assert other.post(f"{AIR}/stays", {"place": None}).status_code == 403
    assert other.shown("/probes")["items"] == other.shown("/probes/due")["items"] == []
    assert other.get("/probes/NONE").status_code == 404


def test_moves_recorded_at_the_same_moment_leave_no_gap_and_no_overlap(kitchen: Kitchen) -> None:
    def move(number: int) -> int:
        place = ("FZ2", "COOL", "ROOM")[number % 3]
        body = {"place": place, "from": ago(number + 1), "reason": "it was moved"}
        return kitchen.manager.post(f"{AIR}/stays", body).status_code

    with ThreadPoolExecutor(6) as pool:
        answers = list(pool.map(move, range(12)))
    # Which come first decides whether one says what is known already: that is refused.
    assert set(answers) <= {201, 409} and answers.count(201) >= 3
    stays = kitchen.keeper.shown(AIR)["stays"]
    assert len(stays) == 1 + answers.count(201)
    assert stays[0]["from"] is None and stays[-1]["until"] is None
    assert all(one["until"] == next_["from"] for one, next_ in pairwise(stays))
