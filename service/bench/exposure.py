"""Life left of twenty thousand parcels over years of hours; quality with years and with a month.

Hours and parcels are written past the rules. Readings are not made: the ends of stays are
worked out from them once and then kept, so what is measured warm does not need them.
"""

import tempfile
import time
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path
from statistics import median
from typing import Any

import numpy as np
from sqlalchemy import Connection, text
from sqlmodel import Session, SQLModel, col, select

from service.bench import databases
from service.bench.figures import Figure
from service.bench.place import fill, opened
from service.clock import system_clock
from service.database import Database
from service.lots.models import Lot
from service.quality.queries.life_left import life_left
from service.quality.queries.place_series import KEPT
from service.quality.queries.quality import quality_of
from service.science.exposure import DAY_S, HOUR_S, HourRollups, hour_rollups
from service.site import queries as sites
from service.site.models import Site
from service.temperatures.actions.rolling import write_hours
from service.temperatures.rules import rate_tables

YEARS, PLACES, LOTS, PARCELS = 5, 12, 1_000, 20_000
YEAR_D = 365
TARGET_MS, TARGET_RATIO = 200, 1.2
ROUNDS = 9
_BASE = 100_000  # numbers of made rows begin after this


def measure(
    kind: str, *, years: int = YEARS, places: int = PLACES, parcels: int = PARCELS
) -> Iterator[Figure]:
    """On one kind of database, made for it and gone afterwards."""
    found = run(kind, years=years, places=places, parcels=parcels)
    yield Figure(
        name=f"life left of {parcels} parcels over {years} years",
        database=kind,
        value=found["warm_ms"],
        unit="ms",
        target=TARGET_MS,
        less_is_better=True,
        detail={
            name: found[name] for name in ("warm_cpu_ms", "cold_ms", "minute_later_ms", "kept_mb")
        },
    )
    yield Figure(
        name=f"quality of a lot, {years} years against a month",
        database=kind,
        value=found["quality_ratio"],
        unit="×",
        target=TARGET_RATIO,
        less_is_better=True,
        detail={name: found[name] for name in ("quality_ms", "quality_cold_ratio")},
    )


def run(
    kind: str, *, years: int = YEARS, places: int = PLACES, parcels: int = PARCELS
) -> dict[str, Any]:
    """The figures by name, times in milliseconds, medians."""
    at = system_clock().replace(minute=30, second=0, microsecond=0)
    with (
        tempfile.TemporaryDirectory(prefix="fishhouse-exposure-bench-") as name,
        databases.empty(kind, Path(name)) as address,
    ):
        fill(address, at=at - timedelta(days=20))
        with opened(address) as database:
            made = _make(database, at, years=years, places=places, parcels=parcels)
            return _measured(database, made, at)


@dataclass(frozen=True)
class _Made:
    """Where lots that came last month lie: where there are years of hours, and a month."""

    with_years: str
    with_month: str
    probe_ids: list[int]


def _make(database: Database, at: datetime, *, years: int, places: int, parcels: int) -> _Made:
    with database.writer.connect() as connection, connection.begin():
        site = connection.execute(text("SELECT id FROM site")).scalar_one()
        ids = [_BASE + i for i in range(places + 1)]
        for i in ids:
            _insert(
                connection, "place", id=i, site_id=site, code=f"B{i}", name="made", kind="freezer"
            )
            _insert(
                connection,
                "probe",
                id=i,
                place_id=i,
                code=f"B{i}",
                kind="air",
                created_at=at,
                version=1,
                watched_until_s=0,
                raw_kept_from_s=0,
            )
            _insert(
                connection,
                "probe_stay",
                id=i,
                probe_id=i,
                place_id=i,
                from_s=0,
                reason="",
                recorded_at=at,
                by="bench",
            )
        year = _year_of_hours(at)
        for i in ids[:-1]:
            for back in range(years):
                _write(connection, year, i, back * YEAR_D)
        month = year.hour_s >= at.timestamp() - 30 * DAY_S
        _write(connection, _only(year, month), ids[-1], 0)
        with_years, with_month = _fish(connection, at, ids, years, parcels)
    return _Made(with_years, with_month, ids)


def _insert(connection: Connection, table: str, **row: Any) -> None:
    connection.execute(SQLModel.metadata.tables[table].insert(), row)


def _year_of_hours(at: datetime) -> HourRollups:
    """Five-minute readings of a freezer with four defrosts a day, rolled up."""
    end = int(at.timestamp())
    at_s = np.arange(end - YEAR_D * int(DAY_S), end + 1, 300, dtype=np.int64)
    phase = (at_s % (6 * HOUR_S)) / 60.0
    noise = np.random.default_rng(3).normal(0.0, 0.3, at_s.size)
    celsius = -22.0 + noise + np.where(phase < 20, 8.0 * np.sin(phase / 20 * np.pi), 0.0)
    return hour_rollups(
        np.zeros(at_s.size, dtype=np.int64), at_s, celsius, gap_s=HOUR_S, rates=rate_tables()
    )


def _only(hours: HourRollups, keep: np.typing.NDArray[np.bool_]) -> HourRollups:
    return HourRollups(**{name: rows[keep] for name, rows in vars(hours).items()})


def _write(connection: Connection, hours: HourRollups, probe_id: int, days_back: int) -> None:
    earlier = days_back * int(DAY_S)
    moved = replace(
        hours,
        series=np.full_like(hours.hour_s, probe_id),
        hour_s=hours.hour_s - earlier,
        first_at_s=hours.first_at_s - earlier,
        last_at_s=hours.last_at_s - earlier,
    )
    write_hours(connection, moved, np.arange(hours.hour_s.size), {probe_id: 1})


def _fish(
    connection: Connection, at: datetime, places: list[int], years: int, parcels: int
) -> tuple[str, str]:
    """Lots over the years, their fish moved once; and two lots of last month alike."""
    table = SQLModel.metadata.tables
    like = dict(connection.execute(table["lot"].select().limit(1)).mappings().one())
    random = np.random.default_rng(5)
    lots, rows = [], []
    span = (years * YEAR_D - 40) * DAY_S
    for i in range(LOTS):
        arrived = at - timedelta(seconds=span * (1 - i / LOTS) + 35 * DAY_S)
        lots.append(like | {"id": _BASE + i, "code": f"BENCH-{i}", "arrived_at": arrived})
    number = _BASE
    for i in range(parcels):
        lot = lots[i % LOTS]
        first, second = random.choice(places[:-1], 2, replace=False)
        moved = lot["arrived_at"] + timedelta(seconds=float(random.integers(3600, 30 * 86400)))
        own = {"lot_id": lot["id"], "thaw_batch_id": None, "cartons": None}
        rows.append(
            own
            | {
                "id": number,
                "parent_id": None,
                "place_id": int(first),
                "grams": 0,
                "opened_at": lot["arrived_at"],
            }
        )
        rows.append(
            own
            | {
                "id": number + 1,
                "parent_id": number,
                "place_id": int(second),
                "grams": 10_000,
                "opened_at": moved,
            }
        )
        number += 2
    last = {"arrived_at": at - timedelta(days=25)}
    pair = [("BENCH-YEARS", places[0]), ("BENCH-MONTH", places[-1])]
    for i, (code, place) in enumerate(pair):
        lots.append(like | last | {"id": _BASE + LOTS + i, "code": code})
        rows.append(
            {
                "id": number + i,
                "lot_id": _BASE + LOTS + i,
                "parent_id": None,
                "place_id": place,
                "thaw_batch_id": None,
                "cartons": None,
                "grams": 10_000,
                "opened_at": last["arrived_at"],
            }
        )
    connection.execute(table["lot"].insert(), lots)
    connection.execute(table["parcel"].insert(), rows)
    return pair[0][0], pair[1][0]


def _measured(database: Database, made: _Made, at: datetime) -> dict[str, Any]:
    KEPT.forget()
    cold = _taken(lambda: _all_stock(database, at), 1)
    warm = _taken(lambda: _all_stock(database, at), ROUNDS)
    began = time.process_time()
    for _ in range(ROUNDS):
        _all_stock(database, at)
    warm_cpu = (time.process_time() - began) / ROUNDS * 1e3
    later = []
    for minute in range(1, 4):
        _newer(database, made.probe_ids)
        now = at + timedelta(minutes=minute)
        later.append(_taken(lambda now=now: _all_stock(database, now), 1))  # type: ignore[misc]
    kept_mb = KEPT.nbytes / 2**20
    years, month = made.with_years, made.with_month
    quality = {code: [] for code in (years, month)}  # type: dict[str, list[float]]
    anew = {code: [] for code in (years, month)}  # type: dict[str, list[float]]
    for code in (years, month) * ROUNDS:
        quality[code].append(_taken(lambda code=code: _quality(database, code, at), 3))  # type: ignore[misc]
    for code in (years, month) * ROUNDS:
        KEPT.forget()
        anew[code].append(_taken(lambda code=code: _quality(database, code, at), 1))  # type: ignore[misc]
    return {
        "warm_ms": round(warm, 1),
        "warm_cpu_ms": round(warm_cpu, 1),
        "cold_ms": round(cold),
        "minute_later_ms": round(median(later)),
        "kept_mb": round(kept_mb, 1),
        "quality_ms": round(median(quality[years]), 1),
        "quality_ratio": round(median(quality[years]) / median(quality[month]), 2),
        "quality_cold_ratio": round(median(anew[years]) / median(anew[month]), 2),
    }


def _taken(work: Callable[[], object], rounds: int) -> float:
    taken = []
    for _ in range(rounds):
        started = time.perf_counter()
        work()
        taken.append((time.perf_counter() - started) * 1e3)
    return median(taken)


def _all_stock(database: Database, now: datetime) -> None:
    with Session(database.snapshot) as session:
        views: Mapping[int, Any] = {
            site.id or 0: sites.view_of(session, site, at=now)
            for site in session.exec(select(Site))
        }
        found = life_left(session, views=views, now=now)
        if found.order.size < PLACES or not (found.used > 0).all():
            raise RuntimeError("the stock that was made is not all there")


def _newer(database: Database, probe_ids: list[int]) -> None:
    """As if each probe had read once more: its last hour is newer."""
    with database.writer.connect() as connection, connection.begin():
        for i in probe_ids:
            connection.execute(
                text("UPDATE probe SET version = version + 1 WHERE id = :i"), {"i": i}
            )
            connection.execute(
                text(
                    "UPDATE probe_hour SET version = (SELECT version FROM probe WHERE id = :i) "
                    "WHERE probe_id = :i AND hour_s = "
                    "(SELECT max(hour_s) FROM probe_hour WHERE probe_id = :i)"
                ),
                {"i": i},
            )


def _quality(database: Database, code: str, at: datetime) -> None:
    with Session(database.snapshot) as session:
        lot = session.exec(select(Lot).where(col(Lot.code) == code)).one()
        quality_of(session, lot, at=at)
