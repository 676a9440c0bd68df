"""`fishhouse bench ingest`: readings in, decoded and over HTTP, beside feeds, and for long; and
the life left of a whole store by them."""

import json
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime, timedelta
from http.client import HTTPConnection
from itertools import chain
from pathlib import Path
from statistics import median
from typing import Any

from service.bench import databases, exposure, processes, storing
from service.bench.broker import measure_broker
from service.bench.figures import Figure
from service.bench.place import PROBES, BenchPlace, fill, opened
from service.bench.run import machine
from service.clock import system_clock
from service.probes.actions.setting_up import add_probe
from service.probes.schemas import ProbeIn
from service.security.actor import SERVICE
from service.security.transactions import transaction

READINGS = 1_000_000
"""Poured in to see what memory does; really 10 000 000."""
HTTP_TARGETS = {"sqlite": 0.4, "postgresql": 0.3}
ROUNDS = 7
FEEDS, FEED_PAUSE_S = 200, 0.03
BESIDE_FEEDS = 1000  # readings in each body while feeds are recorded
FEED_P95_MS, GROWTH_MB = 50.0, 30.0


def run_ingest_bench(as_json: bool, readings: int | None) -> int:
    """Measure and print. Returns 0 whether or not the targets are met."""
    figures = []
    for kind in databases.kinds():
        for figure in chain(measure(kind, readings or READINGS), exposure.measure(kind)):
            figures.append(figure)
            if not as_json:
                print(figure.sentence(), flush=True)
    if as_json:
        document = {"machine": machine(), "figures": [f.model_dump() for f in figures]}
        print(json.dumps(document, indent=2, ensure_ascii=False))
    return 0


def measure(kind: str, readings: int = READINGS) -> Iterator[Figure]:
    """Every figure on one kind of database, made for it and gone afterwards."""
    with tempfile.TemporaryDirectory(prefix="fishhouse-pg-bench-") as name:
        folder = Path(name)
        with databases.empty(kind, folder) as address:
            at = system_clock()
            place = fill(address, at=at)
            yield from storing.measure(address, kind, at)
            raw_s = _raw_s(address, at)
            with processes.service(address, folder) as server:
                pour = Pour(server.port, place.token, at - timedelta(days=30))
                yield _over_http(kind, pour, raw_s)
                yield _feeds(kind, place, pour)
                yield _memory(kind, server, pour, readings)
            yield from _by_broker(address, folder, kind)


@dataclass
class Pour:
    """One connection over which readings go in, each batch older than the one before.

    Batches of equal length follow one another backwards in time, so that no two meet.
    """

    port: int
    token: str
    until: datetime

    def body(self, readings: int) -> bytes:
        """The next batch as JSON, of all probes, a minute apart."""
        minutes = readings // PROBES
        self.until -= timedelta(minutes=minutes)
        rows = [
            {
                "probe": f"AIR-{probe}",
                "at": (self.until + timedelta(minutes=n)).isoformat(),
                "temperature_c": -22.0 + (n * 37 % 100) / 50,
            }
            for probe in range(PROBES)
            for n in range(minutes)
        ]
        return json.dumps(rows).encode()

    @contextmanager
    def connected(self) -> Iterator[Callable[[str, bytes], Any]]:
        """How to send something over one connection that stays open."""
        connection = HTTPConnection("127.0.0.1", self.port, timeout=60)
        headers = {"Authorization": f"Bearer {self.token}", "Content-Type": "application/json"}

        def send(path: str, body: bytes) -> Any:
            connection.request("POST", f"/v1{path}", body, headers)
            answer = connection.getresponse()
            said = answer.read()
            if answer.status not in (200, 201):
                raise RuntimeError(f"{path} answered {answer.status}: {said[:500]!r}")
            return json.loads(said)

        try:
            yield send
        finally:
            connection.close()


def _raw_s(address: str, at: datetime) -> float:
    """How long the rows alone take, while nobody else has the database open."""
    with opened(address) as database:
        raw = storing.RawSide(database, at - timedelta(days=365))
        return median([raw.seconds() for _ in range(ROUNDS + 1)][1:])


def _over_http(kind: str, pour: Pour, raw_s: float) -> Figure:
    """Ten thousand readings in one body, against storing the rows alone."""
    ours = []
    with pour.connected() as send:
        for _ in range(ROUNDS + 1):  # the first round only warms up
            body = pour.body(storing.ROWS)
            started = time.perf_counter()
            answer = send("/readings", body)
            ours.append(time.perf_counter() - started)
            if answer["stored"] != storing.ROWS:
                raise RuntimeError(f"{answer} instead of {storing.ROWS} stored")
    mine_s = median(ours[1:])
    return Figure(
        name=f"{storing.ROWS} readings over HTTP, from JSON to stored",
        database=kind,
        value=round(raw_s / mine_s, 3),
        unit=storing.UNITS[kind],
        target=HTTP_TARGETS[kind],
        detail={
            "readings_per_s": round(storing.ROWS / mine_s),
            "raw_per_s": round(storing.ROWS / raw_s),
        },
    )


def _feeds(kind: str, place: BenchPlace, pour: Pour) -> Figure:
    """How long a feed takes while one sender pours in batches without a pause."""
    stop, sent = threading.Event(), [0]

    def pouring() -> None:
        with pour.connected() as send:
            while not stop.is_set():
                send("/readings", pour.body(BESIDE_FEEDS))
                sent[0] += BESIDE_FEEDS

    with pour.connected() as send:
        thaw_batch = _thawed(send, place)
        feed = json.dumps(
            {
                "animal": "BENCH",
                "items": [{"thaw_batch": thaw_batch, "offered": "10 g", "eaten": "10 g"}],
                "appetite": "normal",
            }
        ).encode()
        send("/feeds", feed)
        alone = [_timed(send, feed) for _ in range(FEEDS // 4)]
        thread = threading.Thread(target=pouring, daemon=True)
        thread.start()
        started = time.perf_counter()
        beside = [_timed(send, feed) for _ in range(FEEDS)]
        took = time.perf_counter() - started
        stop.set()
        thread.join(60)
    return Figure(
        name="a feed recorded while readings pour in, p95",
        database=kind,
        value=round(_p95(beside) * 1000, 1),
        unit="ms",
        target=FEED_P95_MS,
        less_is_better=True,
        detail={
            "median_ms": round(median(beside) * 1000, 1),
            "alone_p95_ms": round(_p95(alone) * 1000, 1),
            "readings_in_a_body": BESIDE_FEEDS,
            "readings_per_s": round(sent[0] / took),
        },
    )


def _thawed(send: Callable[[str, bytes], Any], place: BenchPlace) -> str:
    """An animal, and fish for it."""

    def made(path: str, **fields: object) -> Any:
        return send(path, json.dumps(fields).encode())

    made("/places", code="COOL", name="Cool room", kind="refrigerator")
    made("/animals", code="BENCH", name="Bench", taxon="Phoca vitulina", group="pinniped")
    pulled = made("/pulls", lot=place.lot, from_place="FZ1", mass="100 kg", to_place="COOL")
    code: str = pulled["thaw_batch"]["code"]
    made(f"/thaw-batches/{code}/thawed")
    return code


def _timed(send: Callable[[str, bytes], Any], feed: bytes) -> float:
    time.sleep(FEED_PAUSE_S)
    started = time.perf_counter()
    send("/feeds", feed)
    return time.perf_counter() - started


def _p95(seconds: list[float]) -> float:
    return sorted(seconds)[int(len(seconds) * 0.95)]


def _memory(kind: str, server: processes.Server, pour: Pour, readings: int) -> Figure:
    """How much the service grows from a tenth of the readings to the last."""
    weights = []
    batches = max(10, readings // storing.ROWS)
    spent = 0.0
    with pour.connected() as send:
        for _ in range(batches):
            body = pour.body(storing.ROWS)
            started = time.perf_counter()
            send("/readings", body)
            spent += time.perf_counter() - started
            weights.append(server.resident_mb())
    settled = batches // 10
    return Figure(
        name=f"memory grown over {batches * storing.ROWS} readings over HTTP",
        database=kind,
        value=round(max(weights[settled:]) - weights[settled], 1),
        unit="MB",
        target=GROWTH_MB,
        less_is_better=True,
        detail={
            "after_a_tenth_mb": round(weights[settled]),
            "most_mb": round(max(weights)),
            "readings_per_s": round(batches * storing.ROWS / spent),
        },
    )


def _by_broker(address: str, folder: Path, kind: str) -> Iterator[Figure]:
    """Single messages of a broker, where one is installed."""
    with opened(address) as database, transaction(database.writer) as session:
        probe = ProbeIn(code="BROKER", place="FZ1")
        add_probe(session, probe, at=system_clock(), by=SERVICE)
    measured = measure_broker(address, folder, probe.code)
    if measured:
        yield Figure(
            name="single messages of a broker, stored",
            database=kind,
            value=measured["ratio"],
            unit="× handed to a bare client",
            target=1.0,
            detail=measured,
        )
