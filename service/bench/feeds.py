"""A round of 300 feeds in one request, and what one animal ate in five years.

The round is the whole answer to `POST /v1/feed-rounds`, asked of the application without a
network: each animal gets fish of two thaw batches. The sums of five years are written by the
database itself, past the rules; what is measured is `GET /v1/animals/{animal}/intake`.
"""

import asyncio
import tempfile
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from statistics import median
from typing import Any

import httpx
from fastapi import FastAPI
from sqlalchemy import text

from service.app import create_app
from service.bench import databases
from service.bench.figures import Figure
from service.bench.place import BenchPlace, fill, opened
from service.bench.recall import hurry
from service.clock import system_clock
from service.settings import Settings

ANIMALS, BATCHES = 300, 8
YEARS, DAYS_A_LOT, LOTS_AT_ONCE = 5, 7, 2
ROUND_MS, INTAKE_MS = 150, 30
ROUNDS = 9
ROUNDS_BEFORE = 2
BASE = 100_000  # numbers of made animals and lots begin after these


def measure(kind: str) -> Iterator[Figure]:
    """The round and the intake record on one kind of database, made for it and gone afterwards."""
    with tempfile.TemporaryDirectory(prefix="fishhouse-feeds-bench-") as name:
        folder = Path(name)
        with databases.empty(kind, folder) as address:
            now = system_clock()
            place = fill(address, at=now)
            days = YEARS * 365
            _make(address, days, now)
            settings = Settings(database_url=address, data_dir=folder, run_watch=False)
            app = create_app(settings)
            try:
                yield asyncio.run(_round(app, place, kind))
                yield asyncio.run(_intake(app, place, kind, days, now))
            finally:
                app.state.database.close()


def _make(address: str, days: int, now: datetime) -> None:
    """300 animals, and for each day of five years what each ate of two lots."""
    began = (now.astimezone(UTC) - timedelta(days=days)).date()
    lots = days // DAYS_A_LOT * LOTS_AT_ONCE + LOTS_AT_ONCE
    with opened(address) as database, database.writer.connect() as connection:
        hurry(connection)
        sqlite = connection.dialect.name == "sqlite"
        day = f"date('{began}', '+' || d || ' days')" if sqlite else f"DATE '{began}' + d::int"
        with connection.begin():
            for statement in (
                "INSERT INTO animal (id, site_id, code, name, taxon, group_name, sex) "
                f"WITH {_counted('i', ANIMALS)} SELECT {BASE} + i, (SELECT min(id) FROM site), "
                "'B' || i, 'Bench', 'Phoca vitulina', 'pinniped', 'unknown' FROM i",
                "INSERT INTO lot (id, site_id, code, product_id, species_code, part, form, "
                "delivery_id, received_as, received_on, arrived_at, grams) "
                f"WITH {_counted('i', lots)} SELECT {BASE} + i, l.site_id, 'B' || i, "
                "l.product_id, l.species_code, l.part, l.form, l.delivery_id, l.received_as, "
                "l.received_on, l.arrived_at, l.grams FROM i, lot l "
                "WHERE l.id = (SELECT min(id) FROM lot)",
                "INSERT INTO animal_intake (animal_id, day, lot_id, feeds, offered_g, eaten_g, "
                f"left_g, cold_g, lost_g, estimated_g) WITH {_counted('a', ANIMALS)}, "
                f"{_counted('d', days)}, {_counted('n', LOTS_AT_ONCE)} "
                f"SELECT {BASE} + a, {day}, {BASE} + d / {DAYS_A_LOT} * {LOTS_AT_ONCE} + n, "
                "2, 3000, 2900, 100, 0, 0, 0 FROM a, d, n",
            ):
                connection.execute(text(_recursive(statement)))
        if not sqlite:
            connection.exec_driver_sql("ANALYZE")
            connection.commit()


def _counted(name: str, number: int) -> str:
    """A table of one column of its own name: 0, 1, … below a number."""
    return (
        f"{name}({name}) AS (SELECT 0 UNION ALL SELECT {name} + 1 FROM {name} "
        f"WHERE {name} + 1 < {number})"
    )


def _recursive(statement: str) -> str:
    return statement.replace(" WITH ", " WITH RECURSIVE ", 1)


async def _round(app: FastAPI, place: BenchPlace, kind: str) -> Figure:
    async with _asking(app, place) as client:
        await _made(client, "/places", code="COOL", name="Cool", kind="refrigerator")
        batches = []
        for _ in range(BATCHES):
            pulled = await _made(
                client,
                "/pulls",
                lot=place.lot,
                from_place="FZ1",
                to_place="COOL",
                mass="100 kg",
                already_done=True,
            )
            batches.append(pulled["thaw_batch"]["code"])
        feeds = [
            {
                "animal": f"B{number}",
                "items": [
                    {
                        "thaw_batch": batches[(number + half) % BATCHES],
                        "offered": "10 g",
                        "eaten": "9 g",
                    }
                    for half in (0, BATCHES // 2)
                ],
            }
            for number in range(ANIMALS)
        ]
        times = []
        for number in range(ROUNDS_BEFORE + ROUNDS):
            if number == ROUNDS_BEFORE and kind != "sqlite":
                _analyze(app)
            started = time.perf_counter()
            answer = await _made(client, "/feed-rounds", feeds=feeds)
            times.append((time.perf_counter() - started) * 1000)
            if len(answer["feeds"]) != ANIMALS:
                raise RuntimeError("the round was not stored")
    return Figure(
        name="a round of 300 feeds in one request",
        database=kind,
        value=round(median(times[ROUNDS_BEFORE:]), 1),
        unit="ms",
        target=ROUND_MS,
        less_is_better=True,
        detail={
            "feeds": ANIMALS,
            "items": ANIMALS * 2,
            "slowest_ms": round(max(times[ROUNDS_BEFORE:]), 1),
        },
    )


def _analyze(app: FastAPI) -> None:
    """As the database does by itself within a minute: until it knows how many rows there are,
    it goes through a table for each key that it checks."""
    with app.state.database.writer.connect() as connection:
        connection.exec_driver_sql("ANALYZE")
        connection.commit()


async def _intake(app: FastAPI, place: BenchPlace, kind: str, days: int, now: datetime) -> Figure:
    last = now.astimezone(UTC).date()
    asked = f"/v1/animals/B7/intake?from={last - timedelta(days=days)}&to={last}&by="
    found = {}
    async with _asking(app, place) as client:
        for grain in ("month", "week"):
            times = []
            for _ in range(ROUNDS):
                started = time.perf_counter()
                answer = await client.get(asked + grain)
                times.append((time.perf_counter() - started) * 1000)
                answer.raise_for_status()
            found[grain] = median(times)
        if answer.json()["total"]["g"] < days * LOTS_AT_ONCE * 2900:
            raise RuntimeError("the record does not hold what was eaten")
    return Figure(
        name="what one animal ate in five years, by month",
        database=kind,
        value=round(found["month"], 1),
        unit="ms",
        target=INTAKE_MS,
        less_is_better=True,
        detail={"animals": ANIMALS, "days": days, "by_week_ms": round(found["week"], 1)},
    )


def _asking(app: FastAPI, place: BenchPlace) -> httpx.AsyncClient:
    return httpx.AsyncClient(
        transport=httpx.ASGITransport(app),
        base_url="http://bench",
        headers={"Authorization": f"Bearer {place.token}"},
    )


async def _made(client: httpx.AsyncClient, path: str, **body: object) -> Any:
    answer = await client.post(f"/v1{path}", json=body)
    answer.raise_for_status()
    return answer.json()
