"""Five years of readings against one month: charts, storing, list, quality, plan, room on disk.

The history is one probe's year of readings a minute apart with its hours, copied by the
database itself to other years and probes, so that a hundred million rows take minutes.
Every figure is asked of the application without a network.
"""

import asyncio
import json
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from statistics import median
from typing import Any

import httpx
import numpy as np
from fastapi import FastAPI
from sqlalchemy import Connection, text

from service.app import create_app
from service.bench import databases
from service.bench.figures import Figure
from service.bench.place import BenchPlace, fill, opened
from service.bench.recall import hurry
from service.bench.run import machine
from service.clock import system_clock
from service.database import Database
from service.probes.actions.setting_up import add_probe
from service.probes.schemas import ProbeIn
from service.security.actor import SERVICE
from service.security.transactions import transaction
from service.settings import Settings
from service.site import actions as site
from service.site.schemas import PlaceIn
from service.temperatures.actions import storing
from service.temperatures.actions.decoding import Decoded, Row
from service.temperatures.actions.partitions import ensure_partitions
from service.temperatures.actions.rolling import Series, roll_up, write_hours

YEARS, YEAR_DAYS, MONTH_DAYS = 5, 365, 30
A_MINUTE_S, DAY_S = 60, 86_400
OF_ONE_PROBE = YEARS * YEAR_DAYS * DAY_S // A_MINUTE_S
READINGS = 5_256_000
"""Two probes; the real number, of fifty, is 131 400 000."""
IN_A_PLACE = 2  # probes
ARRIVED_DAYS = 25  # before now: within the month, so that both have the same fish
NEW, NEW_PROBES = 10_000, 10
FREE_DAYS = 8  # before now: where new readings are stored
ROUNDS = 9
TURNS = 25  # of what is asked of both; a busy machine disturbs the fastest of many least


@dataclass(frozen=True)
class History:
    """A filled database, and which time it covers."""

    place: BenchPlace
    from_s: int
    until_s: int
    readings: int
    made_s: float


def run_history_bench(as_json: bool, readings: int | None) -> int:
    """Measure and print. Returns 0 whether or not the targets are met."""
    figures = []
    for kind in databases.kinds():
        for figure in measure(kind, readings or READINGS):
            figures.append(figure)
            if not as_json:
                print(figure.sentence(), flush=True)
    if as_json:
        document = {"machine": machine(), "figures": [f.model_dump() for f in figures]}
        print(json.dumps(document, indent=2, ensure_ascii=False))
    return 0


def measure(kind: str, readings: int, days: int = YEARS * YEAR_DAYS) -> Iterator[Figure]:
    """Every figure on one kind of database: years beside a month, each made and then gone."""
    at = system_clock()
    probes = max(IN_A_PLACE, round(readings / (days * DAY_S // A_MINUTE_S)))
    with _made(kind, probes, days, at) as years, _made(kind, probes, MONTH_DAYS, at) as month:
        yield _size(years, kind)
        yield from _charts(years, kind)
        yield _storing(years, month, kind, at)
        yield from _reads(years, month, kind, at)


@dataclass(frozen=True)
class Opened:
    """A history with an application on it."""

    history: History
    database: Database
    app: FastAPI


@contextmanager
def _made(kind: str, probes: int, days: int, at: datetime) -> Iterator[Opened]:
    with tempfile.TemporaryDirectory(prefix="fishhouse-history-bench-") as name:
        folder = Path(name)
        with databases.empty(kind, folder) as address:
            history = make_history(address, probes, days, at=at)
            app = create_app(Settings(database_url=address, data_dir=folder, run_watch=False))
            try:
                yield Opened(history, app.state.database, app)
            finally:
                app.state.database.close()


def make_history(address: str, probes: int, days: int, *, at: datetime) -> History:
    """A place with fish and so many probes, each read every minute of so many days."""
    started = time.perf_counter()
    place = fill(address, at=at - timedelta(days=ARRIVED_DAYS))
    until_s = int(at.timestamp()) // DAY_S * DAY_S - FREE_DAYS * DAY_S
    from_s = until_s - days * DAY_S
    with opened(address) as database:
        with transaction(database.writer) as session:
            _add_places(session, probes, at)
            codes = [f"AIR-{n}" if n < IN_A_PLACE else f"H-{n}" for n in range(probes)]
            found = session.connection().execute(text("SELECT code, id FROM probe")).all()
        ids = {row[0]: row[1] for row in found}
        with database.writer.connect() as connection:
            hurry(connection)
            with connection.begin():
                _write(connection, [ids[code] for code in codes], from_s, until_s)
            if connection.dialect.name != "sqlite":
                connection.exec_driver_sql("ANALYZE")
                connection.commit()
    rows = probes * days * DAY_S // A_MINUTE_S
    return History(place, from_s, until_s, rows, time.perf_counter() - started)


def _add_places(session: Any, probes: int, at: datetime) -> None:
    """A tank to thaw in, and a freezer for every two further probes."""
    kinds = {"TANK1": "thaw_tank"}
    kinds |= {f"H{n // IN_A_PLACE}": "freezer" for n in range(IN_A_PLACE, probes)}
    for code, kind in kinds.items():
        new = PlaceIn.model_validate({"code": code, "name": code, "kind": kind})
        site.add_place(session, new, at=at, by=SERVICE)
    for n in range(IN_A_PLACE, probes):
        probe = ProbeIn(code=f"H-{n}", place=f"H{n // IN_A_PLACE}")
        add_probe(session, probe, at=at, by=SERVICE)


def _write(connection: Connection, probe_ids: list[int], from_s: int, until_s: int) -> None:
    """The first probe's first year from here, all else copied by the database, in key order."""
    ensure_partitions(connection, np.arange(from_s, until_s + DAY_S, DAY_S))
    first, length_s = probe_ids[0], min(until_s - from_s, YEAR_DAYS * DAY_S)
    _write_pattern(connection, first, from_s, from_s + length_s)
    for probe_id in probe_ids:
        for shift_s in range(0, until_s - from_s, length_s):
            if (probe_id, shift_s) != (first, 0):
                _copy(connection, first, probe_id, from_s, length_s, shift_s)


def _write_pattern(connection: Connection, probe_id: int, from_s: int, until_s: int) -> None:
    at_s = np.arange(from_s, until_s, A_MINUTE_S)
    day = np.sin(2 * np.pi * (at_s % DAY_S) / DAY_S)
    defrost = np.where(at_s % (8 * 3600) < 1200, 600, 0)
    centi_c = np.rint(-2200 + 60 * day + defrost + at_s * 7919 % 101 - 50).astype(np.int64)
    _insert(connection, probe_id, zip(at_s.tolist(), centi_c.tolist(), strict=True))
    for low in range(0, at_s.size, 40 * 1440):
        part = slice(low, low + 40 * 1440)
        series = Series(np.full_like(at_s[part], probe_id), at_s[part], centi_c[part])
        hours = roll_up(series, gap_s=3600)
        write_hours(connection, hours, np.arange(hours.hour_s.size), {probe_id: 1})


def _insert(connection: Connection, probe_id: int, rows: Iterator[tuple[int, int]]) -> None:
    if connection.dialect.name == "sqlite":
        statement = "INSERT INTO reading (probe_id, at_s, centi_c) VALUES (?, ?, ?)"
        connection.exec_driver_sql(statement, [(probe_id, *row) for row in rows])
        return
    cursor = connection.connection.cursor()
    with cursor.copy("COPY reading (probe_id, at_s, centi_c) FROM STDIN") as copy:
        for row in rows:
            copy.write_row((probe_id, *row))


_HOUR = (
    "readings, covered_s, mean_c, m2, min_c, max_c, {first}, first_c, {last}, last_c, above_s,"
    " integrals, kinetics, version"
)


def _copy(
    connection: Connection, source: int, target: int, from_s: int, length_s: int, shift_s: int
) -> None:
    given = {
        "source": source,
        "target": target,
        "low": from_s,
        "high": from_s + length_s,
        "shift": shift_s,
    }
    connection.execute(
        text(
            "INSERT INTO reading (probe_id, at_s, centi_c)"
            " SELECT CAST(:target AS INTEGER), at_s + :shift, centi_c FROM reading"
            " WHERE probe_id = :source AND at_s >= :low AND at_s < :high ORDER BY at_s"
        ),
        given,
    )
    plain = _HOUR.format(first="first_at_s", last="last_at_s")
    moved = _HOUR.format(first="first_at_s + :shift", last="last_at_s + :shift")
    connection.execute(
        text(
            f"INSERT INTO probe_hour (probe_id, hour_s, {plain})"
            f" SELECT CAST(:target AS INTEGER), hour_s + :shift, {moved} FROM probe_hour"
            " WHERE probe_id = :source AND hour_s >= :low AND hour_s < :high ORDER BY hour_s"
        ),
        given,
    )


def _size(years: Opened, kind: str) -> Figure:
    asked = (
        "SELECT page_count * page_size FROM pragma_page_count(), pragma_page_size()"
        if kind == "sqlite"
        else "SELECT pg_database_size(current_database())"
    )
    with years.database.reader.connect() as connection:
        size = int(connection.execute(text(asked)).scalar_one())
    return Figure(
        name="room on disk for a reading, its hours included",
        database=kind,
        value=round(size / years.history.readings, 1),
        unit="bytes",
        target=40 if kind == "sqlite" else 100,
        less_is_better=True,
        detail={
            "readings": years.history.readings,
            "GB": round(size / 1e9, 2),
            "made_s": round(years.history.made_s),
        },
    )


def _charts(years: Opened, kind: str) -> Iterator[Figure]:
    last = datetime.fromtimestamp(years.history.until_s, UTC)
    length = timedelta(seconds=years.history.until_s - years.history.from_s)
    year = min(length, timedelta(days=YEAR_DAYS))
    for name, first, asked, target_ms in (
        ("chart of a year of minute data", last - year, "points=600", 50),
        ("chart of all years, by the day", last - length, "step=P1D", 500),
    ):
        window = f"from={first:%Y-%m-%dT%H:%M:%SZ}&to={last:%Y-%m-%dT%H:%M:%SZ}"
        path = f"/v1/places/FZ1/temperatures?{window}&{asked}&format=columns"
        times, answer = _asked(years, "GET", path)
        points = len(answer.json()["columns"]["at"])
        if points < year.days:
            raise RuntimeError(f"{name}: {points} points")
        kb = round(len(answer.content) / 1000, 1)
        yield Figure(
            name=name,
            database=kind,
            value=round(median(times), 1),
            unit="ms",
            target=target_ms,
            less_is_better=True,
            detail={"points": points, "kB": kb, "first_ms": round(times[0], 1)},
        )
        yield Figure(
            name=f"{name}: size",
            database=kind,
            value=kb,
            unit="kB, not compressed",
            target=200,
            less_is_better=True,
        )


def _storing(years: Opened, month: Opened, kind: str, at: datetime) -> Figure:
    """New readings of ten probes, two of them with all that history, after it, in turns."""

    def store(into: Opened, number: int) -> float:
        each = NEW // NEW_PROBES
        start = datetime.fromtimestamp(years.history.until_s + each * number * A_MINUTE_S, UTC)
        rows = [
            Row(f"AIR-{probe}", start + timedelta(minutes=n), -21.5)
            for probe in range(NEW_PROBES)
            for n in range(each)
        ]
        decoded = Decoded(list(range(len(rows))), rows)
        started = time.perf_counter()
        with transaction(into.database.writer) as session:
            answer = storing.store(session, decoded, at=at, by=SERVICE)
        taken = time.perf_counter() - started
        if answer.stored != NEW:
            raise RuntimeError(f"{answer.stored} of {NEW} readings were stored")
        return taken

    return _compared(f"storing {NEW} new readings", kind, years, month, store, turns=ROUNDS)


def _reads(years: Opened, month: Opened, kind: str, at: datetime) -> Iterator[Figure]:
    def listed(of: Opened, _number: int) -> float:
        return _once(of, "GET", "/v1/lots?limit=50")

    def quality(of: Opened, _number: int) -> float:
        return _once(of, "GET", f"/v1/lots/{of.history.place.lot}/quality")

    def plan(of: Opened, _number: int) -> float:
        first, last = at + timedelta(hours=60), at + timedelta(hours=66)
        body = {
            "first_feed_at": first.isoformat(),
            "last_feed_at": last.isoformat(),
            "thaw_place": "TANK1",
            "lines": [{"species": "HER", "mass": "600 kg"}],
        }
        times, answer = _asked(of, "POST", "/v1/thaw-requests", body, rounds=1)
        _asked(of, "POST", f"/v1/thaw-requests/{answer.json()['id']}/cancel", {}, rounds=1)
        return times[0] / 1000

    for name, work in (("list of 50 lots", listed), ("quality of a lot", quality), ("plan", plan)):
        yield _compared(name, kind, years, month, work, turns=TURNS)


def _compared(
    name: str,
    kind: str,
    years: Opened,
    month: Opened,
    work: Callable[[Opened, int], float],
    *,
    turns: int,
) -> Figure:
    """In turns; the ratio of the fastest of each."""
    long: list[float] = []
    short: list[float] = []
    for number in range(turns):
        for of, found in ((years, long), (month, short))[:: 1 if number % 2 else -1]:
            found.append(work(of, number) * 1000)
    return Figure(
        name=f"{name}, against one month",
        database=kind,
        value=round(min(long[1:]) / min(short[1:]), 3),
        unit="× one month",
        target=1.2,
        less_is_better=True,
        detail={
            "years_ms": round(median(long[1:]), 1),
            "month_ms": round(median(short[1:]), 1),
            "fastest_ms": round(min(long[1:]), 1),
        },
    )


def _once(of: Opened, method: str, path: str) -> float:
    return _asked(of, method, path, rounds=1)[0][0] / 1000


def _asked(
    of: Opened, method: str, path: str, body: object = None, rounds: int = ROUNDS
) -> tuple[list[float], httpx.Response]:
    """Milliseconds of each round, and the last answer."""
    headers = {"Authorization": f"Bearer {of.history.place.token}"}

    async def ask() -> tuple[list[float], httpx.Response]:
        transport = httpx.ASGITransport(of.app)
        async with httpx.AsyncClient(transport=transport, base_url="http://bench") as client:
            taken = []
            for _ in range(rounds):
                started = time.perf_counter()
                answer = await client.request(method, path, headers=headers, json=body)
                taken.append((time.perf_counter() - started) * 1000)
                answer.raise_for_status()
        return taken, answer

    return asyncio.run(ask())
