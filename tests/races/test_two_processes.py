"""The system of several machines without containers: PostgreSQL, two API processes, a worker.

The main job goes from one process to the other at every step, as behind a proxy that
sends each request somewhere else. `docker-compose.yml` starts the same processes.
"""

import os
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from itertools import cycle
from pathlib import Path
from typing import Any

import httpx
import pytest

from tests.conftest import Templates, fresh_address
from tests.processes import served, stop

WORKER_WITHIN_S = 60.0


class House:
    """Two processes asked in turn by whoever holds a token."""

    def __init__(self, urls: Sequence[str], address: str, folder: Path) -> None:
        self._urls = cycle(urls)
        self.environment = {
            **os.environ,
            "FISHHOUSE_DATABASE_URL": address,
            "FISHHOUSE_DATA_DIR": str(folder),
            "FISHHOUSE_WATCH_SECONDS": "1",
        }
        self.tokens: dict[str, str] = {}

    def command(self, *words: str) -> subprocess.CompletedProcess[str]:
        """A command of `fishhouse`, as whoever runs the service types it."""
        return subprocess.run(
            [sys.executable, "-m", "service.cli", *words],
            env=self.environment,
            check=False,
            capture_output=True,
            text=True,
        )

    def ask(self, role: str, method: str, path: str, **rest: Any) -> httpx.Response:
        """Ask the process whose turn it is."""
        if role not in self.tokens:
            said = self.command("user", "add", role, "--role", role, "--token")
            assert said.returncode == 0, said.stderr
            self.tokens[role] = said.stdout.split()[-1]
        headers = {"Authorization": f"Bearer {self.tokens[role]}", **rest.pop("headers", {})}
        url = f"{next(self._urls)}/v1{path}"
        return httpx.request(method, url, headers=headers, timeout=60, **rest)

    def made(self, role: str, path: str, body: Any, **rest: Any) -> Any:
        """A POST that must succeed; its answer."""
        answer = self.ask(role, "POST", path, json=body, **rest)
        assert answer.status_code in (200, 201), answer.text
        return answer.json()

    def shown(self, path: str) -> Any:
        """A GET that must succeed; its answer."""
        answer = self.ask("keeper", "GET", path)
        assert answer.status_code == 200, answer.text
        return answer.json()

    @contextmanager
    def worker(self, folder: Path) -> Iterator[None]:
        """`fishhouse worker`, looking every second."""
        with (folder / "worker.log").open("wb") as log:
            process = subprocess.Popen(
                [sys.executable, "-m", "service.cli", "worker"],
                env=self.environment,
                stdout=log,
                stderr=log,
            )
            try:
                yield
                assert process.poll() is None, "the worker has ended by itself"
            finally:
                stop(process)


@pytest.fixture
def house(templates: Templates, tmp_path: Path) -> Iterator[House]:
    """Two API processes on a PostgreSQL database in which a kitchen is set up."""
    made = templates.set_up["postgresql"].template
    for address in fresh_address("postgresql", templates, tmp_path, made):
        with served(address, tmp_path, ports=2) as urls:
            yield House(urls, address, tmp_path)


def a_lot(house: House, now: datetime, days_since_catch: int) -> str:
    caught = (now - timedelta(days=days_since_catch)).date().isoformat()
    line = {
        "product": "HER-BLOCK-10",
        "caught_from": caught,
        "mass": "100 kg",
        "place": "FZ1",
        "core_temperatures": ["-20 °C", "-20 °C", "-21 °C"],
    }
    answer = house.made("commissary", "/deliveries", {"supplier": "NORD", "lots": [line]})
    return str(answer["lots"][0]["code"])


def test_the_main_job_goes_on_at_the_other_process_at_every_step(house: House) -> None:
    now = datetime.now(UTC)
    older, newer = a_lot(house, now, 60), a_lot(house, now, 30)
    plan = house.made(
        "keeper",
        "/thaw-requests",
        {
            "first_feed_at": (now + timedelta(hours=20)).isoformat(),
            "last_feed_at": (now + timedelta(hours=22)).isoformat(),
            "thaw_place": "TANK1",
            "lines": [{"species": "HER", "mass": "25 kg"}],
        },
    )
    assert [(p["lot"], p["mass"]["g"]) for p in plan["pulls"]] == [(older, 30_000)]
    assert [s["available"]["g"] for s in house.shown("/stock?species=HER")["items"]] == [
        70_000,
        100_000,
    ]
    pull = {"from_place": "FZ1", "mass": "25 kg", "to_place": "TANK1"}
    refused = house.ask("keeper", "POST", "/pulls", json=pull | {"lot": newer})
    assert refused.json()["type"] == "/problems/older-lot-first"
    pulled = house.made("keeper", "/pulls", pull | {"lot": older, "thaw_request": plan["id"]})
    batch = pulled["thaw_batch"]["code"]
    house.made("keeper", f"/thaw-batches/{batch}/thawed", {})
    feed = {
        "animal": "BRINE",
        "items": [{"thaw_batch": batch, "offered": "2 kg", "eaten": "1.8 kg", "left": "0.2 kg"}],
    }
    key = {"Idempotency-Key": "tablet-1-0001"}
    fed = house.made("keeper", "/feeds", feed, headers=key)
    again = house.made("keeper", "/feeds", feed, headers=key)
    assert again == fed, "the retry reached the other process and was not stored twice"
    assert house.shown("/animals/BRINE/intake")["total"]["g"] == 1_800
    left = [s["mass"]["g"] for s in house.shown("/stock?species=HER")["items"]]
    assert sorted(left) == [28_000, 70_000, 100_000], "200 kg less the 2 kg that were offered"
    assert house.command("audit", "verify").returncode == 0


def test_a_tablet_signed_for_at_one_process_is_given_at_the_other_only_once(house: House) -> None:
    now = datetime.now(UTC)
    diet = {"from": now.date().isoformat(), "items": [{"species": "HER", "mass": "5 kg"}]}
    house.made("nutritionist", "/animals/BRINE/diets", diet)
    thiamine = {"nutrient": "THIA", "amount": 100, "unit": "mg"}
    house.made(
        "nutritionist",
        "/supplement-products",
        {"code": "B1-100", "name": "Thiamine", "form": "tablet", "contents": [thiamine]},
    )
    order = {"animal": "BRINE", "day": now.date().isoformat()}
    plan = house.made("nutritionist", "/supplement-plans", order)
    assert plan["supplements"][0]["count"] == 2, "5 kg × 25 mg = 125 mg: two of 100 mg"
    given = f"/supplement-plans/{plan['id']}/given"
    two = {"day": now.date().isoformat(), "supplements": [{"product": "B1-100", "count": 2}]}
    unsigned = house.ask("keeper", "POST", given, json=two)
    assert unsigned.json()["type"] == "/problems/not-signed"
    house.made("nutritionist", f"/supplement-plans/{plan['id']}/sign-off", {})
    house.made("keeper", given, two)
    for _ in range(2):  # whichever process is asked
        assert house.ask("keeper", "POST", given, json=two).json()["type"].endswith("already-given")


def test_the_worker_notices_a_silent_thermometer_that_both_processes_then_show(
    house: House, tmp_path: Path
) -> None:
    at = datetime.now(UTC) - timedelta(hours=6)
    house.made(
        "commissary",
        "/readings",
        [
            {
                "probe": "FZ1-AIR",
                "at": (at + timedelta(minutes=10 * n)).isoformat(),
                "temperature_c": -22.0,
            }
            for n in range(6)
        ],
    )
    assert house.shown("/excursions")["items"] == []
    with house.worker(tmp_path):
        until = time.monotonic() + WORKER_WITHIN_S
        while not house.shown("/excursions")["items"] and time.monotonic() < until:
            time.sleep(0.5)
    for _ in range(2):
        found = house.shown("/excursions")["items"]
        assert [(e["probe"], e["kind"]) for e in found] == [("FZ1-AIR", "silent")]
