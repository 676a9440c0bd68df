"""What probes want looking at for: on a list at any time, told once when it begins."""

from datetime import datetime, timedelta
from typing import Any

import numpy as np
import pytest
from sqlmodel import col, select

from service.notifications.models import Message
from service.probes.models import ProbeConcern
from service.science.arrays import Array
from service.upkeep.actions.due import tell_due
from service.worker import look_after_probes
from tests.architecture.test_statements import counted
from tests.kitchen import START, Kitchen

DAY = timedelta(days=1)


def daily_look(kitchen: Kitchen) -> int:
    with kitchen.writing() as session:
        return tell_due(session, kitchen.clock())


def told(kitchen: Kitchen) -> list[str]:
    with kitchen.looking() as session:
        rows = session.exec(select(Message).where(col(Message.subject) == "probe")).all()
    return [row.title for row in rows]


def due(kitchen: Kitchen) -> list[tuple[str, str]]:
    return [(d["probe"], d["kind"]) for d in kitchen.keeper.shown("/probes/due")["items"]]


def calibrate_all(kitchen: Kitchen) -> None:
    for code in ("COOL-AIR", "FZ1-AIR", "FZ2-AIR", "ROOM-AIR"):
        body = {"method": "ice_point", "measured": "0.1 °C"}
        kitchen.keeper.made(f"/probes/{code}/calibrations", body)


def send(kitchen: Kitchen, probe: str, minutes: Array, *, every: int = 1) -> None:
    """Readings that end now; `every` minutes one."""
    rows = minutes[::every]
    start = kitchen.clock() - timedelta(minutes=every * (rows.size - 1))
    for first in range(0, rows.size, 10_000):
        part = [round(float(c), 2) for c in rows[first : first + 10_000]]
        kitchen.temperatures(
            probe, start + timedelta(minutes=every * first), part, every_s=60 * every
        )


def course(days: float, seed: int = 1) -> Array:
    """Minutes of a freezer with a compressor that cycles."""
    minute = np.arange(int(days * 1440))
    rng = np.random.default_rng(seed)
    noise: Array = rng.normal(0, 0.05, minute.size)
    return -20 + 1.2 * np.sin(minute * 2 * np.pi / 45) + noise


def concern(kitchen: Kitchen, code: str, kind: str) -> Any:
    found = kitchen.keeper.shown(f"/probes/{code}")["concerns"]
    return next((c for c in found if c["kind"] == kind), None)


def test_probes_that_were_never_calibrated_are_told_together_and_once(kitchen: Kitchen) -> None:
    assert daily_look(kitchen) == 4
    assert told(kitchen) == ["Never calibrated: COOL-AIR, FZ1-AIR, FZ2-AIR, ROOM-AIR"]
    kitchen.clock.forward(days=1)
    assert daily_look(kitchen) == 0
    assert len(told(kitchen)) == 1
    calibrate_all(kitchen)
    assert daily_look(kitchen) == 0
    with kitchen.looking() as session:
        rows = session.exec(select(ProbeConcern)).all()
        assert len(rows) == 4 and all(row.ended_at == kitchen.clock() for row in rows)


def test_a_calibration_is_due_after_a_year_and_overdue_the_second_after(kitchen: Kitchen) -> None:
    """Interval of the policy: 365 days."""
    calibrate_all(kitchen)
    mine = ("FZ1-AIR", "calibration_soon")
    kitchen.clock.at = START + timedelta(days=335)
    assert mine not in due(kitchen)
    kitchen.clock.forward(seconds=1)
    assert mine in due(kitchen)
    kitchen.clock.at = START + timedelta(days=365)
    assert mine in due(kitchen) and daily_look(kitchen) == 0
    kitchen.clock.forward(seconds=1)
    assert ("FZ1-AIR", "calibration_overdue") in due(kitchen) and mine not in due(kitchen)
    assert daily_look(kitchen) == 4 and daily_look(kitchen) == 0
    assert told(kitchen) == ["Calibration overdue: COOL-AIR, FZ1-AIR, FZ2-AIR, ROOM-AIR"]


def test_a_site_that_asks_for_it_calibrates_each_quarter(kitchen: Kitchen) -> None:
    change = {"changes": {"probe_calibration": 91}, "reason": "the authority asks for it"}
    assert kitchen.manager.put("/sites/main/policy", change).status_code == 200
    calibrate_all(kitchen)
    kitchen.clock.at = START + timedelta(days=92)
    assert ("FZ1-AIR", "calibration_overdue") in due(kitchen)
    shown = kitchen.keeper.shown("/probes/FZ1-AIR")["calibration_due_at"]
    assert datetime.fromisoformat(shown) == START + timedelta(days=91)


def test_the_last_reading_is_shown_and_silence_is_on_the_list(kitchen: Kitchen) -> None:
    calibrate_all(kitchen)
    send(kitchen, "FZ1-AIR", course(0.2))
    kitchen.clock.forward(minutes=20)
    last = kitchen.keeper.shown("/probes/FZ1-AIR")["last_reading"]
    assert last["seconds_ago"] == 1200
    assert last["temperature"]["c"] == pytest.approx(float(course(0.2)[-1]), abs=0.006)
    assert ("FZ1-AIR", "silent") not in due(kitchen)
    kitchen.clock.forward(minutes=41)  # a gap is longer than an hour: policy gap_minutes
    assert ("FZ1-AIR", "silent") in due(kitchen)
    kitchen.manager.made("/probes/FZ1-AIR/faults", {"reason": "its battery is flat"})
    assert [kind for code, kind in due(kitchen) if code == "FZ1-AIR"] == ["faulty"]


@pytest.mark.parametrize("kind", ["stuck", "out_of_range", "jumping", "noisy", "sparse"])
def test_a_doubtful_probe_is_told_and_suggested_never_declared(kitchen: Kitchen, kind: str) -> None:
    calibrate_all(kitchen)
    minutes = course(8)
    rng = np.random.default_rng(2)
    if kind == "stuck":
        minutes[-8 * 60 :] = -19.7
    elif kind == "out_of_range":
        minutes[-30] = 85.0
    elif kind == "jumping":
        minutes[[-100, -300, -500]] = 30.0
    elif kind == "noisy":
        minutes[-1440:] += rng.normal(0, 3, 1440)
    send(kitchen, "FZ1-AIR", minutes, every=45 if kind == "sparse" else 1)
    send(kitchen, "FZ2-AIR", course(8, seed=3), every=5)
    assert daily_look(kitchen) == 1
    found = concern(kitchen, "FZ1-AIR", kind)
    assert found["because"] and found["what_to_do"]
    assert found["suggest_fault"] is (kind != "sparse")
    assert ("FZ1-AIR", kind) in due(kitchen)
    (title,) = told(kitchen)
    assert title == f"{kind.replace('_', ' ').capitalize()}: FZ1-AIR"
    assert kitchen.keeper.shown("/probes/FZ1-AIR")["faults"] == []
    assert daily_look(kitchen) == 0, "once"
    body = {"from": found["since"], "reason": found["because"]}
    kitchen.manager.made("/probes/FZ1-AIR/faults", body)
    daily_look(kitchen)
    assert concern(kitchen, "FZ1-AIR", kind) is None, "known to be broken, it is doubted no more"
    assert len(told(kitchen)) == 1


def test_a_freezer_as_it_should_be_is_not_doubted(kitchen: Kitchen) -> None:
    calibrate_all(kitchen)
    send(kitchen, "FZ1-AIR", course(8))
    assert daily_look(kitchen) == 0
    assert told(kitchen) == []


def drifting(kitchen: Kitchen, per_month: float, days: int = 60) -> None:
    """Two or three half-hourly probes in one freezer, the first of which wanders."""
    half_hour = np.arange(days * 48)
    wander = per_month * half_hour / 48 / 30.4375
    kitchen.manager.made("/probes", {"code": "FZ1-B", "place": "FZ1"})
    kitchen.manager.made("/probes", {"code": "FZ1-C", "place": "FZ1"})
    rng = np.random.default_rng(4)
    for code, more in (("FZ1-AIR", wander), ("FZ1-B", 0.4), ("FZ1-C", -0.3)):
        values = -20 + np.sin(half_hour / 48 * 2 * np.pi) + more + rng.normal(0, 0.2, wander.size)
        send(kitchen, code, values.repeat(30), every=30)


def test_the_probe_that_drifts_is_named_and_the_others_are_not(kitchen: Kitchen) -> None:
    """0.8 °C a month is 2.37 °C in 90 days; class 2 of EN 12830 allows 2 °C."""
    drifting(kitchen, 0.8)
    calibrate_all(kitchen)
    shown = kitchen.keeper.shown("/places/FZ1/probe-comparison")
    flagged = {d["probe"]: d["flagged"] for d in shown["drift"]}
    assert flagged == {"FZ1-AIR": True, "FZ1-B": False, "FZ1-C": False}
    assert shown["drift"][0]["against"] == ["FZ1-B", "FZ1-C"]
    assert shown["drift"][0]["trend"]["per_month"]["c"] == pytest.approx(0.8, abs=0.05)
    pair = next(p for p in shown["pairs"] if (p["first"], p["second"]) == ("FZ1-B", "FZ1-C"))
    assert pair["mean"]["c"] == pytest.approx(0.7, abs=0.02)
    assert pair["sd"]["c"] == pytest.approx(0.173, abs=0.02)  # 0.2·√2·√(¼² + ½² + ¼²)
    assert pair["trend"]["per_month"]["c"] == pytest.approx(0, abs=0.05)
    assert pair["hours"] >= 59 * 24
    daily_look(kitchen)
    assert [t for t in told(kitchen) if "Drift" in t] == ["Drift: FZ1-AIR"]
    because = concern(kitchen, "FZ1-AIR", "drift")["because"]
    assert "against FZ1-B, FZ1-C it moves by +0." in because


def test_a_slow_drift_and_a_constant_difference_are_not_flagged(kitchen: Kitchen) -> None:
    drifting(kitchen, 0.6)  # 1.77 °C in 90 days
    shown = kitchen.keeper.shown("/places/FZ1/probe-comparison")
    assert not any(d["flagged"] for d in shown["drift"])


def test_hours_in_which_a_probe_was_broken_or_elsewhere_are_not_compared(
    kitchen: Kitchen,
) -> None:
    drifting(kitchen, 0.0, days=2)

    def hours() -> int:
        shown = kitchen.keeper.shown("/places/FZ1/probe-comparison")
        pairs = {(p["first"], p["second"]): p["hours"] for p in shown["pairs"]}
        return int(pairs.get(("FZ1-AIR", "FZ1-B"), 0))

    all_ = hours()
    at = [(START - timedelta(hours=h)).isoformat() for h in (10, 6, 4, 1)]
    body = {"from": at[0], "until": at[1], "reason": "its cable was loose"}
    kitchen.manager.made("/probes/FZ1-AIR/faults", body)
    assert hours() == all_ - 4
    away = {"place": "FZ2", "from": at[2], "until": at[3], "reason": "lent"}
    kitchen.manager.made("/probes/FZ1-B/stays", away)
    assert hours() == all_ - 4 - 3
    choice = {"probe": "FZ1-B", "from": (START - timedelta(hours=20.5)).isoformat(), "reason": "it"}
    kitchen.manager.made("/places/FZ1/governing-probe", choice | {"reason": "better placed"})
    assert hours() == all_ - 4 - 3, "a choice cuts no hour in two"


@pytest.mark.parametrize(
    "query", ["from=2026-11-25T06:00:00Z", "from=2020-01-01T00:00:00Z", "to=yesterday"]
)
def test_a_time_that_cannot_be_compared_is_refused(small_kitchen: Kitchen, query: str) -> None:
    assert small_kitchen.keeper.get(f"/places/FZ1/probe-comparison?{query}").status_code == 422


def test_looking_at_many_probes_takes_as_many_statements_as_at_few(
    small_kitchen: Kitchen,
) -> None:
    def asked(path: str) -> int:
        with counted(small_kitchen) as sent:
            small_kitchen.keeper.shown(path)
        return len(sent)

    small_kitchen.keeper.shown("/probes")
    few = {path: asked(path) for path in ("/probes", "/probes/due")}
    for i in range(12):
        small_kitchen.manager.made("/probes", {"code": f"P{i}", "place": "FZ1"})
        body = {"method": "ice_point", "measured": "0.9 °C"}
        small_kitchen.keeper.made(f"/probes/P{i}/calibrations", body)
        small_kitchen.manager.made(f"/probes/P{i}/offsets", {"offset": "1 °C", "reason": "off"})
        small_kitchen.temperatures(f"P{i}", START - timedelta(hours=1), [-20.0] * 3, every_s=600)
    assert {path: asked(path) for path in few} == few


def test_a_probe_that_was_taken_down_wants_nothing(kitchen: Kitchen) -> None:
    kitchen.manager.made("/probes/FZ1-AIR/stays", {"place": None})
    assert daily_look(kitchen) == 3
    assert "FZ1-AIR" not in {code for code, _ in due(kitchen)}


def test_the_worker_looks_beside_those_who_write_and_tells_the_same(kitchen: Kitchen) -> None:
    look_after_probes(kitchen.app.state.database, kitchen.clock)
    look_after_probes(kitchen.app.state.database, kitchen.clock)
    assert told(kitchen) == ["Never calibrated: COOL-AIR, FZ1-AIR, FZ2-AIR, ROOM-AIR"]
