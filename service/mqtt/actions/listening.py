"""Listening to a broker: readings are acknowledged once they are stored.

At least once in: QoS 1, a session that the broker keeps while nobody listens, and an
acknowledgement of each message only after the transaction that stored it has
committed. Exactly once stored: a reading that comes again is a duplicate.

One thread reads, stores and acknowledges in turn, so that nothing is read from the
network while the database is behind: the broker waits, memory does not grow.
"""

import logging
import ssl
import time
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path
from threading import Event
from typing import Any
from urllib.parse import unquote, urlsplit

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from sqlalchemy.exc import DBAPIError, InterfaceError, OperationalError
from sqlalchemy.exc import TimeoutError as NoConnection
from sqlmodel import Session

from service.clock import Clock
from service.database import Database
from service.errors import Conflict, FishhouseError, Invalid
from service.jobs.actions import leases
from service.jobs.actions.holding import renewed
from service.mqtt.actions.storing import Counts, Message, keep_unread, store_messages
from service.mqtt.rules.mapping import Mapping, parse_mapping
from service.security.actor import Actor
from service.security.rules import Action
from service.security.transactions import transaction
from service.security.users import actor_named
from service.settings import Settings

log = logging.getLogger(__name__)
JOB = "listen"
BATCH_S = 0.1
QUIET_S = 0.01  # the broker waits for acknowledgements: no use to wait for the rest of a batch
FEW = 10
MOST = 2000  # messages in hand, not acknowledged
KEEP_ALIVE_S = 60
SESSION_KEPT = timedelta(days=7)
LARGEST_PACKET = 1024 * 1024
LONGEST_WAIT_S = 60.0
TELL_EVERY_S = 60.0
PORTS = {"mqtt": 1883, "mqtts": 8883}


@dataclass(frozen=True)
class Broker:
    """Where the broker is, who we are there, and what we ask of it."""

    host: str
    port: int
    encrypted: ssl.SSLContext | None
    version: MQTTProtocolVersion
    client_id: str
    user: str | None
    password: str | None


def broker_of(settings: Settings) -> Broker:
    """The broker that the settings name. Raises Invalid naming the setting at fault."""
    address = urlsplit(settings.mqtt_broker)
    if address.scheme not in PORTS or not address.hostname:
        raise _at_fault("mqtt_broker", "give mqtt://HOST[:PORT] or mqtts://HOST[:PORT]")
    try:
        port = address.port or PORTS[address.scheme]
    except ValueError as error:
        raise _at_fault("mqtt_broker", str(error)) from error
    in_address = unquote(address.username) if address.username else None
    if address.password:
        raise _at_fault("mqtt_broker", "a password does not belong into an address")
    return Broker(
        host=address.hostname,
        port=port,
        encrypted=_encryption(settings) if address.scheme == "mqtts" else None,
        version=MQTTProtocolVersion.MQTTv5
        if settings.mqtt_version == "5"
        else MQTTProtocolVersion.MQTTv311,
        client_id=settings.mqtt_client_id,
        user=settings.mqtt_broker_user or in_address,
        password=_password(settings),
    )


def _password(settings: Settings) -> str | None:
    if settings.mqtt_broker_password is not None:
        return settings.mqtt_broker_password.get_secret_value()
    if settings.mqtt_broker_password_file is None:
        return None
    return _text("mqtt_broker_password_file", settings.mqtt_broker_password_file).strip("\r\n")


def _encryption(settings: Settings) -> ssl.SSLContext:
    try:
        context = ssl.create_default_context(cafile=settings.mqtt_ca_file)
    except (OSError, ssl.SSLError) as error:
        raise _at_fault("mqtt_ca_file", str(error)) from error
    if settings.mqtt_certificate_file is not None:
        try:
            context.load_cert_chain(settings.mqtt_certificate_file, settings.mqtt_key_file)
        except (OSError, ssl.SSLError) as error:
            raise _at_fault("mqtt_certificate_file", str(error)) from error
    return context


def mapping_of(settings: Settings) -> Mapping:
    """The mapping file, TOML or JSON by its name. Raises Invalid naming entry and field."""
    file = settings.mqtt_mapping
    if file is None:
        raise _at_fault("mqtt_mapping", "name the file that says which messages are readings")
    try:
        return parse_mapping(_text("mqtt_mapping", file), toml=file.suffix.lower() != ".json")
    except ValueError as error:
        raise _at_fault("mqtt_mapping", f"{file}: {error}") from error


def _text(setting: str, file: Path) -> str:
    try:
        return file.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise _at_fault(setting, f"{file} cannot be read: {error}") from error


def _at_fault(setting: str, why: str) -> Invalid:
    failure = Invalid.at(f"FISHHOUSE_{setting.upper()}", why)
    failure.advice = "Correct the setting and start again."
    return failure


class Listener:
    """Reads readings from a broker until it is told to stop; one at a time in all."""

    def __init__(self, database: Database, clock: Clock, settings: Settings) -> None:
        """Raises Invalid for settings or a mapping that cannot be meant."""
        self._database, self._clock = database, clock
        self._broker, self._mapping = broker_of(settings), mapping_of(settings)
        self._user = settings.mqtt_user_name
        if not self._user:
            raise _at_fault("mqtt_user_name", "name the user whose readings they are")
        self._lease = timedelta(seconds=settings.lease_seconds)
        self._stop = Event()
        self._known = False

    def ask_to_stop(self) -> None:
        """Store and acknowledge what is in hand, then end."""
        self._stop.set()

    def run(self) -> None:
        """Listen whenever nobody else does, until told to stop."""
        waiting = False
        while not self._stop.is_set():
            try:
                fence = self._take()
                if fence is not None:
                    waiting = False
                    self._listen(fence)
                elif not waiting:
                    log.info("another process listens; waiting to take over")
                    waiting = True
            except Exception as error:  # the database is away, or another process listens
                if not away(error) and not _is_lost(error):
                    raise
                log.warning("not listening: %s", error)
            self._stop.wait(1.0)

    def _take(self) -> int | None:
        with transaction(self._database.writer) as session:
            if not self._known:
                leases.register(session, {JOB: timedelta(0)}, at=self._clock())
            self._known = True
            return leases.take(session, JOB, at=self._clock(), lease=self._lease)

    def _listen(self, fence: int) -> None:
        """Listen for as long as the lease is ours, then give it back."""
        database = leases.fenced(self._database, JOB, fence, lease=self._lease)
        with renewed(self._database, self._clock, JOB, fence, self._lease) as lost:
            line = Line(self._broker, self._mapping, self._clock)
            keeper = Keeper(database, self._clock, self._mapping, self._user)
            try:
                self._work(line, keeper, lost)
            finally:
                line.close()
                keeper.tell()
        with transaction(database.writer) as session:
            leases.finish(session, JOB, fence, at=self._clock())

    def _work(self, line: "Line", keeper: "Keeper", lost: Event) -> None:
        while not (self._stop.is_set() or lost.is_set()):
            line.serve()
            if line.is_due() and keeper.may_try():
                line.acknowledge(keeper.keep(line.in_hand))
        if not lost.is_set() and line.in_hand:
            line.acknowledge(keeper.keep(line.in_hand))


class Line:
    """The connection to the broker, and the messages in hand."""

    def __init__(self, broker: Broker, mapping: Mapping, clock: Clock) -> None:
        self._broker, self._mapping, self._clock = broker, mapping, clock
        self.in_hand: list[Message] = []
        self._first_at = self._last_at = 0.0
        self._connection = 0  # counts connections: only what came by this one is acknowledged on it
        self._connected = False
        self._wait_s, self._next_try = 1.0, 0.0
        self._client = self._made()

    def _made(self) -> paho.Client:
        five = self._broker.version is MQTTProtocolVersion.MQTTv5
        client = paho.Client(
            CallbackAPIVersion.VERSION2,
            client_id=self._broker.client_id,
            clean_session=None if five else False,
            protocol=self._broker.version,
            reconnect_on_failure=False,
            manual_ack=True,
        )
        if self._broker.user is not None:
            client.username_pw_set(self._broker.user, self._broker.password)
        if self._broker.encrypted is not None:
            client.tls_set_context(self._broker.encrypted)
        client.on_connect = self._on_connect
        client.on_disconnect = self._on_disconnect
        client.on_subscribe = self._on_subscribe
        client.on_message = self._on_message
        return client

    def serve(self) -> None:
        """Let the network have its turn: at most a tenth of a second."""
        if self._client.socket() is None:
            self._connect()
        elif len(self.in_hand) >= MOST:  # read no more: the broker has to wait
            time.sleep(QUIET_S)
            self._client.loop_misc()
        else:
            self._client.loop(QUIET_S if self.in_hand else BATCH_S)

    def is_due(self) -> bool:
        """Whether what is in hand is to be stored now."""
        if not self.in_hand:
            return False
        now, count = time.monotonic(), len(self.in_hand)
        quiet = count >= FEW and now - self._last_at >= QUIET_S
        return quiet or count >= MOST or now - self._first_at >= BATCH_S

    def acknowledge(self, settled: int) -> None:
        """Tell the broker that the first so many in hand need not come again."""
        for message in self.in_hand[:settled]:
            if message.quality == 1 and message.connection == self._connection and self._connected:
                self._client.ack(message.number, message.quality)
        del self.in_hand[:settled]

    def close(self) -> None:
        """Take leave, so that the broker keeps the session and tells nobody that we died.

        What still arrives is read and left to come again: a socket that is closed with something
        unread is reset, and the last acknowledgements would be lost with it.
        """
        until, before = time.monotonic() + 1.0, -1
        while self._client.socket() is not None and len(self.in_hand) != before:
            if time.monotonic() > until:
                break
            before = len(self.in_hand)
            self._client.loop(BATCH_S)
        self._client.disconnect()
        until = time.monotonic() + 2.0
        while self._client.socket() is not None and time.monotonic() < until:
            self._client.loop(QUIET_S)

    def _connect(self) -> None:
        if time.monotonic() < self._next_try or len(self.in_hand) >= MOST:
            time.sleep(QUIET_S)
            return
        self._connection += 1
        self._next_try = time.monotonic() + self._wait_s
        self._wait_s = min(self._wait_s * 2, LONGEST_WAIT_S)
        broker = self._broker
        try:
            if broker.version is MQTTProtocolVersion.MQTTv5:
                self._client.connect(
                    broker.host,
                    broker.port,
                    KEEP_ALIVE_S,
                    clean_start=False,
                    properties=_wishes(),
                )
            else:
                self._client.connect(broker.host, broker.port, KEEP_ALIVE_S)
        except (OSError, ValueError) as error:  # ssl.SSLError is an OSError
            log.warning("the broker at %s:%d: %s", broker.host, broker.port, error)

    def _on_connect(
        self, client: paho.Client, _data: Any, flags: Any, code: Any, _properties: Any
    ) -> None:
        if code.is_failure:
            log.error("the broker refuses the connection: %s%s", code, _hint(str(code)))
            return
        self._connected, self._wait_s = True, 1.0
        kept = "kept" if flags.session_present else "new"
        log.info("listening to %s:%d; session %s", self._broker.host, self._broker.port, kept)
        client.subscribe(self._mapping.subscriptions())

    def _on_subscribe(
        self, _client: paho.Client, _data: Any, _number: int, codes: Sequence[Any], _rest: Any
    ) -> None:
        for (topic, _), code in zip(self._mapping.subscriptions(), codes, strict=False):
            if code.is_failure:
                log.error("the broker refuses the topic %s: %s", topic, code)

    def _on_disconnect(
        self, _client: paho.Client, _data: Any, _flags: Any, code: Any, _properties: Any
    ) -> None:
        if self._connected and code.value != MQTTErrorCode.MQTT_ERR_SUCCESS:
            log.warning("the connection to the broker is lost: %s", code)
        self._connected = False

    def _on_message(self, _client: paho.Client, _data: Any, came: paho.MQTTMessage) -> None:
        self._last_at = time.monotonic()
        if not self.in_hand:
            self._first_at = self._last_at
        try:
            topic = came.topic
        except UnicodeDecodeError:
            topic = "(not UTF-8)"
        self.in_hand.append(
            Message(
                topic=topic,
                payload=bytes(came.payload),
                received_at=self._clock(),
                retained=came.retain,
                number=came.mid,
                quality=came.qos,
                connection=self._connection,
            )
        )


def _wishes() -> Properties:
    """What a broker of MQTT 5 is asked: to keep the session, and not to hand over too much."""
    wishes = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
    wishes.SessionExpiryInterval = int(SESSION_KEPT.total_seconds())
    wishes.ReceiveMaximum = MOST
    wishes.MaximumPacketSize = LARGEST_PACKET
    return wishes


def _hint(said: str) -> str:
    if "rotocol" in said:
        return "; it may speak only an older MQTT: set FISHHOUSE_MQTT_VERSION=3.1.1"
    return ""


class _MayNotSend(Exception):
    """The user whose readings they are is unknown, or may not send any: somebody must see to it."""


class Keeper:
    """Stores messages in hand, each exactly once, and says what became of them."""

    def __init__(self, database: Database, clock: Clock, mapping: Mapping, user: str) -> None:
        self._database, self._clock, self._mapping, self._user = database, clock, mapping, user
        self._counts, self._told_at = Counts(), time.monotonic()
        self._wait_s, self._next_try = 1.0, 0.0

    def may_try(self) -> bool:
        """Whether it is time to try: after a failure it waits, longer each time."""
        return time.monotonic() >= self._next_try

    def keep(self, messages: Sequence[Message]) -> int:
        """Store messages. Returns how many, from the first, are settled and may be acknowledged.

        None, if the database is away or the user may not send: they come again. Raises
        Conflict if another process listens now.
        """
        try:
            self._keep(messages)
        except Exception as error:
            if _is_lost(error):
                raise
            if not away(error) and not isinstance(error, _MayNotSend):
                raise
            log.warning("%d messages wait: %s", len(messages), error)
            self._next_try = time.monotonic() + self._wait_s
            self._wait_s = min(self._wait_s * 2, LONGEST_WAIT_S)
            return 0
        self._wait_s = 1.0
        if time.monotonic() - self._told_at >= TELL_EVERY_S:
            self.tell()
        return len(messages)

    def _keep(self, messages: Sequence[Message]) -> None:
        """In one transaction; if it fails for no reason of the database, each half by itself, so
        that no message, whatever it does to us, holds up the others."""
        try:
            with transaction(self._database.writer) as session:
                at = self._clock()
                by = self._sender(session)
                counts = store_messages(session, self._mapping, messages, at=at, by=by)
        except Exception as error:
            if away(error) or _is_lost(error) or isinstance(error, _MayNotSend):
                raise
            if len(messages) == 1:
                self._give_up(messages[0], error)
                return
            half = len(messages) // 2
            self._keep(messages[:half])
            self._keep(messages[half:])
        else:
            self._counts.add(counts)

    def _sender(self, session: Session) -> Actor:
        try:
            by = actor_named(session, self._user)
            by.ensure(Action.RECORD_TEMPERATURES)
        except FishhouseError as error:
            raise _MayNotSend(f"FISHHOUSE_MQTT_USER_NAME: {error.detail}") from error
        return by

    def _give_up(self, message: Message, error: Exception) -> None:
        log.error("a message of %s cannot be stored", message.topic, exc_info=error)
        reason = f"{type(error).__name__}: it cannot be stored"
        with transaction(self._database.writer) as session:
            keep_unread(session, [(message, reason)])
        self._counts.add(Counts(messages=1, refused=1))

    def tell(self) -> None:
        """Say what became of the messages since the last time."""
        self._told_at, counts, self._counts = time.monotonic(), self._counts, Counts()
        if counts.messages:
            log.info(
                "%d messages: %d readings stored, %d known before, %d refused",
                counts.messages,
                counts.stored,
                counts.duplicates,
                counts.refused,
            )


def away(error: Exception) -> bool:
    """Whether the database is away, full, busy or shutting down, rather than our data wrong."""
    if isinstance(error, DBAPIError) and error.connection_invalidated:
        return True
    return isinstance(error, OperationalError | InterfaceError | NoConnection)


def _is_lost(error: Exception) -> bool:
    return isinstance(error, Conflict) and error.kind == "lease-lost"
