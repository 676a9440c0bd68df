"""A day's plan and pull list in a full store, with years of requests behind it and without.

Lots, parcels and old requests are written past the rules; animals, diets and the requests
of the day as people make them. The pull list is asked of the application without a network.
"""

import asyncio
import json
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass
from datetime import date, datetime, timedelta
from pathlib import Path
from statistics import median

import httpx
from sqlalchemy import select as columns
from sqlmodel import Session, SQLModel, col, insert, select

from service.animals.actions import setting_up as animals
from service.animals.schemas import AnimalIn
from service.app import create_app
from service.bench import databases
from service.bench.figures import Figure
from service.bench.place import BenchPlace, fill, opened
from service.clock import system_clock
from service.database import Database
from service.diets.actions.setting import set_diet
from service.diets.schemas import DietIn
from service.lots.models import Lot
from service.security.actor import SERVICE
from service.security.transactions import transaction
from service.settings import Settings
from service.site import actions as site
from service.site.models import Place
from service.site.schemas import PlaceIn
from service.thawing.actions.planning import plan
from service.thawing.models import ThawRequest
from service.thawing.schemas import ThawRequestIn

OLD_REQUESTS = 30 * 365 * 5
SPECIES = ("HER", "CAP", "MAC", "SPR")
TARGET_MS, TARGET_RATIO = 50, 1.2
ROUNDS = 9
_PARCEL, _RESERVATION = (SQLModel.metadata.tables[name] for name in ("parcel", "reservation"))
_BASE = 1_000_000  # numbers of made requests begin here


@dataclass(frozen=True)
class Size:
    """How much is there."""

    animals: int = 300
    lots: int = 1_000
    parcels: int = 20_000
    requests: int = 30


FULL = Size()


@dataclass(frozen=True)
class Taken:
    """Milliseconds of a plan for all animals, and of the pull list; its lines."""

    plan_ms: float
    list_ms: float
    lines: int


def measure(kind: str, *, old_requests: int = OLD_REQUESTS, size: Size = FULL) -> Iterator[Figure]:
    """On one kind of database, made for it and gone afterwards."""
    with tempfile.TemporaryDirectory(prefix="fishhouse-pulls-bench-") as name:
        folder = Path(name)
        at = system_clock()
        with databases.empty(kind, folder) as address:
            place = fill(address, at=at)
            with opened(address) as database:
                stock(database, at, size)
                _requests(database, at, size)
                young = _taken(database, place, folder, at)
                _history(database, at, old_requests, size)
                old = _taken(database, place, folder, at)
    for what, before, after in (
        ("pull list of a day", young.list_ms, old.list_ms),
        ("plan of a day for all animals", young.plan_ms, old.plan_ms),
    ):
        yield Figure(
            name=what,
            database=kind,
            value=round(after, 1),
            unit="ms",
            target=TARGET_MS,
            less_is_better=True,
            detail={**asdict(size), "lines": old.lines, "old_requests": old_requests},
        )
        yield Figure(
            name=f"{what}, with five years of requests against none",
            database=kind,
            value=round(after / before, 2),
            unit="×",
            target=TARGET_RATIO,
            less_is_better=True,
        )


def stock(database: Database, at: datetime, size: Size = FULL) -> None:
    """Lots in many parcels each, of four species; animals with a diet of each."""
    with transaction(database.writer) as session:
        tank = {"code": "TANK1", "name": "Tank", "kind": "thaw_tank"}
        site.add_place(session, PlaceIn.model_validate(tank), at=at, by=SERVICE)
        one = session.exec(select(Lot).order_by(col(Lot.id)).limit(1)).one()
        freezer = session.exec(select(Place.id).where(col(Place.code) == "FZ1")).one()
        like = one.model_dump(exclude={"id", "code", "species_code"})
        lots = [
            like | {"code": f"BENCH{n}", "species_code": SPECIES[n % len(SPECIES)]}
            for n in range(size.lots)
        ]
        session.execute(insert(Lot), lots)
        ids = session.exec(select(Lot.id).where(col(Lot.code).startswith("BENCH"))).all()
        session.execute(
            insert(_PARCEL),
            [
                {
                    "lot_id": lot,
                    "place_id": freezer,
                    "opened_at": at - timedelta(days=1),
                    "grams": 20_000,
                    "cartons": 2,
                }
                for lot in ids
                for _ in range(size.parcels // size.lots)
            ],
        )
        _animals(session, at, size)


def _animals(session: Session, at: datetime, size: Size) -> None:
    diet = DietIn.model_validate(
        {
            "from": at.date() - timedelta(days=30),
            "items": [{"species": code, "mass": "1.3 kg"} for code in SPECIES],
            "feeds_per_day": 3,
        }
    )
    for number in range(size.animals):
        new = {"code": f"A{number}", "name": "Animal", "taxon": "Phoca", "group": "pinniped"}
        animals.add_animal(session, AnimalIn.model_validate(new), at=at, by=SERVICE)
        set_diet(session, f"A{number}", diet, at=at, by=SERVICE)


def _fed(at: datetime) -> date:
    return at.date() + timedelta(days=2)


def _requests(database: Database, at: datetime, size: Size = FULL) -> None:
    """The animals' day, and what else is wanted on it."""
    start = datetime.combine(_fed(at), datetime.min.time(), at.tzinfo)
    more = {
        "thaw_place": "TANK1",
        "first_feed_at": (start + timedelta(hours=8)).isoformat(),
        "last_feed_at": (start + timedelta(hours=14)).isoformat(),
        "lines": [{"species": code, "mass": "17 kg"} for code in SPECIES],
    }
    orders = [{"day": str(_fed(at)), "thaw_place": "TANK1"}, *([more] * (size.requests - 1))]
    for order in orders:
        with transaction(database.writer) as session:
            plan(session, ThawRequestIn.model_validate(order), at=at, by=SERVICE)


def _history(database: Database, at: datetime, requests: int, size: Size) -> None:
    """Years of requests whose fish was pulled, on parcels that are there now (the worst case),
    and as many parcels that are used up."""
    with transaction(database.writer) as session:
        newest = session.exec(select(ThawRequest).order_by(col(ThawRequest.id)).limit(1)).one()
        like = newest.model_dump(exclude={"id"})
        parcels = (
            session.execute(columns(_PARCEL.c.id).where(_PARCEL.c.cartons == 2)).scalars().all()
        )
        days = [at - timedelta(days=2 + n // size.requests) for n in range(requests)]
        session.execute(
            insert(ThawRequest),
            [
                like
                | {
                    "id": _BASE + n,
                    "day": day.date(),
                    "first_feed_at": day,
                    "last_feed_at": day,
                    "recorded_at": day,
                    "plan": {},
                    "wanted": [],
                }
                for n, day in enumerate(days)
            ],
        )
        session.execute(
            insert(_RESERVATION),
            [
                {
                    "parcel_id": parcels[n % len(parcels)],
                    "thaw_request_id": _BASE + n,
                    "grams": 0,
                    "until": day,
                    "released_at": day,
                }
                for n, day in enumerate(days)
            ],
        )
        lot, place = session.execute(columns(_PARCEL.c.lot_id, _PARCEL.c.place_id).limit(1)).one()
        empty = {"lot_id": lot, "place_id": place, "opened_at": days[-1], "grams": 0}
        session.execute(insert(_PARCEL), [empty] * requests)
    with database.writer.connect() as connection:
        connection.exec_driver_sql("ANALYZE")
        connection.commit()


def _taken(database: Database, place: BenchPlace, folder: Path, at: datetime) -> Taken:
    planned = _milliseconds(lambda: _plan_and_forget(database, at))
    times, lines = _listed(place, folder, at)
    return Taken(planned, median(times), lines)


def _plan_and_forget(database: Database, at: datetime) -> None:
    """Another plan for all animals, rolled back."""
    order = {"day": str(_fed(at) + timedelta(days=1)), "thaw_place": "TANK1"}
    with Session(database.writer) as session:
        plan(session, ThawRequestIn.model_validate(order), at=at, by=SERVICE)
        session.rollback()


def _milliseconds(work: Callable[[], None]) -> float:
    taken = []
    for _ in range(ROUNDS):
        started = time.perf_counter()
        work()
        taken.append((time.perf_counter() - started) * 1000)
    return median(taken)


def _listed(place: BenchPlace, folder: Path, at: datetime) -> tuple[list[float], int]:
    app = create_app(Settings(database_url=place.address, data_dir=folder, run_watch=False))
    path = f"/v1/pull-list?day={_fed(at)}"
    headers = {"Authorization": f"Bearer {place.token}"}

    async def ask() -> tuple[list[float], httpx.Response]:
        transport = httpx.ASGITransport(app)
        async with httpx.AsyncClient(transport=transport, base_url="http://bench") as client:
            taken = []
            for _ in range(ROUNDS):
                started = time.perf_counter()
                answer = await client.get(path, headers=headers)
                taken.append((time.perf_counter() - started) * 1000)
        answer.raise_for_status()
        return taken, answer

    try:
        taken, answer = asyncio.run(ask())
    finally:
        app.state.database.close()
    lines = json.loads(answer.content)["items"]
    assert len({line["thaw_request"] for line in lines}) > 1
    return taken, len(lines)
