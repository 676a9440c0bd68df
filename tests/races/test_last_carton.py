"""Twenty keepers, one carton, two processes: the race that a stock book must not lose."""

from collections import Counter
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta
from pathlib import Path
from threading import Barrier
from typing import Any

import httpx

from tests.kitchen import Kitchen
from tests.processes import served

KEEPERS = 20
PULL = {"from_place": "FZ1", "mass": "10 kg", "to_place": "TANK1"}


def all_at_once(
    urls: Sequence[str], token: str, path: str, bodies: Sequence[dict[str, Any]]
) -> list[httpx.Response]:
    """Everybody asks in the same instant, in turn at each process."""
    gate = Barrier(len(bodies))

    def ask(number: int) -> httpx.Response:
        url = urls[number % len(urls)]
        headers = {"Authorization": f"Bearer {token}"}
        with httpx.Client(base_url=url, headers=headers, timeout=60) as client:
            client.get("/healthz")  # the connection stands before the race begins
            gate.wait()
            return client.post(path, json=bodies[number])

    with ThreadPoolExecutor(len(bodies)) as keepers:
        return list(keepers.map(ask, range(len(bodies))))


def last_word(answer: httpx.Response) -> str:
    """What an answer was: its status, and the problem where there is one."""
    if answer.status_code < 400:
        return str(answer.status_code)
    return f"{answer.status_code} {answer.json()['type'].removeprefix('/problems/')}"


def fresh_lot(kitchen: Kitchen, species: str, mass: str) -> str:
    """A lot that arrived yesterday by the real clock, which the processes go by."""
    kitchen.clock.at = datetime.now(UTC)
    arrived = kitchen.clock.at - timedelta(days=1)
    caught = (arrived - timedelta(days=60)).date().isoformat()
    lot = kitchen.a_lot(species, mass=mass, caught=caught, arrived=arrived.isoformat())
    return str(lot["code"])


def token_of(kitchen: Kitchen) -> str:
    assert kitchen.keeper.token is not None
    return kitchen.keeper.token


def test_of_twenty_keepers_pulling_the_last_carton_one_gets_it_and_the_others_are_told(
    kitchen: Kitchen, tmp_path: Path
) -> None:
    lot = fresh_lot(kitchen, "HER", "10 kg")
    with served(kitchen.address, tmp_path, ports=2) as urls:
        answers = all_at_once(urls, token_of(kitchen), "/v1/pulls", [PULL | {"lot": lot}] * KEEPERS)
    assert Counter(map(last_word, answers)) == {"201": 1, "409 not-enough-stock": KEEPERS - 1}
    balance = kitchen.balance()
    assert (balance["parcels"], sum(balance.values())) == (10_000, 0)
    rows = kitchen.keeper.shown("/stock")["items"]
    assert [(r["place"], r["mass"]["g"]) for r in rows] == [("TANK1", 10_000)]


def test_keepers_who_name_the_same_parcel_never_take_more_than_it_holds(
    kitchen: Kitchen, tmp_path: Path
) -> None:
    lot = fresh_lot(kitchen, "CAP", "50 kg")
    parcel = kitchen.keeper.shown("/stock")["items"][0]["parcel"]
    body = PULL | {"lot": lot, "parcel": parcel}
    with served(kitchen.address, tmp_path, ports=2) as urls:
        answers = all_at_once(urls, token_of(kitchen), "/v1/pulls", [body] * KEEPERS)
    assert Counter(map(last_word, answers)) == {"201": 5, "409 not-enough-stock": KEEPERS - 5}
    rows = kitchen.keeper.shown("/stock")["items"]
    assert sum(r["mass"]["g"] for r in rows) == 50_000
    assert {r["place"] for r in rows} == {"TANK1"}


def test_feeds_of_two_species_named_in_opposite_order_never_block_each_other(
    kitchen: Kitchen, tmp_path: Path
) -> None:
    batches = [
        kitchen.pulled(fresh_lot(kitchen, species, "40 kg"), "40 kg")["code"]
        for species in ("HER", "CAP")
    ]
    bodies = [
        {
            "animal": "BRINE",
            "items": [
                {"thaw_batch": code, "offered": "1 kg", "eaten": "0.9 kg"}
                for code in (batches if number % 2 else batches[::-1])
            ],
        }
        for number in range(KEEPERS)
    ]
    with served(kitchen.address, tmp_path, ports=2) as urls:
        answers = all_at_once(urls, token_of(kitchen), "/v1/feeds", bodies)
    assert Counter(map(last_word, answers)) == {"201": KEEPERS}
    balance = kitchen.balance()
    assert (balance["eaten"], balance["left"]) == (36_000, 4_000)
    assert sum(balance.values()) == 0
