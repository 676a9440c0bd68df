"""A fish kitchen to test in: an application on a fresh database, people, and words for things.

Invented throughout; figures that come from the outside stand in the tests that check them.
"""

import asyncio
from collections.abc import Coroutine, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import httpx
from fastapi import FastAPI
from sqlmodel import Session

from service.app import create_app
from service.ledger import queries
from service.migrations import migrate
from service.security import users
from service.security.rules import Role
from service.security.transactions import transaction
from service.settings import Settings

START = datetime(2026, 11, 25, 6, 0, tzinfo=UTC)
BLOCK = {"length_mm": 500, "width_mm": 250, "thickness_mm": 100}
FISH = {"length_mm": 150, "width_mm": 30, "thickness_mm": 20, "per_kg": 40}


@dataclass
class SetClock:
    """A clock that stands until it is told to go on."""

    at: datetime = START

    def __call__(self) -> datetime:
        return self.at

    def forward(self, **by: float) -> datetime:
        self.at += timedelta(**by)
        return self.at


def answered(asking: Coroutine[Any, Any, httpx.Response]) -> httpx.Response:
    """Ask and wait; in a thread of its own where this one runs a loop already (a browser's)."""
    try:
        asyncio.get_running_loop()
    except RuntimeError:
        return asyncio.run(asking)
    with ThreadPoolExecutor(1) as thread:
        return thread.submit(asyncio.run, asking).result()


@dataclass
class Person:
    """Somebody with a token, asking over HTTP without a network."""

    app: FastAPI
    token: str | None

    def ask(self, method: str, path: str, **rest: Any) -> httpx.Response:
        headers = dict(rest.pop("headers", {}))
        if self.token is not None:
            headers.setdefault("Authorization", f"Bearer {self.token}")
        address = (
            path
            if path.startswith(("/healthz", "/readyz", "/problems", "/openapi"))
            else (f"/v1{path}")
        )

        async def answer() -> httpx.Response:
            transport = httpx.ASGITransport(self.app, raise_app_exceptions=False)
            async with httpx.AsyncClient(transport=transport, base_url="http://kitchen") as client:
                return await client.request(method, address, headers=headers, **rest)

        return answered(answer())

    def get(self, path: str, **rest: Any) -> httpx.Response:
        return self.ask("GET", path, **rest)

    def post(self, path: str, body: Any = None, **rest: Any) -> httpx.Response:
        if body is not None:
            rest["json"] = body
        return self.ask("POST", path, **rest)

    def put(self, path: str, body: Any, **rest: Any) -> httpx.Response:
        return self.ask("PUT", path, json=body, **rest)

    def made(self, path: str, body: Any, **rest: Any) -> Any:
        """POST that must succeed; its answer."""
        answer = self.post(path, body, **rest)
        assert answer.status_code in (200, 201), answer.text
        return answer.json()

    def shown(self, path: str, **rest: Any) -> Any:
        """GET that must succeed; its answer."""
        answer = self.get(path, **rest)
        assert answer.status_code == 200, answer.text
        return answer.json()


@dataclass
class Kitchen:
    """An application on a migrated database, and everybody who works there."""

    address: str
    folder: Path
    clock: SetClock = field(default_factory=SetClock)
    settings: dict[str, Any] = field(default_factory=dict)
    tokens: dict[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.app = create_app(
            Settings(
                database_url=self.address,
                data_dir=self.folder,
                **{"run_watch": False} | self.settings,
            ),
            clock=self.clock,
        )

    def close(self) -> None:
        self.app.state.database.close()

    def person(self, role: str, site_ids: tuple[int, ...] = ()) -> Person:
        """Somebody of a role; the same one each time."""
        key = f"{role}{site_ids or ''}"
        if key not in self.tokens:
            with self.writing() as session:
                user = users.add_user(session, key, Role(role), at=self.clock(), site_ids=site_ids)
                self.tokens[key] = users.issue_token(session, user, at=self.clock())
        return Person(self.app, self.tokens[key])

    def writing(self) -> Any:
        return transaction(self.app.state.database.writer)

    def looking(self) -> Session:
        return Session(self.app.state.database.snapshot)

    @property
    def manager(self) -> Person:
        return self.person("manager")

    @property
    def commissary(self) -> Person:
        return self.person("commissary")

    @property
    def keeper(self) -> Person:
        return self.person("keeper")

    @property
    def nutritionist(self) -> Person:
        return self.person("nutritionist")

    @property
    def vet(self) -> Person:
        return self.person("vet")

    @property
    def stranger(self) -> Person:
        return Person(self.app, None)

    def set_up(self) -> "Kitchen":
        """Two freezers, a refrigerator, a thaw tank; a supplier; herring and capelin; an animal."""
        boss = self.manager
        for code, kind in (
            ("FZ1", "freezer"),
            ("FZ2", "freezer"),
            ("COOL", "refrigerator"),
            ("ROOM", "thaw_room"),
            ("TANK1", "thaw_tank"),
            ("KITCHEN", "kitchen"),
        ):
            boss.made("/places", {"code": code, "name": code.title(), "kind": kind})
        for code in ("FZ1-AIR", "FZ2-AIR", "ROOM-AIR", "COOL-AIR"):
            boss.made("/probes", {"code": code, "place": code.split("-")[0], "kind": "air"})
        boss.made("/suppliers", {"code": "NORD", "name": "Northern Fish"})
        boss.made(
            "/products",
            {
                "code": "HER-BLOCK-10",
                "species": "HER",
                "supplier": "NORD",
                "form": "block",
                "carton_mass": "10 kg",
                "block": BLOCK,
            },
        )
        boss.made(
            "/products",
            {
                "code": "CAP-IQF-12",
                "species": "CAP",
                "supplier": "NORD",
                "form": "iqf",
                "carton_mass": "12 kg",
                "fish": FISH,
            },
        )
        boss.made(
            "/animals",
            {
                "code": "BRINE",
                "name": "Brine",
                "taxon": "Zalophus californianus",
                "group": "pinniped",
                "sex": "female",
                "born_on": "2015-06-12",
            },
        )
        return self

    def a_lot(
        self,
        species: str = "HER",
        caught: str | None = "2026-08-01",
        mass: str = "100 kg",
        place: str = "FZ1",
        arrived: str = "2026-11-02T09:40:00Z",
        **more: Any,
    ) -> Any:
        """A lot that has just been received; as the delivery's answer shows it."""
        product = {"HER": "HER-BLOCK-10", "CAP": "CAP-IQF-12"}[species]
        line = {
            "product": product,
            "caught_from": caught,
            "mass": mass,
            "place": place,
            "core_temperatures": ["-20.1 °C", "-19.4 °C", "-21 °C"],
            **more,
        }
        answer = self.commissary.made(
            "/deliveries", {"supplier": "NORD", "arrived_at": arrived, "lots": [line]}
        )
        return answer["lots"][0]

    def pulled(self, lot: str, mass: str, to: str = "TANK1", **more: Any) -> Any:
        """A thaw batch that has just been pulled."""
        body = {"lot": lot, "from_place": "FZ1", "mass": mass, "to_place": to, **more}
        return self.keeper.made("/pulls", body)["thaw_batch"]

    def temperatures(
        self, probe: str, start: datetime, values: list[float], every_s: int = 3600
    ) -> Any:
        """Readings at even steps."""
        rows = [
            {
                "probe": probe,
                "at": (start + timedelta(seconds=i * every_s)).isoformat(),
                "temperature_c": value,
            }
            for i, value in enumerate(values)
        ]
        return self.commissary.made("/readings", rows)

    def balance(self) -> dict[str, int]:
        """Grams in parcels, and in each account."""

        with self.looking() as session:
            return {
                "parcels": queries.parcel_total(session),
                **{str(a): g for a, g in queries.account_totals(session).items()},
            }


def open_kitchen(address: str, folder: Path) -> Iterator[Kitchen]:
    """A kitchen on a fresh, migrated database."""
    migrate(address, at=START)
    kitchen = Kitchen(address, folder)
    yield kitchen
    kitchen.close()


def day(text: str) -> date:
    return date.fromisoformat(text)
