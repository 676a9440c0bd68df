"""A batch of messages into readings; what cannot be read is kept with its reason."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime

from sqlalchemy import delete, func, select
from sqlmodel import Session, col

from service.mqtt.models import UnreadMessage
from service.mqtt.rules.mapping import Mapping
from service.mqtt.rules.payloads import read_out
from service.security.actor import Actor
from service.temperatures.actions.decoding import Decoded, Row
from service.temperatures.actions.storing import store

KEPT = 1000  # unread messages in all
KEPT_OF_A_BATCH = 20  # a sender gone mad must not make more work than the readings
KEPT_BYTES = 1000


@dataclass(frozen=True)
class Message:
    """What the broker handed over, and how it is to be acknowledged."""

    topic: str
    payload: bytes
    received_at: datetime
    retained: bool = False
    number: int = 0
    quality: int = 0
    connection: int = 0


@dataclass
class Counts:
    """What became of messages."""

    messages: int = 0
    stored: int = 0
    duplicates: int = 0
    refused: int = 0

    def add(self, other: "Counts") -> None:
        """Count these too."""
        self.messages += other.messages
        self.stored += other.stored
        self.duplicates += other.duplicates
        self.refused += other.refused


@dataclass
class _Batch:
    rows: list[Row] = field(default_factory=list)
    origin: list[Message] = field(default_factory=list)  # of each row
    unread: list[tuple[Message, str]] = field(default_factory=list)


def store_messages(
    session: Session, mapping: Mapping, messages: Sequence[Message], *, at: datetime, by: Actor
) -> Counts:
    """Store the readings of messages, and keep those that are none with their reason.

    Cost: one storing of a batch, and one insert where something could not be read.
    """
    batch = _Batch()
    for message in messages:
        _read(batch, mapping, message)
    counts = Counts(messages=len(messages))
    if batch.rows:
        decoded = Decoded(list(range(len(batch.rows))), batch.rows)
        out = store(session, decoded, at=at, by=by)
        counts.stored, counts.duplicates = out.stored, out.duplicates
        batch.unread += [(batch.origin[r.index], r.reason) for r in out.rejected]
    counts.refused = len(batch.unread)
    keep_unread(session, batch.unread)
    return counts


def _read(batch: _Batch, mapping: Mapping, message: Message) -> None:
    found = mapping.entry_for(message.topic)
    if found is None:
        batch.unread.append((message, "no entry of the mapping is for this topic"))
        return
    entry, levels = found
    arrived_at = None if message.retained else message.received_at
    out = read_out(entry, levels, message.payload, arrived_at=arrived_at)
    batch.rows += [Row(s.probe, s.at, s.temperature_c) for s in out.samples]
    batch.origin += [message] * len(out.samples)
    batch.unread += [(message, problem) for problem in out.problems]


def keep_unread(session: Session, unread: Sequence[tuple[Message, str]]) -> None:
    """Keep the first of these, and of all that are kept only the newest."""
    if not unread:
        return
    session.add_all(
        UnreadMessage(
            received_at=message.received_at,
            topic=message.topic[:KEPT_BYTES].replace("\0", ""),
            payload=message.payload[:KEPT_BYTES],
            reason=reason[:KEPT_BYTES].replace("\0", ""),
        )
        for message, reason in unread[:KEPT_OF_A_BATCH]
    )
    session.flush()
    newest = select(func.max(col(UnreadMessage.id)) - KEPT).scalar_subquery()
    session.execute(delete(UnreadMessage).where(col(UnreadMessage.id) <= newest))
