"""On the wire: when a message is acknowledged, byte by byte as MQTT 3.1.1 writes it.

The other end is a socket in this test, so that it can look at the database at the moment
when an acknowledgement arrives, and can forget one as a lost connection does.
"""

import json
import socket
import sqlite3
import struct
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime, timedelta

import pytest
from sqlmodel import Session, select

from service.clock import system_clock
from service.mqtt.actions.listening import Listener
from service.settings import Settings
from service.temperatures.models import Reading
from tests.kitchen import Kitchen

# Control packet types: OASIS MQTT 3.1.1, table 2.1.
CONNECT, CONNACK, PUBLISH, PUBACK, SUBSCRIBE, SUBACK, PING, PONG = 1, 2, 3, 4, 8, 9, 12, 13
KEEPS_SESSION = 0x02  # the flag "clean session" of CONNECT, which must not be set (3.1.2.4)


class Peer:
    """The broker's end of one connection."""

    def __init__(self, connection: socket.socket) -> None:
        self._connection = connection
        connection.settimeout(20)
        kind, body = self.packet()
        assert kind == CONNECT and not body[7] & KEEPS_SESSION
        connection.sendall(bytes([CONNACK << 4, 2, 1, 0]))
        kind, body = self.packet()
        assert kind == SUBSCRIBE
        assert body[-1] == 1, "quality of service 1 is asked for"
        connection.sendall(bytes([SUBACK << 4, 3]) + body[:2] + b"\1")

    def packet(self) -> tuple[int, bytes]:
        """The next packet but pings, which are answered."""
        while True:
            kind = self._exactly(1)[0] >> 4
            length, shift = 0, 0
            while True:
                byte = self._exactly(1)[0]
                length, shift = length | (byte & 0x7F) << shift, shift + 7
                if byte < 0x80:
                    break
            body = self._exactly(length)
            if kind != PING:
                return kind, body
            self._connection.sendall(bytes([PONG << 4, 0]))

    def _exactly(self, count: int) -> bytes:
        read = b""
        while len(read) < count:
            more = self._connection.recv(count - len(read))
            if not more:
                raise ConnectionError("closed")
            read += more
        return read

    def publish(self, number: int, payload: str, *, again: bool = False) -> None:
        topic = b"kitchen/FZ1-AIR"
        body = struct.pack("!H", len(topic)) + topic + struct.pack("!H", number) + payload.encode()
        assert len(body) < 128, "one byte of length"
        first = PUBLISH << 4 | 0x02 | (0x08 if again else 0)
        self._connection.sendall(bytes([first, len(body)]) + body)

    def acknowledged(self) -> int:
        """The number in the next packet, which must be an acknowledgement."""
        kind, body = self.packet()
        assert kind == PUBACK
        return int(struct.unpack("!H", body)[0])

    def hears_nothing_for(self, seconds: float) -> None:
        self._connection.settimeout(seconds)
        with pytest.raises(TimeoutError):
            self.packet()
        self._connection.settimeout(20)

    def hang_up(self) -> None:
        self._connection.close()


@contextmanager
def listener(kitchen: Kitchen, port: int) -> Iterator[Listener]:
    """A listener in a thread of its own, stopped in the end."""
    kitchen.clock.at = system_clock()
    kitchen.person("device")
    mapping = kitchen.folder / "mapping.json"
    entry = {"topic": "kitchen/{probe}", "temperature": "t", "time": "at"}
    mapping.write_text(json.dumps({"entries": [entry]}))
    settings = Settings(
        database_url=kitchen.address,
        data_dir=kitchen.folder,
        mqtt_broker=f"mqtt://localhost:{port}",
        mqtt_version="3.1.1",
        mqtt_mapping=mapping,
        mqtt_user_name="device",
    )
    made = Listener(kitchen.app.state.database, system_clock, settings)
    thread = threading.Thread(target=made.run)
    thread.start()
    try:
        yield made
    finally:
        made.ask_to_stop()
        thread.join(30)
        assert not thread.is_alive()


@pytest.fixture
def port() -> Iterator[socket.socket]:
    with socket.create_server(("localhost", 0)) as server:
        server.settimeout(20)
        yield server


def reading(start: datetime, minute: int) -> str:
    at = (start + timedelta(minutes=minute)).isoformat(timespec="seconds")
    return json.dumps({"t": -20, "at": at})


def stored(kitchen: Kitchen) -> int:
    with Session(kitchen.app.state.database.snapshot) as session:
        return len(session.exec(select(Reading)).all())


def test_a_message_is_acknowledged_only_when_its_reading_is_stored(
    kitchen: Kitchen, port: socket.socket
) -> None:
    start = system_clock() - timedelta(hours=2)
    with listener(kitchen, port.getsockname()[1]):
        peer = Peer(port.accept()[0])
        for number in range(1, 31):
            peer.publish(number, reading(start, number))
        assert peer.acknowledged() == 1
        assert stored(kitchen) >= 1
        rest = [peer.acknowledged() for _ in range(29)]
        assert rest == list(range(2, 31)), "in the order in which they came (4.6)"
        assert stored(kitchen) == 30


def test_nothing_is_acknowledged_while_the_database_is_away(
    small_kitchen: Kitchen, port: socket.socket
) -> None:
    start = system_clock() - timedelta(hours=2)
    with listener(small_kitchen, port.getsockname()[1]):
        peer = Peer(port.accept()[0])
        other = sqlite3.connect(small_kitchen.address.removeprefix("sqlite:///"))
        other.execute("BEGIN IMMEDIATE")  # another program writes to the file
        for number in range(1, 6):
            peer.publish(number, reading(start, number))
        peer.hears_nothing_for(2.0)
        assert stored(small_kitchen) == 0
        other.rollback()
        other.close()
        assert [peer.acknowledged() for _ in range(5)] == [1, 2, 3, 4, 5]
        assert stored(small_kitchen) == 5


def test_a_message_whose_acknowledgement_was_lost_comes_again_and_is_stored_once(
    kitchen: Kitchen, port: socket.socket
) -> None:
    start = system_clock() - timedelta(hours=2)
    with listener(kitchen, port.getsockname()[1]):
        peer = Peer(port.accept()[0])
        for number in range(1, 6):
            peer.publish(number, reading(start, number))
        peer.hang_up()  # before it reads any acknowledgement
        peer = Peer(port.accept()[0])
        for number in range(1, 6):
            peer.publish(number, reading(start, number), again=True)
        assert [peer.acknowledged() for _ in range(5)] == [1, 2, 3, 4, 5]
        assert stored(kitchen) == 5


def test_a_broker_that_hands_over_faster_than_can_be_stored_has_to_wait(
    small_kitchen: Kitchen, port: socket.socket, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What is in hand is bounded: then nothing more is read from the network."""
    monkeypatch.setattr("service.mqtt.actions.listening.MOST", 20)
    start = system_clock() - timedelta(hours=4)
    with listener(small_kitchen, port.getsockname()[1]):
        peer = Peer(port.accept()[0])
        other = sqlite3.connect(small_kitchen.address.removeprefix("sqlite:///"))
        other.execute("BEGIN IMMEDIATE")
        for number in range(1, 201):
            peer.publish(number, reading(start, number))
        peer.hears_nothing_for(1.0)
        other.rollback()
        other.close()
        began = time.monotonic()
        assert [peer.acknowledged() for _ in range(200)] == list(range(1, 201))
        assert time.monotonic() - began < 20
        assert stored(small_kitchen) == 200
