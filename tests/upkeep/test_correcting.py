"""Offsets and calibrations: raw stays raw, hours follow, and nothing is applied by itself."""

from datetime import timedelta
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlmodel import col, select

from service.notifications.models import Message
from service.probes.actions.calibrating import calibrate
from service.probes.models import Probe
from service.probes.rules import Method
from service.quantities import TemperatureUnit, Units, parse_difference
from service.security.actor import SERVICE
from service.temperatures import queries as temperatures
from service.temperatures.models import ProbeHour
from tests.kitchen import START, Kitchen

AIR = "/probes/FZ1-AIR"


def ago(hours: float) -> str:
    return (START - timedelta(hours=hours)).isoformat()


def read(kitchen: Kitchen, hours: int = 12, temperature_c: float = -20.0) -> None:
    values = [temperature_c] * (hours * 2 + 1)
    kitchen.temperatures("FZ1-AIR", START - timedelta(hours=hours), values, every_s=1800)


def probe_id(kitchen: Kitchen) -> int:
    with kitchen.looking() as session:
        return session.exec(select(Probe.id).where(col(Probe.code) == "FZ1-AIR")).one() or 0


def hourly(kitchen: Kitchen) -> list[float]:
    """The means of the hours that were measured whole, earliest first."""
    with kitchen.looking() as session:
        found = session.exec(
            select(ProbeHour.mean_c)
            .where(col(ProbeHour.probe_id) == probe_id(kitchen), col(ProbeHour.covered_s) == 3600)
            .order_by(col(ProbeHour.hour_s))
        ).all()
    return [round(mean, 6) for mean in found]


def offset(kitchen: Kitchen, hours_ago: float, said: str) -> Any:
    body = {"from": ago(hours_ago), "offset": said, "reason": "the ice bath"}
    return kitchen.manager.made(f"{AIR}/offsets", body)


def calibration(kitchen: Kitchen, measured: str, **more: Any) -> Any:
    body = {"method": "ice_point", "measured": measured} | more
    return kitchen.manager.made(f"{AIR}/calibrations", body)


def told(kitchen: Kitchen) -> list[Message]:
    with kitchen.looking() as session:
        return list(session.exec(select(Message).where(col(Message.subject) == "probe")))


@given(st.integers(-1000, 1000))
def test_an_offset_said_in_fahrenheit_is_a_difference_and_comes_back(hundredths: int) -> None:
    """A difference of 1.8 °F is one of 1 °C: the 32 of a temperature is not in it."""
    c = hundredths / 100
    fahrenheit = Units(temperature=TemperatureUnit.F)
    shown = fahrenheit.difference_out(c)
    assert shown.value == pytest.approx(c * 1.8, abs=0.0051)
    said = parse_difference(f"{shown.value:.2f} °F")
    assert round(said.c * 100) == hundredths
    assert parse_difference({"value": f"{c:.2f}", "unit": "c"}).c == c


@pytest.mark.parametrize("said", ["0.3", "0.3 K", "11 °C", "-18.1 F", "NaN °C", 3, {"value": 1}])
def test_a_difference_that_cannot_be_is_refused(said: object) -> None:
    with pytest.raises(ValueError, match=r"difference|faulty|exactly"):
        parse_difference(said)


def test_an_offset_corrects_hours_and_leaves_raw_readings_raw(kitchen: Kitchen) -> None:
    read(kitchen)
    assert offset(kitchen, 6, "-1.8 °F")["offset"]["c"] == -1.0
    # The segment that leads into the first corrected reading is a slope of half an hour.
    assert hourly(kitchen) == [-20.0] * 5 + [-20.25] + [-21.0] * 6
    with kitchen.looking() as session:
        _, centi = temperatures.as_read(session, probe_id(kitchen), 0, 2**40)
        assert set(centi.tolist()) == {-2000}
        at_s, c = temperatures.raw(session, probe_id(kitchen), 0, 2**40)
        early = at_s < (START - timedelta(hours=6)).timestamp()
        assert np.all(c[early] == -20.0) and np.all(c[~early] == -21.0)


def test_an_offset_holds_until_the_next_and_withdrawn_gives_back_what_was(
    kitchen: Kitchen,
) -> None:
    read(kitchen)
    before = hourly(kitchen)
    offset(kitchen, 4, "2 °C")
    alone = hourly(kitchen)
    first = offset(kitchen, 8, "1 °C")
    assert hourly(kitchen)[8:] == alone[8:], "from the next one on nothing has changed"
    assert hourly(kitchen)[4:7] == [-19.0] * 3
    gone = kitchen.manager.made(f"/probe-offsets/{first['id']}/withdrawal", {"reason": "a slip"})
    assert (gone["withdrawn_by"], gone["probe"]) == ("manager", "FZ1-AIR")
    assert hourly(kitchen) == alone
    again = kitchen.manager.post(f"/probe-offsets/{first['id']}/withdrawal", {"reason": "a slip"})
    assert (again.status_code, again.json()["type"]) == (409, "/problems/already-withdrawn")
    (second,) = [o for o in kitchen.keeper.shown(AIR)["offsets"] if not o["withdrawn_at"]]
    kitchen.manager.made(f"/probe-offsets/{second['id']}/withdrawal", {"reason": "a slip"})
    assert hourly(kitchen) == before


Change = tuple[int, int, bool]


@settings(max_examples=12, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.tuples(st.integers(0, 12), st.integers(-99, 99), st.booleans()), max_size=5))
def test_hours_are_those_of_the_offsets_that_count_whatever_their_order(
    small_kitchen: Kitchen, changes: list[Change]
) -> None:
    """Against each whole hour worked out by hand from the corrected half hours."""
    if not hourly(small_kitchen):
        read(small_kitchen)
    for row in small_kitchen.keeper.shown(AIR)["offsets"]:
        if row["withdrawn_at"] is None:
            path = f"/probe-offsets/{row['id']}/withdrawal"
            small_kitchen.manager.made(path, {"reason": "a new example"})
    standing: list[tuple[int, int, int]] = []
    for number, (hours_ago, centi, slip) in enumerate(changes):
        made = offset(small_kitchen, hours_ago, f"{centi / 100:.2f} °C")
        if slip:
            path = f"/probe-offsets/{made['id']}/withdrawal"
            small_kitchen.manager.made(path, {"reason": "a slip"})
        else:
            standing.append((-hours_ago, number, centi))

    def corrected(half: int) -> float:
        """Half hours from the first reading on, 12 h ago."""
        begun = sorted(s for s in standing if s[0] * 2 + 24 <= half)
        return -20.0 + (begun[-1][2] / 100 if begun else 0.0)

    halves = [corrected(h) for h in range(25)]
    by_hand = [
        round((halves[2 * h] + 2 * halves[2 * h + 1] + halves[2 * h + 2]) / 4, 6) for h in range(12)
    ]
    assert hourly(small_kitchen) == by_hand


def test_an_offset_sends_the_watch_back_and_raises_the_version(kitchen: Kitchen) -> None:
    read(kitchen)
    with kitchen.writing() as session:
        row = session.get_one(Probe, probe_id(kitchen))
        row.watched_until_s, version = int(START.timestamp()), row.version
        session.add(row)
    offset(kitchen, 3, "5 °C")
    with kitchen.looking() as session:
        row = session.get_one(Probe, probe_id(kitchen))
        assert row.watched_until_s == int((START - timedelta(hours=3)).timestamp())
        assert row.version > version


def test_a_probe_within_half_a_degree_passes_and_one_hundredth_more_does_not(
    kitchen: Kitchen,
) -> None:
    assert calibration(kitchen, "0.5 °C")["passed"] is True
    assert calibration(kitchen, "32.9 °F")["passed"] is True, "0.9 °F is 0.5 °C"
    assert calibration(kitchen, "-0.5 °C")["passed"] is True
    assert told(kitchen) == []
    assert calibration(kitchen, "0.51 °C")["passed"] is False
    (message,) = told(kitchen)
    assert "FZ1-AIR failed its calibration: +0.51 °C" in message.title
    assert message.urgency == "today"


def test_a_probe_that_reads_too_cold_is_suspect_since_it_was_last_right(kitchen: Kitchen) -> None:
    """Nobody knows since when; too cold hides warm fish, so the whole time is doubtful."""
    calibration(kitchen, "0.1 °C", occurred_at=ago(1000))
    (way,) = calibration(kitchen, "-1.2 °C", occurred_at=ago(1))["suggestions"]
    assert (way["remedy"], way["offset"]["c"]) == ("offset", 1.2)
    assert way["from"].startswith((START - timedelta(hours=1000)).isoformat()[:16])
    (way,) = calibration(kitchen, "1.2 °C", occurred_at=ago(0))["suggestions"]
    assert way["from"].startswith(START.isoformat()[:16]), "fish's past is not made colder"


def test_a_probe_beyond_its_class_is_suggested_to_be_broken(kitchen: Kitchen) -> None:
    """EN 12830 class 2: 2 °C."""
    assert calibration(kitchen, "2.0 °C")["suggestions"][0]["remedy"] == "offset"
    (way,) = calibration(kitchen, "2.01 °C")["suggestions"]
    assert (way["remedy"], way["offset"]) == ("fault", None)
    assert kitchen.keeper.shown(AIR)["faults"] == [], "a person decides"


def test_nothing_is_applied_unless_somebody_asks_and_then_it_is_right(kitchen: Kitchen) -> None:
    read(kitchen)
    calibration(kitchen, "1.5 °C", occurred_at=ago(2))
    assert set(hourly(kitchen)) == {-20.0}
    kinds = [c["kind"] for c in kitchen.keeper.shown(AIR)["concerns"]]
    assert kinds == ["calibration_failed"]
    shown = calibration(kitchen, "1.5 °C", occurred_at=ago(2), apply_offset=True)
    assert shown["passed"] is False, "as it was found"
    assert hourly(kitchen)[-2:] == [-21.5] * 2
    assert kitchen.keeper.shown(AIR)["concerns"] == []
    assert calibration(kitchen, "1.5 °C")["passed"] is True, "with its offset it is right"


def test_a_keeper_calibrates_and_does_not_set_offsets(kitchen: Kitchen) -> None:
    body = {"method": "comparison", "reference": "-20 °C", "measured": "-19.8 °C"}
    assert kitchen.keeper.made(f"{AIR}/calibrations", body)["passed"] is True
    refused = kitchen.keeper.post(f"{AIR}/calibrations", body | {"apply_offset": True})
    assert refused.status_code == 403
    assert len(kitchen.keeper.shown(AIR)["calibrations"]) == 1, "nothing of it was stored"


@pytest.mark.parametrize(
    ("body", "status", "field"),
    [
        ({"method": "comparison", "measured": "1 °C"}, 422, None),
        ({"method": "ice_point", "reference": "1 °C", "measured": "1 °C"}, 422, "reference"),
        ({"method": "ice_point", "measured": "0.3"}, 422, "measured"),
        ({"method": "guess", "measured": "0 °C"}, 422, "method"),
        (
            {"method": "ice_point", "measured": "0 °C", "occurred_at": "2026-11-25T08:00:00Z"},
            422,
            "occurred_at",
        ),
        ({"method": "ice_point", "measured": "12 °C", "apply_offset": True}, 422, "apply_offset"),
    ],
)
def test_a_calibration_that_cannot_be_names_the_field(
    small_kitchen: Kitchen, body: Any, status: int, field: str | None
) -> None:
    answer = small_kitchen.manager.post(f"{AIR}/calibrations", body)
    assert answer.status_code == status
    assert field is None or answer.json()["errors"][0]["field"] == field
    assert small_kitchen.keeper.shown(AIR)["calibrations"] == []


def test_a_calibration_by_the_wrong_probe_is_withdrawn(kitchen: Kitchen) -> None:
    made = calibration(kitchen, "9 °C")
    path = f"/calibrations/{made['id']}/withdrawal"
    assert kitchen.keeper.made(path, {"reason": "another probe's"})["withdrawn_by"] == "keeper"
    assert kitchen.keeper.post(path, {"reason": "another probe's"}).status_code == 409
    kinds = [c["kind"] for c in kitchen.keeper.shown(AIR)["concerns"]]
    assert kinds == ["never_calibrated", "silent"]
    for nothing in ("/calibrations/99/withdrawal", "/probe-offsets/99/withdrawal"):
        assert kitchen.manager.post(nothing, {"reason": "a slip"}).status_code == 404


def test_other_parts_calibrate_by_the_same_action(kitchen: Kitchen) -> None:
    with kitchen.writing() as session:
        row = calibrate(
            session,
            "fz1-air",
            method=Method.COMPARISON,
            reference_c=-20,
            measured_c=-19.4,
            calibrated_at=START,
            at=START,
            by=SERVICE,
        )
        assert (row.passed, row.tolerance_c) == (False, 0.5)


@pytest.mark.parametrize(
    ("path", "body"),
    [
        (f"{AIR}/stays", {"place": "FZ2", "reason": "it was moved"}),
        (f"{AIR}/offsets", {"offset": "1 °C", "reason": "the ice bath"}),
        (f"{AIR}/faults", {"reason": "its cable was crushed"}),
        (f"{AIR}/calibrations", {"method": "ice_point", "measured": "0 °C"}),
        ("/places/FZ1/governing-probe", {"probe": "FZ1-AIR", "reason": "the better one"}),
        ("/calibrations/{calibration}/withdrawal", {"reason": "a slip"}),
        ("/probe-offsets/{offset}/withdrawal", {"reason": "a slip"}),
        ("/probe-faults/{fault}/withdrawal", {"reason": "a slip"}),
        ("/probe-faults/{fault}/end", {}),
    ],
)
def test_a_write_may_say_when_it_happened_but_not_in_the_future(
    small_kitchen: Kitchen, path: str, body: Any
) -> None:
    made = {
        "calibration": calibration(small_kitchen, "0 °C")["id"],
        "offset": offset(small_kitchen, 9, "1 °C")["id"],
        "fault": small_kitchen.manager.made(
            f"{AIR}/faults", {"from": ago(9), "until": None, "reason": "its battery"}
        )["id"],
    }
    if path.endswith("/faults"):
        small_kitchen.manager.made(f"/probe-faults/{made['fault']}/end", {"occurred_at": ago(8)})
    path = path.format(**made)
    refused = small_kitchen.manager.post(path, body | {"occurred_at": "2026-11-25T06:06:00Z"})
    assert refused.status_code == 422
    assert refused.json()["errors"][0]["field"] == "occurred_at"
    small_kitchen.manager.made(path, body | {"occurred_at": ago(2)})
