"""Readings: every good row is stored once, every other is named, in any order and batching."""

import json
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from sqlalchemy import text
from sqlmodel import col, delete, select

from service.probes.models import Probe
from service.quantities import TemperatureUnit
from service.security.actor import SERVICE
from service.temperatures.actions import storing
from service.temperatures.actions.decoding import decode
from service.temperatures.models import ProbeHour, Reading
from tests.kitchen import START, Kitchen

JSON = {"Content-Type": "application/json"}
NDJSON = {"Content-Type": "application/x-ndjson"}
CSV = {"Content-Type": "text/csv"}
MIDNIGHT = datetime(2026, 11, 24, tzinfo=UTC)


def reading(**more: Any) -> dict[str, Any]:
    return {"probe": "FZ1-AIR", "at": "2026-11-24T05:00:00Z", "temperature_c": -20.5} | more


def at_minute(minute: float, temperature_c: float = -20.0, **more: Any) -> dict[str, Any]:
    at = (MIDNIGHT + timedelta(minutes=minute)).isoformat()
    return reading(at=at, temperature_c=temperature_c, **more)


def sent(kitchen: Kitchen, rows: Sequence[Any], address: str = "/readings") -> Any:
    return kitchen.commissary.made(address, list(rows))


def stored(kitchen: Kitchen) -> list[tuple[int, int]]:
    with kitchen.looking() as session:
        rows = session.exec(select(Reading).order_by(col(Reading.at_s)))
        return [(row.at_s - int(MIDNIGHT.timestamp()), row.centi_c) for row in rows]


def hours(kitchen: Kitchen) -> list[dict[str, Any]]:
    """Every hour, without the counter that a cache reads."""
    with kitchen.looking() as session:
        found = session.exec(
            select(ProbeHour).order_by(col(ProbeHour.probe_id), col(ProbeHour.hour_s))
        )
        return [row.model_dump(exclude={"version"}) for row in found]


def reasons(answer: Any) -> dict[int, str]:
    return {row["index"]: row["reason"] for row in answer["rejected"]}


BAD_ROWS: list[tuple[Any, str]] = [
    ({"probe": "FZ1-AIR", "at": "2026-11-24T05:00:00Z"}, "temperature_c"),
    (reading(colour="red"), "colour"),
    (reading(probe=7), "probe"),
    (reading(probe="FZ9"), "unknown probe FZ9"),
    (reading(probe="FZ1\0"), "cannot be stored"),
    (reading(at="2026-11-24T05:00:00"), "time zone"),
    (reading(at="yesterday"), "at"),
    (reading(at="2026-02-30T05:00:00Z"), "at"),
    (reading(at="2026-11-25T06:06:00Z"), "future"),
    (reading(at="9999-12-31T23:59:59-14:00"), "future"),
    (reading(temperature_c="-20"), "temperature_c"),
    (reading(temperature_c=None), "temperature_c"),
    (reading(temperature_c=True), "temperature_c"),
    (reading(temperature_c=-500), "temperature_c"),
    (reading(temperature_c=1e300), "temperature_c"),
    (reading(temperature_c=10**30), "temperature_c"),
    (float("nan"), "object"),
    (reading(temperature_c=float("nan")), "temperature_c"),
    (reading(temperature_c=float("inf")), "temperature_c"),
    (reading(temperature_c=float("-inf")), "temperature_c"),
    ([], "object"),
    (None, "object"),
    ("text", "object"),
]


def test_bad_rows_are_named_by_their_index_and_all_others_are_stored(kitchen: Kitchen) -> None:
    rows: list[Any] = []
    for minute, (bad, _) in enumerate(BAD_ROWS):
        rows += [at_minute(minute), bad]
    # Python's json writes NaN and Infinity raw, as loggers do.
    answer = kitchen.commissary.post("/readings", content=json.dumps(rows), headers=JSON)
    assert answer.status_code == 200, answer.text
    assert answer.json()["stored"] == len(BAD_ROWS) == len(stored(kitchen))
    found = reasons(answer.json())
    assert sorted(found) == list(range(1, 2 * len(BAD_ROWS), 2))
    for index, (bad, word) in enumerate(BAD_ROWS):
        assert word.lower() in found[2 * index + 1].lower(), (bad, found[2 * index + 1])


def test_a_line_that_is_broken_is_named_and_the_other_lines_are_stored(kitchen: Kitchen) -> None:
    lines = [json.dumps(at_minute(minute)).encode() for minute in range(6)]
    lines[2] = lines[2][:-5]
    lines[4] = b"\xff" + lines[4]
    answer = kitchen.commissary.post("/readings", content=b"\n".join(lines), headers=NDJSON)
    assert answer.json()["stored"] == 4
    assert sorted(reasons(answer.json())) == [2, 4]
    assert [at for at, _ in stored(kitchen)] == [0, 60, 180, 300]


BROKEN_LINES = [
    b"{",
    b"[" * 100_000,
    b'{"probe":' + b"[" * 100_000,
    b'{"probe":"FZ1-AIR","at":"2026-11-24T05:00:00Z","temperature_c":NaN}',
    b'{"probe":"FZ1-AIR","at":"2026-11-24T05:00:00Z","temperature_c":-1e999}',
    b'{"probe":"FZ1-AIR","at":"2026-11-24T05:00:00Z","temperature_c":' + b"9" * 5000 + b"}",
    b'{"probe":"\\ud800","at":"2026-11-24T05:00:00Z","temperature_c":-20}',
    b"{},{}",
]


def test_no_line_however_broken_takes_the_others_with_it(small_kitchen: Kitchen) -> None:
    for minute, broken in enumerate(BROKEN_LINES):
        good = json.dumps(at_minute(minute)).encode()
        answer = small_kitchen.commissary.post(
            "/readings", content=b"\n".join([broken, good]), headers=NDJSON
        )
        assert answer.status_code == 200, answer.text
        assert answer.json()["stored"] == 1
        assert sorted(reasons(answer.json())) == [0]


def test_blank_lines_and_windows_line_ends_are_no_rows(small_kitchen: Kitchen) -> None:
    lines = [json.dumps(at_minute(minute)) for minute in range(3)]
    body = "\r\n".join([lines[0], "", lines[1], "   ", lines[2], "", ""])
    answer = small_kitchen.commissary.post("/readings", content=body, headers=NDJSON).json()
    assert answer == {"stored": 3, "duplicates": 0, "rejected": []}


def test_a_table_is_read_row_by_row(kitchen: Kitchen) -> None:
    body = (
        "\ufeffprobe,at,temperature_c\r\n"
        "FZ1-AIR,2026-11-24T00:00:00Z,-20.25\r\n"
        "FZ1-AIR,2026-11-24T00:01:00Z,nan\r\n"
        "FZ1-AIR,2026-11-24T00:02:00Z\r\n"
        '"FZ1-AIR","2026-11-24T00:03:00Z","-20.5"\r\n'
        '"FZ1-AIR,2026-11-24T00:04:00Z,-20\r\n'
        "\r\n"
        "FZ1-AIR,2026-11-24T00:05:00,-20\r\n"
        "FZ1-AIR,2026-11-24T00:06:00Z,-1_0\r\n"
        "FZ1-AIR,2026-11-24T00:07:00Z,٣\r\n"
        "FZ9,2026-11-24T00:08:00Z,-20\r\n"
        "FZ1\0,2026-11-24T00:08:00Z,-20\r\n"
        f"{'x' * 200_000},2026-11-24T00:08:00Z,-20\r\n"
        "FZ1-AIR,2026-11-24T00:09:00Z,-2.05e1"
    )
    answer = kitchen.commissary.post("/readings", content=body.encode(), headers=CSV)
    assert answer.status_code == 200, answer.text
    assert stored(kitchen) == [(0, -2025), (180, -2050), (540, -2050)]
    assert sorted(reasons(answer.json())) == [1, 2, 4, 5, 6, 7, 8, 9, 10]
    assert reasons(answer.json())[8] == "unknown probe FZ9"
    assert len(answer.content) < 5000, "a cell of 200 000 characters is not sent back"


UNREADABLE: list[tuple[bytes, dict[str, str], str]] = [
    (b"", JSON, "body"),
    (b"{}", JSON, "body"),
    (b"null", JSON, "body"),
    (b'[{"probe":', JSON, "body"),
    (b"[" * 100_000 + b"]" * 100_000, JSON, "body"),
    (b'[{"probe":"\xff"}]', JSON, "body"),
    (b"[" + b"9" * 5000 + b"]", JSON, "body"),
    (b"a,b\n1,2", CSV, "header"),
    (b"", CSV, "header"),
    (b"probe,at,temperature_c\n\xff,1,2", CSV, "body"),
    (b"<a/>", {"Content-Type": "application/xml"}, "Content-Type"),
    (b"[]", {"Content-Type": "multipart/form-data"}, "Content-Type"),
]


def test_a_body_that_cannot_be_read_at_all_is_refused_and_stores_nothing(
    small_kitchen: Kitchen,
) -> None:
    for content, headers, field in UNREADABLE:
        answer = small_kitchen.commissary.post("/readings", content=content, headers=headers)
        assert answer.status_code == 422, answer.text
        assert answer.headers["content-type"] == "application/problem+json"
        assert [e["field"] for e in answer.json()["errors"]] == [field]
    assert stored(small_kitchen) == []


def test_no_rows_are_no_mistake(small_kitchen: Kitchen) -> None:
    nothing = {"stored": 0, "duplicates": 0, "rejected": []}
    assert sent(small_kitchen, []) == nothing
    for headers in (NDJSON, CSV):
        content = b"probe,at,temperature_c\n" if headers is CSV else b""
        answer = small_kitchen.commissary.post("/readings", content=content, headers=headers)
        assert answer.json() == nothing


def test_the_same_reading_twice_is_a_duplicate_and_another_value_is_refused(
    kitchen: Kitchen,
) -> None:
    first = sent(
        kitchen,
        [
            at_minute(0, -20.0),
            at_minute(0, -20.0),
            at_minute(0, -19.0),
            at_minute(0, -20.004),  # stored in hundredths: the same
            at_minute(0.005, -20.0),  # the same second
            at_minute(1, -20.0, probe="fz1-air"),
        ],
    )
    assert (first["stored"], first["duplicates"]) == (2, 3)
    assert sorted(reasons(first)) == [2]
    second = sent(kitchen, [at_minute(0, -20.0), at_minute(1, -18.5), at_minute(2, -20.0)])
    assert (second["stored"], second["duplicates"]) == (1, 1)
    assert "another value" in reasons(second)[1]
    assert stored(kitchen) == [(0, -2000), (60, -2000), (120, -2000)]


def test_a_clock_a_little_fast_passes_and_one_faster_than_the_policy_does_not(
    small_kitchen: Kitchen,
) -> None:
    skew = small_kitchen.manager.shown("/sites/main/policy")["figures"]["clock_skew_minutes"]
    limit = START + timedelta(minutes=skew)
    answer = sent(
        small_kitchen,
        [
            reading(at=limit.isoformat()),
            reading(at=(limit + timedelta(seconds=1)).isoformat()),
        ],
    )
    assert answer["stored"] == 1
    assert reasons(answer) == {1: "at: lies in the future"}


def test_temperatures_at_the_ends_of_the_range_pass_and_beyond_do_not(
    small_kitchen: Kitchen,
) -> None:
    figures = small_kitchen.manager.shown("/sites/main/policy")["figures"]
    low, high = figures["reading_min"], figures["reading_max"]
    answer = sent(
        small_kitchen,
        [
            at_minute(0, low),
            at_minute(1, high),
            at_minute(2, low - 0.1),
            at_minute(3, high + 0.1),
        ],
    )
    assert answer["stored"] == 2
    assert sorted(reasons(answer)) == [2, 3]


def test_fahrenheit_is_named_once_for_all_rows(kitchen: Kitchen) -> None:
    """Exact by definition: 0 °F = -17.777… °C, -40 °F = -40 °C, 32 °F = 0 °C."""
    rows = [at_minute(0, 0), at_minute(1, -40), at_minute(2, 32)]
    assert sent(kitchen, rows, "/readings?unit=f")["stored"] == 3
    assert [centi for _, centi in stored(kitchen)] == [-1778, -4000, 0]
    answer = kitchen.commissary.post("/readings?unit=k", rows)
    assert answer.status_code == 422
    assert [e["field"] for e in answer.json()["errors"]] == ["unit"]


def test_a_body_with_more_probes_than_a_statement_takes_is_answered_row_by_row(
    kitchen: Kitchen,
) -> None:
    rows = [reading(probe=f"P{number}") for number in range(70_000)]
    answer = sent(kitchen, [*rows, reading()])
    assert answer["stored"] == 1
    assert reasons(answer)[0] == "unknown probe P0"


def test_a_probe_of_another_site_is_unknown_to_somebody_who_has_no_access(
    small_kitchen: Kitchen,
) -> None:
    boss = small_kitchen.manager
    boss.made("/sites", {"code": "SUD", "name": "South house"})
    boss.made("/places", {"code": "S1", "name": "South", "kind": "freezer", "site": "SUD"})
    boss.made("/probes", {"code": "S1-AIR", "place": "S1"})
    device = small_kitchen.person("device", site_ids=(1,))
    answer = device.made("/readings", [reading(), reading(probe="S1-AIR")])
    assert answer["stored"] == 1
    assert reasons(answer) == {1: "unknown probe S1-AIR"}


def test_a_thermometer_may_send_readings_and_do_nothing_else(small_kitchen: Kitchen) -> None:
    device = small_kitchen.person("device")
    assert device.made("/readings", [reading()])["stored"] == 1
    assert device.get("/lots").status_code == 403
    assert device.post("/probes", {"code": "X", "place": "FZ1"}).status_code == 403


def test_a_late_reading_changes_its_hour_and_both_neighbours(kitchen: Kitchen) -> None:
    minutes = [m for m in range(0, 240, 10) if m != 60 and not 110 <= m <= 130]
    sent(kitchen, [at_minute(m, -22 + m / 60) for m in minutes])
    before = hours(kitchen)
    sent(kitchen, [at_minute(m, -5.0) for m in (110, 120, 130)])
    after = hours(kitchen)
    changed = [i for i, (a, b) in enumerate(zip(before, after, strict=True)) if a != b]
    assert changed == [1, 2], "minute 110 lies in hour 1, 120 and 130 in hour 2"
    sent(kitchen, [at_minute(59.9, -5.0)])
    assert [i for i, (a, b) in enumerate(zip(after, hours(kitchen), strict=True)) if a != b] == [
        0,
        1,
    ]


SERIES = st.lists(
    st.tuples(st.integers(0, 6 * 3600), st.integers(-3000, 1500)),
    min_size=1,
    max_size=25,
    unique_by=lambda pair: pair[0],
)


@given(series=SERIES, data=st.data())
@example(series=[(0, -2000), (3600, -2000), (7200, -2000)], data=None)
@settings(
    max_examples=40,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
def test_the_hours_are_the_same_in_whatever_order_and_batches_the_readings_come(
    small_kitchen: Kitchen, series: list[tuple[int, int]], data: st.DataObject | None
) -> None:
    rows = [
        {
            "probe": "FZ1-AIR",
            "at": (MIDNIGHT + timedelta(seconds=s)).isoformat(),
            "temperature_c": c / 100,
        }
        for s, c in series
    ]
    shuffled = list(reversed(rows)) if data is None else data.draw(st.permutations(rows))
    size = 1 if data is None else data.draw(st.integers(1, len(rows)))

    def hours_of(batches: Sequence[Sequence[dict[str, Any]]]) -> list[dict[str, Any]]:
        with small_kitchen.writing() as session:
            session.execute(delete(ProbeHour))
            session.execute(delete(Reading))
        for batch in batches:
            with small_kitchen.writing() as session:
                body = json.dumps(list(batch)).encode()
                decoded = decode(body, "application/json", TemperatureUnit.C)
                storing.store(session, decoded, at=START, by=SERVICE)
        return hours(small_kitchen)

    at_once = hours_of([rows])
    assert sum(hour["readings"] for hour in at_once) == len(rows)
    piecemeal = [shuffled[i : i + size] for i in range(0, len(shuffled), size)]
    assert hours_of(piecemeal) == at_once


def test_each_sites_own_gap_counts_whoever_else_is_in_the_batch(small_kitchen: Kitchen) -> None:
    boss = small_kitchen.manager
    boss.made("/sites", {"code": "SUD", "name": "South house"})
    boss.made("/places", {"code": "S1", "name": "South", "kind": "freezer", "site": "SUD"})
    boss.made("/probes", {"code": "S1-AIR", "place": "S1"})
    change = {"changes": {"gap_minutes": 10}, "reason": "we measure every minute"}
    assert boss.put("/sites/SUD/policy", change).status_code == 200
    sent(
        small_kitchen,
        [at_minute(m, probe=probe) for m in (0, 20, 40) for probe in ("FZ1-AIR", "S1-AIR")],
    )
    assert [hour["covered_s"] for hour in hours(small_kitchen)] == [2400.0, 0.0]


def test_every_write_raises_the_probes_version_and_stamps_the_hours_it_changed(
    small_kitchen: Kitchen,
) -> None:
    def versions() -> tuple[int, list[int]]:
        with small_kitchen.looking() as session:
            probe = session.exec(select(Probe).where(col(Probe.code) == "FZ1-AIR")).one()
            rows = session.exec(select(ProbeHour).order_by(col(ProbeHour.hour_s)))
            return probe.version, [row.version for row in rows]

    sent(small_kitchen, [at_minute(m) for m in range(0, 300, 30)])
    assert versions() == (1, [1] * 5)
    sent(small_kitchen, [at_minute(m) for m in range(0, 300, 30)])
    assert versions() == (1, [1] * 5), "duplicates change nothing"
    sent(small_kitchen, [at_minute(275)])
    version, stamped = versions()
    assert version == 2
    assert stamped[:3] == [1, 1, 1] and stamped[4] == 2


def test_one_entry_of_the_audit_trail_stands_for_a_whole_batch(small_kitchen: Kitchen) -> None:
    sent(small_kitchen, [at_minute(m) for m in range(100)])
    newest = small_kitchen.manager.shown("/audit?limit=1")["items"][0]
    assert newest["what"] == "readings stored" and newest["subject"] == "100 readings"
    assert newest["after"] is not None
    sent(small_kitchen, [at_minute(m) for m in range(100)])
    assert small_kitchen.manager.shown("/audit?limit=1")["items"][0]["number"] == newest["number"]


def series(kitchen: Kitchen, **params: Any) -> Any:
    window = {"from": MIDNIGHT.isoformat(), "to": (MIDNIGHT + timedelta(hours=6)).isoformat()}
    return kitchen.keeper.shown("/places/FZ1/temperatures", params=window | params)


def test_a_series_gives_mean_range_and_the_share_that_was_measured(kitchen: Kitchen) -> None:
    """By hand: readings every 10 min; along straight lines the mean of a ramp is its middle."""
    sent(kitchen, [at_minute(m, -24 + m / 30) for m in range(0, 181, 10)])
    shown = series(kitchen)
    assert shown["probe"] == "FZ1-AIR" and shown["step"] == 3600 and shown["limit_c"] == -18.0
    first = shown["points"][0]
    assert datetime.fromisoformat(first["at"]) == MIDNIGHT
    assert first["mean_c"] == pytest.approx(-23.0, abs=0.01)
    assert first["min_c"] == -24.0 and first["coverage"] == 1.0
    assert len(shown["points"]) == 4, "hours in which nobody measured are left out"
    assert shown["points"][3]["coverage"] == 0.0, "one reading covers no time"
    two = series(kitchen, step=7200)["points"]
    assert [p["coverage"] for p in two] == [1.0, 0.5]
    assert two[0]["mean_c"] == pytest.approx(-22.0, abs=0.01)


def test_coverage_is_the_measured_share_of_the_step_where_readings_are_missing(
    kitchen: Kitchen,
) -> None:
    sent(kitchen, [at_minute(m) for m in (0, 10, 20, 30)])
    assert series(kitchen)["points"][0]["coverage"] == 0.5
    sent(kitchen, [at_minute(m) for m in (60 * 4, 60 * 4 + 15)])
    points = {p["at"]: p["coverage"] for p in series(kitchen)["points"]}
    assert list(points.values()) == [0.5, 0.25]


def test_a_step_shorter_than_an_hour_reads_the_readings_themselves(kitchen: Kitchen) -> None:
    sent(kitchen, [at_minute(m, -20 - m % 2) for m in range(0, 60)])
    points = series(kitchen, step=600)["points"]
    assert len(points) == 6
    for point in points[:-1]:
        assert (point["min_c"], point["max_c"], point["coverage"]) == (-21.0, -20.0, 1.0)
        assert point["mean_c"] == pytest.approx(-20.5, abs=0.01)
    assert points[-1]["coverage"] == pytest.approx(0.9, abs=0.001), "ten readings, nine gaps"
    fine = series(kitchen, step=60)["points"]
    assert len(fine) == 60 and fine[0]["mean_c"] == pytest.approx(-20.5, abs=0.51)


def test_coverage_never_passes_one_and_never_changes_with_the_step(kitchen: Kitchen) -> None:
    sent(kitchen, [at_minute(m) for m in (0, 7, 25, 61, 118, 119, 200, 215)])
    measured = {
        step: sum(p["coverage"] * step for p in series(kitchen, step=step)["points"])
        for step in (600, 1800, 3600, 7200)
    }
    for step, seconds in measured.items():
        assert seconds == pytest.approx(measured[3600], abs=2), step
        assert all(0 <= p["coverage"] <= 1 for p in series(kitchen, step=step)["points"])


BAD_WINDOWS: list[tuple[dict[str, Any], str]] = [
    ({"from": "2026-11-24T00:00:00"}, "from"),
    ({"from": "yesterday"}, "from"),
    ({"from": "1764028800"}, "from"),
    ({"from": "0001-01-01T00:00:00Z"}, "from"),
    ({"to": "9999-12-31T00:00:00Z"}, "to"),
    ({"to": "2026-11-24T00:00:00Z"}, "to"),
    ({"to": "2026-11-23T00:00:00Z"}, "to"),
    ({"step": 59}, "step"),
    ({"step": 0}, "step"),
    ({"step": -3600}, "step"),
    ({"step": "NaN"}, "step"),
    ({"step": 10**30}, "step"),
    ({"from": "1970-01-01T00:00:00Z"}, "step"),
]


def test_a_window_that_cannot_be_shown_is_refused_by_name(small_kitchen: Kitchen) -> None:
    window = {"from": "2026-11-24T00:00:00Z", "to": "2026-11-24T06:00:00Z", "step": 3600}
    for change, field in BAD_WINDOWS:
        answer = small_kitchen.keeper.get("/places/FZ1/temperatures", params=window | change)
        assert answer.status_code == 422, (change, answer.text)
        assert [e["field"] for e in answer.json()["errors"]] == [field], change
    missing = small_kitchen.keeper.get("/places/FZ1/temperatures")
    assert {e["field"] for e in missing.json()["errors"]} == {"from", "to"}
    unknown = small_kitchen.keeper.get("/places/NONE/temperatures", params=window)
    assert unknown.status_code == 404
    assert unknown.json()["type"] == "/problems/unknown-place"


def test_a_place_without_a_probe_shows_no_points_and_does_not_fail(small_kitchen: Kitchen) -> None:
    window = {"from": "2026-11-24T00:00:00Z", "to": "2026-11-24T06:00:00Z"}
    shown = small_kitchen.keeper.shown("/places/KITCHEN/temperatures", params=window)
    assert shown["probe"] is None and shown["points"] == []


def test_of_two_air_probes_the_warmer_stands_for_the_place(small_kitchen: Kitchen) -> None:
    """The safe side: the warmer of two readings is the one that counts."""
    small_kitchen.manager.made("/probes", {"code": "FZ1-DOOR", "place": "FZ1", "kind": "air"})
    small_kitchen.manager.made("/probes", {"code": "FZ1-CORE", "place": "FZ1", "kind": "core"})
    for minute in range(0, 60, 10):
        sent(
            small_kitchen,
            [
                at_minute(minute, -22),
                at_minute(minute, -19, probe="FZ1-DOOR"),
                at_minute(minute, -10, probe="FZ1-CORE"),
            ],
        )
    assert series(small_kitchen)["probe"] == "FZ1-DOOR"


def test_sixteen_bytes_hold_a_reading(small_kitchen: Kitchen) -> None:
    """The table holds a probe, a second and hundredths of a degree, and nothing else."""
    with small_kitchen.looking() as session:
        columns = [row[1] for row in session.execute(text("PRAGMA table_info(reading)"))]
    assert columns == ["probe_id", "at_s", "centi_c"]


def test_steps_longer_than_an_hour_are_whole_hours(small_kitchen: Kitchen) -> None:
    answer = small_kitchen.keeper.get(
        "/places/FZ1/temperatures",
        params={"from": "2026-11-01T00:00:00Z", "to": "2026-11-20T00:00:00Z", "step": 5000},
    )
    assert answer.status_code == 422
    assert answer.json()["errors"][0]["field"] == "step"
