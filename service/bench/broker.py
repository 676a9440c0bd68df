"""Readings by a broker: how fast they are stored against how fast the broker hands them over."""

import json
import shutil
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import timedelta
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from sqlalchemy import text

from service.bench.processes import free_port
from service.clock import system_clock
from service.database import Database, open_database
from service.mqtt.actions.listening import Listener
from service.security import users
from service.security.rules import Role
from service.security.transactions import transaction
from service.settings import Settings

MESSAGES = 10_000
READY_WITHIN_S = 60.0
TOPIC = "bench/{probe}"


def measure_broker(address: str, folder: Path, probe: str) -> dict[str, Any]:
    """Single messages a second, handed over by mosquitto to a bare client and stored by us.

    Both take the same messages out of a queue that the broker kept for them. address: of a
    migrated database with this probe. Empty where mosquitto is not installed. Takes about
    ten seconds.
    """
    program = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin")
    if program is None:
        return {}
    database = open_database(address)
    try:
        with _broker(program, folder) as port:
            for client_id in ("bare", "fishhouse"):
                _Bare(port, client_id).subscribe().close()
            _publish(port, probe)
            bare_s = _bare_s(port)
            stored_s = _stored_s(database, address, port, folder)
    finally:
        database.close()
    return {
        "messages": MESSAGES,
        "handed_over_per_s": round(MESSAGES / bare_s),
        "stored_per_s": round(MESSAGES / stored_s),
        "ratio": round(bare_s / stored_s, 2),
    }


@contextmanager
def _broker(program: str, folder: Path) -> Iterator[int]:
    port = free_port()
    file = folder / "broker.conf"
    file.write_text(f"listener {port} localhost\nallow_anonymous true\nmax_queued_messages 0\n")
    with (folder / "broker.log").open("wb") as log:
        process = subprocess.Popen([program, "-c", str(file)], stdout=log, stderr=log)
    try:
        yield port
    finally:
        process.terminate()
        process.wait(READY_WITHIN_S)


class _Bare:
    """A client that counts messages and acknowledges each at once."""

    def __init__(self, port: int, client_id: str) -> None:
        self.count = 0
        five = MQTTProtocolVersion.MQTTv5
        self._client = paho.Client(CallbackAPIVersion.VERSION2, client_id, protocol=five)
        self._client.on_message = self._on_message
        self._subscribed = threading.Event()
        self._client.on_subscribe = lambda *_: self._subscribed.set()
        kept = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        kept.SessionExpiryInterval = 3600
        kept.ReceiveMaximum = 2000
        until = time.monotonic() + READY_WITHIN_S
        while True:
            try:
                self._client.connect("localhost", port, clean_start=False, properties=kept)
                break
            except OSError:
                if time.monotonic() > until:
                    raise
                time.sleep(0.05)
        self._client.loop_start()

    def _on_message(self, *_: object) -> None:
        self.count += 1

    def subscribe(self) -> "_Bare":
        self._client.subscribe("bench/+", qos=1)
        self._subscribed.wait(READY_WITHIN_S)
        return self

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


def _publish(port: int, probe: str) -> None:
    start = system_clock() - timedelta(seconds=MESSAGES)  # a reading a second, up to now
    client = paho.Client(CallbackAPIVersion.VERSION2, "sender")
    client.max_inflight_messages_set(1000)
    client.connect("localhost", port)
    client.loop_start()
    sent = []
    for number in range(MESSAGES):
        at = (start + timedelta(seconds=number)).isoformat()
        payload = json.dumps({"at": at, "t": -20 - number % 300 / 100})
        sent.append(client.publish(TOPIC.format(probe=probe), payload, qos=1))
    for each in sent:
        each.wait_for_publish(READY_WITHIN_S)
    client.disconnect()
    client.loop_stop()


def _bare_s(port: int) -> float:
    began = time.perf_counter()
    bare = _Bare(port, "bare")
    _wait(lambda: bare.count >= MESSAGES)
    took = time.perf_counter() - began
    bare.close()
    return took


def _stored_s(database: Database, address: str, port: int, folder: Path) -> float:
    with transaction(database.writer) as session:
        users.add_user(session, "bench broker", Role.DEVICE, at=system_clock())
    mapping = folder / "mapping.json"
    entry = {"topic": TOPIC, "temperature": "t", "time": "at"}
    mapping.write_text(json.dumps({"entries": [entry]}))
    settings = Settings(
        database_url=address,
        data_dir=folder,
        mqtt_broker=f"mqtt://localhost:{port}",
        mqtt_mapping=mapping,
        mqtt_user_name="bench broker",
    )
    before = _readings(database)
    listener = Listener(database, system_clock, settings)
    thread = threading.Thread(target=listener.run)
    began = time.perf_counter()
    thread.start()
    try:
        _wait(lambda: _readings(database) >= before + MESSAGES)
        return time.perf_counter() - began
    finally:
        listener.ask_to_stop()
        thread.join(READY_WITHIN_S)


def _readings(database: Database) -> int:
    with database.reader.connect() as connection:
        return int(connection.execute(text("SELECT count(*) FROM reading")).scalar_one())


def _wait(done: Callable[[], bool]) -> None:
    until = time.monotonic() + READY_WITHIN_S
    while not done():
        if time.monotonic() > until:
            raise RuntimeError("the broker's messages did not all come in time")
        time.sleep(0.02)
