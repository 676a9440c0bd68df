"""What comes late, and corrections: the watch brings what is stored in line."""

from datetime import datetime, timedelta
from itertools import count
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import text
from sqlmodel import Session, col, select

from service.excursions import queries
from service.excursions.actions.states import move_to
from service.excursions.actions.watching import watch
from service.excursions.models import Excursion, ExcursionRevision
from service.excursions.rules import ExcursionState
from service.notifications.models import Message
from service.security.actor import SERVICE
from tests.kitchen import START, Kitchen

DAY = START - timedelta(days=1)


def send(kitchen: Kitchen, probe: str, rows: list[tuple[float, float]]) -> None:
    """Readings, so many minutes after the day began, in the order given."""
    body = [
        {
            "probe": probe,
            "at": (DAY + timedelta(minutes=m)).isoformat(),
            "temperature_c": c,
        }
        for m, c in rows
    ]
    if body:
        latest = DAY + timedelta(minutes=max(m for m, _ in rows))
        kitchen.clock.at = max(kitchen.clock.at, latest) if kitchen.clock.at != START else latest
        assert kitchen.commissary.made("/readings", body)["rejected"] == []


def every(begin: int, end: int, c: float, step: int = 5) -> list[tuple[float, float]]:
    return [(m, c) for m in range(begin, end, step)]


def look(kitchen: Kitchen, minute: float) -> None:
    """One pass of the watch at a minute of the day."""
    kitchen.clock.at = DAY + timedelta(minutes=minute)
    with kitchen.writing() as session:
        watch(session, at=kitchen.clock())


def minutes(at: str | None) -> float | None:
    return None if at is None else (datetime.fromisoformat(at) - DAY) / timedelta(minutes=1)


def shown(kitchen: Kitchen, place: str = "FZ1", **more: Any) -> list[dict[str, Any]]:
    items = kitchen.keeper.shown("/excursions", params={"place": place, **more})["items"]
    return sorted(items, key=lambda e: (e["from_at"], e["id"]))


def spans(kitchen: Kitchen, place: str = "FZ1", **more: Any) -> list[tuple[Any, ...]]:
    return [
        (e["kind"], e["state"], minutes(e["from_at"]), minutes(e["ended_at"]))
        for e in shown(kitchen, place, **more)
    ]


def move(kitchen: Kitchen, number: int, *states: ExcursionState) -> None:
    with kitchen.writing() as session:
        for state in states:
            excursion = session.get_one(Excursion, number)
            move_to(session, excursion, state, at=kitchen.clock(), by=SERVICE, note="by a test")


def test_readings_that_come_late_fill_a_gap_and_withdraw_its_silence(kitchen: Kitchen) -> None:
    send(kitchen, "FZ1-AIR", every(0, 60, -22))
    look(kitchen, 130)
    send(kitchen, "FZ1-AIR", every(180, 240, -22))
    look(kitchen, 240)
    assert spans(kitchen) == [("silent", "ended", 55.0, 180.0)]
    send(kitchen, "FZ1-AIR", every(60, 180, -22))
    look(kitchen, 241)
    assert spans(kitchen) == []
    (gone,) = shown(kitchen, state="withdrawn")
    assert gone["reason"] == "later readings fill the gap"
    detail = kitchen.keeper.shown(f"/excursions/{gone['id']}")
    assert [r["state"] for r in detail["revisions"]] == ["open", "ended", "withdrawn"]


def test_an_excursion_that_had_been_missed_is_opened_and_one_that_was_assessed_is_again(
    kitchen: Kitchen,
) -> None:
    send(kitchen, "FZ1-AIR", every(0, 100, -22) + every(160, 260, -10) + every(260, 400, -22))
    look(kitchen, 400)
    warm = [e for e in shown(kitchen) if e["kind"] == "warm"]
    assert spans(kitchen, kind="warm") == [("warm", "ended", 160.0, 260.0)]
    move(kitchen, warm[0]["id"], ExcursionState.ASSESSED)
    send(kitchen, "FZ1-AIR", every(100, 160, -9.5))
    look(kitchen, 401)
    assert spans(kitchen, kind="warm") == [("warm", "ended", 100.0, 260.0)]
    detail = kitchen.keeper.shown(f"/excursions/{warm[0]['id']}")
    assert detail["peak_c"] == -9.5
    assert detail["revisions"][-1]["reason"] == "late readings or a correction of the probe"
    assert detail["revisions"][0]["peak_c"] == -10.0, "what was known before is kept"


def test_a_decided_one_is_never_changed_what_comes_to_light_follows_it(kitchen: Kitchen) -> None:
    send(kitchen, "FZ1-AIR", every(0, 100, -22) + every(100, 200, -10) + every(200, 400, -22))
    look(kitchen, 400)
    (first,) = shown(kitchen)
    move(kitchen, first["id"], ExcursionState.ASSESSED, ExcursionState.DECIDED)
    send(kitchen, "FZ1-AIR", [(152, -11.0)])
    look(kitchen, 401)
    assert len(shown(kitchen)) == 1, "nothing worse came to light"
    send(kitchen, "FZ1-AIR", [(153, -4.0)])
    look(kitchen, 402)
    before, after = shown(kitchen)
    decided = kitchen.keeper.shown(f"/excursions/{first['id']}")
    assert (before["state"], before["peak_c"]) == ("decided", -10.0)
    assert (after["state"], after["peak_c"], after["follows"]) == ("ended", -4.0, first["id"])
    assert decided["followed_by"] == [after["id"]]
    look(kitchen, 403)
    assert len(shown(kitchen)) == 2


def test_two_that_late_readings_join_become_one_and_the_link_is_kept(kitchen: Kitchen) -> None:
    series = every(0, 60, -22) + every(60, 120, -10) + every(120, 121, -22)
    send(kitchen, "FZ1-AIR", series + every(135, 175, -22) + every(175, 230, -9))
    send(kitchen, "FZ1-AIR", every(230, 300, -22))
    look(kitchen, 300)
    one, two = shown(kitchen)
    with kitchen.writing() as session:
        session.execute(text("UPDATE probe_offset SET centi_c = 0"))
    send(kitchen, "FZ1-AIR", [(m + 2, -9.0) for m in range(120, 175, 5)])
    look(kitchen, 301)
    assert spans(kitchen, kind="warm") == [("warm", "ended", 60.0, 230.0)]
    (gone,) = shown(kitchen, state="withdrawn")
    assert (gone["id"], gone["merged_into"]) == (two["id"], one["id"])


def test_a_probe_that_was_broken_withdraws_what_it_said(kitchen: Kitchen) -> None:
    send(kitchen, "FZ1-AIR", every(0, 100, -22) + every(100, 200, -5))
    look(kitchen, 200)
    assert spans(kitchen) == [("warm", "open", 100.0, None)]
    with kitchen.writing() as session:
        begin = int((DAY + timedelta(minutes=98)).timestamp())
        session.execute(
            text(
                'INSERT INTO probe_fault (probe_id, from_s, reason, recorded_at, "by") SELECT id,'
                " :begin, 'wet inside', created_at, 'manager' FROM probe WHERE code = 'FZ1-AIR'"
            ),
            {"begin": begin},
        )
        session.execute(
            text("UPDATE probe SET watched_until_s = :begin WHERE code = 'FZ1-AIR'"),
            {"begin": begin},
        )
    look(kitchen, 800)
    assert spans(kitchen) == [], "neither warm nor silent: it stands for nothing"
    (gone,) = shown(kitchen, state="withdrawn")
    assert gone["reason"] == "the probe was declared faulty: wet inside"


def test_two_probes_of_one_place_make_one_event(kitchen: Kitchen) -> None:
    kitchen.manager.made("/probes", {"code": "FZ1-B", "place": "FZ1", "kind": "air"})
    for m in range(0, 200, 5):
        send(kitchen, "FZ1-AIR", [(m, -22 if m < 60 else -10)])
        send(kitchen, "FZ1-B", [(m + 1, -22 if m < 80 else -8)])
        look(kitchen, m + 2)
    assert spans(kitchen) == [("warm", "open", 60.0, None)]
    (leader,) = shown(kitchen)
    (part,) = kitchen.keeper.shown(f"/excursions/{leader['id']}")["merged"]
    assert (part["probe"], part["peak_c"]) == ("FZ1-B", -8.0)
    with kitchen.looking() as session:
        told = session.exec(select(Message).where(col(Message.subject) == "excursion")).all()
        assert len(told) == 1, "one event is told once"
    for m in range(200, 260, 5):
        send(kitchen, "FZ1-AIR", [(m, -22)])
        send(kitchen, "FZ1-B", [(m + 1, -8 if m < 230 else -22)])
        look(kitchen, m + 2)
        (event,) = shown(kitchen)
        assert (event["state"] == "open") == (m < 240), "open while one of them is warm"
    assert spans(kitchen) == [("warm", "ended", 60.0, 231.0)]
    assert event["peak_c"] == -8.0
    with kitchen.looking() as session:
        told = session.exec(select(Message).where(col(Message.subject) == "excursion")).all()
        assert [m.ends for m in told] == [False, True], "and once, to all, that it is over"


def test_fish_that_was_there_is_stored_and_what_is_taken_from_it_inherits(
    kitchen: Kitchen,
) -> None:
    lot = kitchen.a_lot(mass="100 kg")["code"]
    other = kitchen.a_lot(mass="60 kg", place="FZ2", caught="2026-08-09")["code"]
    kitchen.clock.at = DAY + timedelta(minutes=10)
    early = kitchen.pulled(lot, "10 kg", "COOL")["code"]
    send(kitchen, "FZ1-AIR", every(0, 60, -22) + every(60, 180, -5))
    look(kitchen, 180)
    kitchen.clock.at = DAY + timedelta(minutes=200)
    late = kitchen.pulled(lot, "20 kg", "COOL", already_done=True)["code"]
    (found,) = shown(kitchen)
    affected = kitchen.keeper.shown(f"/excursions/{found['id']}")["affected"]
    assert [(a["lot"], a["place"], a["in_place"], a["mass"]["g"], a["on_hand"]["g"])
            for a in affected] == [
        (lot, "FZ1", True, 90_000, 70_000),
        (lot, "COOL", False, 20_000, 20_000),
    ]  # fmt: skip
    with kitchen.looking() as session:
        rows = session.execute(
            text("SELECT p.id, l.code, t.code FROM parcel p JOIN lot l ON l.id = p.lot_id"
                 " LEFT JOIN thaw_batch t ON t.id = p.thaw_batch_id")
        ).all()  # fmt: skip
        undecided = queries.undecided_of_parcels(session, [row[0] for row in rows])
        named = {(row[1], row[2]) for row in rows if row[0] in undecided}
    assert named == {(lot, None), (lot, late)}, f"neither {early} nor {other}"


def test_fish_that_comes_into_a_warm_place_is_stored_too(small_kitchen: Kitchen) -> None:
    send(small_kitchen, "FZ1-AIR", every(0, 60, -22) + every(60, 180, -5))
    look(small_kitchen, 180)
    arrived = (DAY + timedelta(minutes=190)).isoformat()
    small_kitchen.clock.at = DAY + timedelta(minutes=190)
    lot = small_kitchen.a_lot(arrived=arrived)["code"]
    look(small_kitchen, 191)
    (found,) = [e for e in shown(small_kitchen) if e["kind"] == "warm"]
    (affected,) = small_kitchen.keeper.shown(f"/excursions/{found['id']}")["affected"]
    assert affected["lot"] == lot
    assert minutes(affected["from_at"]) == 190.0


def test_what_was_known_is_never_changed_or_deleted(kitchen: Kitchen) -> None:
    send(kitchen, "FZ1-AIR", every(0, 100, -5))
    look(kitchen, 100)
    for statement in (
        "UPDATE excursion_revision SET reason = 'x'",
        "DELETE FROM excursion_revision",
    ):
        with pytest.raises(Exception, match="never"), kitchen.writing() as session:
            session.execute(text(statement))
    with kitchen.looking() as session:
        assert session.exec(select(ExcursionRevision)).all() != []


numbers = count(1)


@st.composite
def a_series_in_parts(draw: st.DrawFn) -> tuple[list[tuple[float, float]], list[list[int]]]:
    """Readings of a freezer, and the parts in which they come, in any order."""
    rows: list[tuple[float, float]] = []
    minute = 0
    for _ in range(draw(st.integers(2, 12))):
        level = draw(st.sampled_from([-22.0, -22.0, -18.4, -17.5, -10.0, 1.0]))
        step = draw(st.sampled_from([5, 5, 20, 70]))
        for i in range(draw(st.integers(1, 12))):
            minute += step
            rows.append((minute, round(level + 0.3 * (i % 3), 2)))
    order = draw(st.permutations(range(len(rows))))
    cuts = sorted(set(draw(st.lists(st.integers(1, len(rows)), max_size=4))))
    return rows, [list(order[a:b]) for a, b in zip([0, *cuts], [*cuts, len(rows)], strict=True)]


def stands(session: Session, place: str) -> list[tuple[Any, ...]]:
    """What stands of a place, without numbers."""
    statement = text(
        "SELECT e.kind, e.state, e.from_at, e.ended_at, e.peak_c, e.merged_into_id IS NULL, "
        "CASE WHEN e.ended_at IS NULL THEN '' ELSE e.cause END FROM excursion e "
        "JOIN place p ON p.id = e.place_id WHERE p.code = :place AND e.state <> 'withdrawn'"
    )
    return sorted(tuple(map(str, row)) for row in session.execute(statement, {"place": place}))


@settings(
    max_examples=30,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(a_series_in_parts())
def test_in_whatever_order_readings_come_the_same_excursions_stand(
    kitchen: Kitchen, drawn: tuple[list[tuple[float, float]], list[list[int]]]
) -> None:
    rows, parts = drawn
    end = 12 * 12 * 70 + 100
    kitchen.clock.at = DAY + timedelta(minutes=end)
    number = next(numbers)
    for code in (f"A{number}", f"B{number}"):
        kitchen.manager.made("/places", {"code": code, "name": code, "kind": "freezer"})
        kitchen.manager.made("/probes", {"code": f"{code}-P", "place": code, "kind": "air"})
    send(kitchen, f"A{number}-P", rows)
    for part in parts:
        send(kitchen, f"B{number}-P", [rows[i] for i in part])
        look(kitchen, end)
    with kitchen.looking() as session:
        assert stands(session, f"B{number}") == stands(session, f"A{number}")
