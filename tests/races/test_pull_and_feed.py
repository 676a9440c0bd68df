"""Fifty clients of two processes pull and feed one species at once, on both databases.

FISHHOUSE_RACE_SECONDS: for how long (5 by default; the figure of the issue is 60).
"""

import os
import random
import threading
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import httpx
import pytest
from sqlmodel import Session, col, select

from service.database import open_database
from service.ledger import queries
from service.ledger.models import Movement, Parcel, Reservation, Transfer
from service.ledger.rules import Account, MovementKind
from service.lots.models import Lot
from tests.conftest import DATABASES, Templates, fresh_address
from tests.processes import served
from tests.races.test_two_processes import House

SECONDS = float(os.environ.get("FISHHOUSE_RACE_SECONDS", "5"))
CLIENTS = 50
ENOUGH = 15  # pulls and feeds that must have been done for the race to mean anything
LOT_G = 40_000
REFUSALS = {
    "not-enough-stock",
    "older-lot-first",
    "already-cancelled",
    # nothing was stored, and it may be sent again: SQLite lets one process write at a time
    "busy",
}


@dataclass
class Kitchens:
    """Two processes on one database, and a keeper's token."""

    urls: Sequence[str]
    address: str
    token: str
    house: House


@pytest.fixture(params=DATABASES)
def kitchens(
    request: pytest.FixtureRequest, templates: Templates, tmp_path: Path
) -> Iterator[Kitchens]:
    made = templates.set_up[request.param].template
    for address in fresh_address(request.param, templates, tmp_path, made):
        with served(address, tmp_path, ports=2) as urls:
            house = House(urls, address, tmp_path)
            house.shown("/places")  # makes the keeper
            yield Kitchens(urls, address, house.tokens["keeper"], house)


def received(house: House, now: datetime) -> list[str]:
    """Four lots of capelin, oldest first."""
    lines = [
        {
            "product": "CAP-IQF-12",
            "caught_from": (now - timedelta(days=days)).date().isoformat(),
            "mass": f"{LOT_G} g",
            "place": "FZ1",
            "core_temperatures": ["-20 °C", "-20 °C", "-21 °C"],
        }
        for days in (80, 60, 40, 20)
    ]
    answer = house.made("commissary", "/deliveries", {"supplier": "NORD", "lots": lines})
    return [lot["code"] for lot in answer["lots"]]


@dataclass
class Race:
    """What all clients share: the lots, the batches that were pulled, and what was answered."""

    kitchens: Kitchens
    lots: Sequence[str]
    now: datetime
    until: float
    at_most: float
    batches: list[str] = field(default_factory=list)
    requests: list[int] = field(default_factory=list)
    said: Counter[str] = field(default_factory=Counter)
    wrong: list[str] = field(default_factory=list)

    def client(self, number: int, *, plans: bool) -> None:
        """One client, until the time is over."""
        choice = random.Random(number)
        headers = {"Authorization": f"Bearer {self.kitchens.token}"}
        url = f"{self.kitchens.urls[number % 2]}/v1"
        steps = [self.pull, self.feed, self.feed] + ([self.plan, self.cancel] if plans else [])
        try:
            with httpx.Client(base_url=url, headers=headers, timeout=60) as client:
                while self.goes_on():
                    choice.choice(steps)(client, choice)
        except Exception as error:  # a thread that dies silently would pass
            self.wrong.append(repr(error))

    def goes_on(self) -> bool:
        """Until the time is over and enough has been done, on a busy machine too."""
        at = time.monotonic()
        enough = min(self.said["pulls"], self.said["feeds"]) >= ENOUGH
        return at < self.until or (not enough and at < self.at_most)

    def ask(self, client: httpx.Client, path: str, body: Any) -> Any:
        answer = client.post(path, json=body)
        said = answer.json()
        if answer.status_code in (200, 201):
            self.said[path.split("/")[1]] += 1
            return said
        kind = said["type"].removeprefix("/problems/")
        self.said[kind] += 1
        if kind not in REFUSALS:
            self.wrong.append(answer.text)
        return None

    def pull(self, client: httpx.Client, choice: random.Random) -> None:
        body: dict[str, Any] = {
            "lot": choice.choice(self.lots),
            "from_place": "FZ1",
            "to_place": "TANK1",
            "mass": f"{choice.randint(200, 3000)} g",
        }
        if self.requests and choice.random() < 0.5:
            body["thaw_request"] = choice.choice(self.requests)
        pulled = self.ask(client, "/pulls", body)
        if pulled:
            self.batches.append(pulled["thaw_batch"]["code"])

    def feed(self, client: httpx.Client, choice: random.Random) -> None:
        if not self.batches:
            return
        mass = f"{choice.randint(100, 1500)} g"
        items = [{"thaw_batch": choice.choice(self.batches), "offered": mass, "eaten": mass}]
        self.ask(client, "/feeds", {"animal": "BRINE", "items": items})

    def plan(self, client: httpx.Client, choice: random.Random) -> None:
        body = {
            "first_feed_at": (self.now + timedelta(hours=20)).isoformat(),
            "last_feed_at": (self.now + timedelta(hours=22)).isoformat(),
            "thaw_place": "TANK1",
            "lines": [{"species": "CAP", "mass": f"{choice.randint(200, 1500)} g"}],
        }
        planned = self.ask(client, "/thaw-requests", body)
        if planned:
            self.requests.append(planned["id"])

    def cancel(self, client: httpx.Client, choice: random.Random) -> None:
        if self.requests:
            self.ask(client, f"/thaw-requests/{choice.choice(self.requests)}/cancel", {})


def run(kitchens: Kitchens, *, plans: bool) -> Race:
    """All clients at once for a while."""
    now = datetime.now(UTC)
    lots, at = received(kitchens.house, now), time.monotonic()
    race = Race(kitchens, lots, now, at + SECONDS, at + SECONDS + 60)
    threads = [
        threading.Thread(target=race.client, args=(number,), kwargs={"plans": plans})
        for number in range(CLIENTS)
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert not race.wrong, race.wrong[:3]
    assert min(race.said["pulls"], race.said["feeds"]) >= ENOUGH, race.said
    return race


def check_grams(session: Session) -> None:
    """Nothing appeared, nothing vanished, nothing is below zero or fed twice."""
    parcels = session.exec(select(Parcel)).all()
    assert all(parcel.grams >= 0 for parcel in parcels)
    totals = queries.account_totals(session)
    assert queries.parcel_total(session) + sum(totals.values()) == 0
    flows: dict[int | None, int] = {parcel.id: 0 for parcel in parcels}
    for transfer in session.exec(select(Transfer)):
        for end, sign in ((transfer.from_parcel_id, -1), (transfer.to_parcel_id, 1)):
            if end is not None:
                flows[end] += sign * transfer.grams
    assert flows == {parcel.id: parcel.grams for parcel in parcels}
    assert totals[Account.COUNT_DIFFERENCE] == 0, "nothing was taken that the books did not hold"


def test_no_gram_is_oversold_and_what_is_given_up_is_reserved_no_longer(
    kitchens: Kitchens,
) -> None:
    race = run(kitchens, plans=True)
    database = open_database(kitchens.address)
    try:
        with Session(database.snapshot) as session:
            check_grams(session)
            kept: Counter[int] = Counter()
            for each in session.exec(select(Reservation).where(col(Reservation.grams) > 0)):
                if each.released_at is None:
                    kept[each.parcel_id] += each.grams
            there = {p.id: p.grams for p in session.exec(select(Parcel))}
            assert all(grams <= there[parcel] for parcel, grams in kept.items())
    finally:
        database.close()
    for request in set(race.requests):
        kitchens.house.ask("keeper", "POST", f"/thaw-requests/{request}/cancel", json={})
    stock = kitchens.house.shown("/stock?species=CAP&limit=500")["items"]
    frozen = [row for row in stock if row["thaw_batch"] is None]
    assert all(row["available"] == row["mass"] for row in frozen)


def test_no_pull_was_from_a_later_lot_while_an_earlier_one_had_fish(kitchens: Kitchens) -> None:
    race = run(kitchens, plans=False)
    database = open_database(kitchens.address)
    try:
        with Session(database.snapshot) as session:
            check_grams(session)
            codes = {lot.id: lot.code for lot in session.exec(select(Lot))}
            left = dict.fromkeys(race.lots, LOT_G)
            pulls = (
                select(Transfer)
                .join(Movement)
                .where(col(Movement.kind) == MovementKind.PULLED)
                .order_by(col(Movement.id))
            )
            for transfer in session.exec(pulls):
                code = codes[transfer.lot_id]
                older = race.lots[: race.lots.index(code)]
                assert all(left[each] == 0 for each in older), (code, left)
                left[code] -= transfer.grams
    finally:
        database.close()
