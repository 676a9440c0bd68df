"""The audit trail: one entry a write, each carrying the hash of the one before.

Actions note what they did; the entries are chained just before commit, so the
head of a chain is locked last and only for a moment. Verifying reads every
entry once.
"""

import hashlib
import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from pydantic import BaseModel
from sqlmodel import Session, col, select

from service.security.actor import Actor
from service.security.models import AuditEntry, AuditHead

ORGANISATION = 0
FIRST_HASH = "0" * 64
_PENDING = "audit"


@dataclass(frozen=True)
class Noted:
    """Something an action did, to be chained at commit."""

    by: str
    at: datetime
    what: str
    subject: str
    chain: int
    before: str | None
    after: str | None
    detail: dict[str, object] = field(default_factory=dict)


@dataclass(frozen=True)
class Broken:
    """Where a chain does not hold, and why."""

    chain: int
    number: int
    why: str


def note(
    session: Session,
    by: Actor,
    what: str,
    subject: object,
    *,
    at: datetime,
    site_id: int = ORGANISATION,
    before: object = None,
    after: object = None,
    detail: dict[str, object] | None = None,
) -> None:
    """Remember for the trail what is being done in this transaction."""
    session.info.setdefault(_PENDING, []).append(
        Noted(by.name, at, what, str(subject), site_id, digest(before), digest(after), detail or {})
    )


def digest(thing: object) -> str | None:
    """SHA-256 of a thing's JSON; None of nothing."""
    if thing is None:
        return None
    return hashlib.sha256(_json(thing).encode()).hexdigest()


def _json(thing: object) -> str:
    def plain(value: Any) -> Any:
        return value.model_dump(mode="json") if isinstance(value, BaseModel) else str(value)

    return json.dumps(thing, sort_keys=True, separators=(",", ":"), default=plain)


def forget_pending(session: Session) -> None:
    """Drop what was noted in this transaction, because all of it was taken back: a dry run."""
    session.info.pop(_PENDING, None)


def write_pending(session: Session) -> None:
    """Chain what was noted. Called once, last before commit; one lock a chain."""
    pending: list[Noted] = session.info.pop(_PENDING, [])
    for chain in sorted({noted.chain for noted in pending}):
        head = _locked_head(session, chain)
        for noted in (n for n in pending if n.chain == chain):
            entry = _entry(noted, head)
            session.add(entry)
            head.length, head.hash = entry.number, entry.hash
        session.add(head)
    if pending:
        session.flush()


def _locked_head(session: Session, chain: int) -> AuditHead:
    statement = select(AuditHead).where(col(AuditHead.chain) == chain)
    head = session.exec(
        statement.with_for_update().execution_options(populate_existing=True)
    ).one_or_none()
    if head is None:
        head = AuditHead(chain=chain, length=0, hash=FIRST_HASH)
        session.add(head)
        session.flush()
    return head


def _entry(noted: Noted, head: AuditHead) -> AuditEntry:
    entry = AuditEntry(
        chain=head.chain,
        number=head.length + 1,
        recorded_at=noted.at,
        by=noted.by,
        what=noted.what,
        subject=noted.subject,
        before=noted.before,
        after=noted.after,
        detail=noted.detail,
        previous_hash=head.hash,
        hash="",
    )
    entry.hash = entry_hash(entry)
    return entry


def entry_hash(entry: AuditEntry) -> str:
    """The hash that an entry must carry: over everything in it and the hash before."""
    content = [
        entry.chain,
        entry.number,
        entry.recorded_at.isoformat(),
        entry.by,
        entry.on_behalf_of,
        entry.what,
        entry.subject,
        entry.before,
        entry.after,
        entry.detail,
        entry.previous_hash,
    ]
    return hashlib.sha256(_json(content).encode()).hexdigest()


def length_of(session: Session, chain: int) -> int:
    """How many entries a chain has. One look-up by key."""
    head = session.get(AuditHead, chain, populate_existing=True)
    return 0 if head is None else head.length


def written_since(session: Session, chain: int, number: int) -> Sequence[tuple[int, str]]:
    """What a chain says was done after an entry: number and kind, in order. One query; cost:
    the entries after it."""
    statement = (
        select(AuditEntry.number, AuditEntry.what)
        .where(col(AuditEntry.chain) == chain, col(AuditEntry.number) > number)
        .order_by(col(AuditEntry.number))
    )
    return session.exec(statement).all()


def entries_between(
    session: Session, chain: int, from_at: datetime, to_at: datetime, *, limit: int
) -> Sequence[AuditEntry]:
    """What a chain says was done in a time, in order. One query; it reads the chain from its
    end back to that time."""
    statement = (
        select(AuditEntry)
        .where(
            col(AuditEntry.chain) == chain,
            col(AuditEntry.recorded_at) >= from_at,
            col(AuditEntry.recorded_at) < to_at,
        )
        .order_by(col(AuditEntry.number))
        .limit(limit)
    )
    return session.exec(statement).all()


def verify(session: Session) -> list[Broken]:
    """Every place where a chain does not hold; empty when all hold. O(entries)."""
    heads = {head.chain: head for head in session.exec(select(AuditHead))}
    broken: list[Broken] = []
    for chain, head in sorted(heads.items()):
        number, previous = 0, FIRST_HASH
        for entry in _entries(session, chain):
            number += 1
            if entry.number != number or entry.previous_hash != previous:
                broken.append(Broken(chain, entry.number, "an entry before it is missing"))
                number = entry.number
            if entry_hash(entry) != entry.hash:
                broken.append(Broken(chain, entry.number, "the entry was changed"))
            previous = entry.hash
        if (number, previous) != (head.length, head.hash):
            broken.append(Broken(chain, number, "the end of the chain is missing"))
    return broken


def _entries(session: Session, chain: int) -> Iterator[AuditEntry]:
    statement = (
        select(AuditEntry).where(col(AuditEntry.chain) == chain).order_by(col(AuditEntry.number))
    )
    yield from session.exec(statement.execution_options(yield_per=1000))
