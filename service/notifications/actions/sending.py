"""Sending what is in the outbox: after the commit, at least once, never in a transaction.

Three steps, each short. Who is to be told is written down, gathered and leased in one
transaction; the network is used outside of any; what came of it is written in another.
A sender that dies leaves a lease that runs out, and the same thing is sent again under
the same key.
"""

import logging
import random
import uuid
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from sqlmodel import Session

from service.clock import Clock
from service.database import Database
from service.notifications import queries
from service.notifications.actions import channels
from service.notifications.actions.telling import keep
from service.notifications.models import Dispatch, Message, Notice, Recipient
from service.notifications.queries import Envelope
from service.notifications.rules import (
    MOST_ATTEMPTS,
    TOLD_AGAIN,
    Channel,
    Subject,
    Urgency,
    after_quiet,
    next_round,
    spacing,
    wait_before,
)
from service.security.transactions import transaction
from service.settings import Settings
from service.site.models import Site

log = logging.getLogger(__name__)
LEASE = timedelta(minutes=2)  # longer than every channel takes to give up
_AT_ONCE = 8  # so that one that hangs does not hold up the others
_MOST_LINES = 100  # of one e-mail
_MOST = 200  # messages and recipients in one transaction


def send_due(database: Database, clock: Clock, settings: Settings | None = None) -> int:
    """Send what is due; how much arrived. Any number of processes may do so at once.

    Cost: one query where nothing is due.
    """
    settings = settings or Settings()
    with Session(database.snapshot) as session:
        if not queries.anything_due(session, at=clock()):
            return 0
    with transaction(database.writer) as session:
        at = clock()
        _write_notices(session, at=at)
        _gather(session, at=at)
        leased = _lease(session, at=at)
        envelopes = queries.envelopes(session, leased)
        session.expunge_all()  # read to the end: nothing below asks the database

    def send(envelope: Envelope) -> bool:
        said = channels.send(envelope, settings, clock())
        with transaction(database.writer) as session:
            settle(
                session,
                envelope.dispatch.id or 0,
                envelope.dispatch.attempts,
                said,
                at=clock(),
            )
        return said is None

    if not envelopes:
        return 0
    with ThreadPoolExecutor(min(_AT_ONCE, len(envelopes)), "sending") as pool:
        return sum(pool.map(send, envelopes))


def _write_notices(session: Session, *, at: datetime) -> None:
    """Decide for each message that is due whom to tell, and when to look again."""
    messages = queries.messages_to_look_at(session, at=at, most=_MOST)
    if not messages:
        return
    recipients = queries.recipients_in_use(session, (m.site_id for m in messages))
    told = queries.told(session, (m.id or 0 for m in messages))
    zones = {site_id: _zone(session, site_id) for site_id in recipients}
    for message in messages:
        of_site = {r.id or 0: r for r in recipients[message.site_id]}
        so_far = told.get(message.id or 0, {})
        wishes = [queries.wish_of(r) for r in of_site.values()]
        round_ = next_round(queries.telling_of(message), wishes, so_far, at=at)
        heard = _who_heard(session, message) & of_site.keys() if message.ends else frozenset()
        for number in sorted(heard.union(round_.recipients)):
            times = so_far[number].times + 1 if number in so_far else 1
            due_at = _due_at(message, of_site[number], zones[message.site_id], at)
            session.add(
                Notice(
                    message_id=message.id or 0,
                    recipient_id=number,
                    times=times,
                    made_at=at,
                    due_at=due_at,
                )
            )
        message.next_look_at = None if message.acknowledged_at else round_.look_at
        session.add(message)
    session.flush()


def _zone(session: Session, site_id: int) -> ZoneInfo:
    return ZoneInfo(session.get_one(Site, site_id).timezone)


def _who_heard(session: Session, message: Message) -> frozenset[int]:
    return queries.recipients_told_of(
        session, message.site_id, Subject(message.subject), message.number
    )


def _due_at(message: Message, recipient: Recipient, zone: ZoneInfo, at: datetime) -> datetime:
    if message.urgency == Urgency.NOW:
        return at
    return after_quiet(at, queries.quiet_hours_of(recipient), zone)


def _gather(session: Session, *, at: datetime) -> None:
    """Put what is due for a recipient into one piece, at most so many pieces an hour.

    A program gets each message as an event of its own, and a test goes alone and at once.
    """
    for recipient in queries.recipients_waited_for(session, at=at, most=_MOST):
        due = queries.notices_due(session, recipient.id or 0, at=at, most=_MOST_LINES)
        each = recipient.channel == Channel.WEBHOOK
        alone = [n for n, m in due if each or m.only_recipient_id is not None]
        together = [n for n, m in due if not (each or m.only_recipient_id is not None)]
        for notice in alone:
            _dispatch(session, recipient, [notice], at=at)
        if together and (recipient.next_dispatch_at is None or recipient.next_dispatch_at <= at):
            _dispatch(session, recipient, together, at=at)
            recipient.next_dispatch_at = at + spacing(recipient.most_an_hour)
            session.add(recipient)
    session.flush()


def _dispatch(
    session: Session, recipient: Recipient, notices: Sequence[Notice], *, at: datetime
) -> None:
    # Not a number of the database: brought back from a backup, it would be given twice.
    key = uuid.uuid4().hex
    dispatch = Dispatch(recipient_id=recipient.id or 0, key=key, made_at=at, due_at=at)
    session.add(dispatch)
    session.flush()
    for notice in notices:
        notice.dispatch_id, notice.due_at = dispatch.id, None
        session.add(notice)


def _lease(session: Session, *, at: datetime) -> Sequence[Dispatch]:
    """Take what is due for a while; `attempts` is the fence of who took it."""
    leased = queries.dispatches_due(session, at=at, most=_AT_ONCE)
    for dispatch in leased:
        dispatch.attempts += 1
        dispatch.leased_until = at + LEASE
        session.add(dispatch)
    session.flush()
    return leased


def settle(
    session: Session, dispatch_id: int, attempt: int, said: str | None, *, at: datetime
) -> None:
    """Write down what came of an attempt; said: why it did not arrive, None where it did.

    What has arrived has arrived, whoever sent it. A failure counts only for whoever still
    holds it; after the last one the other recipients are told.
    """
    dispatch = queries.dispatch_locked(session, dispatch_id)
    recipient = session.get_one(Recipient, dispatch.recipient_id)
    if said is None:
        dispatch.sent_at = dispatch.sent_at or at
        dispatch.due_at = dispatch.leased_until = dispatch.failed_at = None
        recipient.failure_told_at = None
        session.add(recipient)
    elif dispatch.sent_at is None and dispatch.attempts == attempt:
        _fail(session, dispatch, recipient, said, at=at)
    session.add(dispatch)
    session.flush()


def _fail(
    session: Session, dispatch: Dispatch, recipient: Recipient, said: str, *, at: datetime
) -> None:
    (envelope,) = queries.envelopes(session, [dispatch])
    urgent = any(line.message.urgency == Urgency.NOW for line in envelope.lines)
    urgency = Urgency.NOW if urgent else Urgency.TODAY
    dispatch.last_error, dispatch.leased_until = said, None
    log.warning("recipient %s, attempt %s: %s", recipient.id, dispatch.attempts, said)
    if dispatch.attempts < MOST_ATTEMPTS[urgency]:
        dispatch.due_at = at + wait_before(dispatch.attempts, random.random())
        return
    dispatch.failed_at, dispatch.due_at = at, None
    log.error("recipient %s was not told: %s", recipient.id, channels.headline(envelope))
    told = recipient.failure_told_at
    if told is None or at - told >= TOLD_AGAIN:
        recipient.failure_told_at = at
        session.add(recipient)
        _tell_the_others(session, envelope, urgency, said, at=at)


def _tell_the_others(
    session: Session, envelope: Envelope, urgency: Urgency, said: str, *, at: datetime
) -> None:
    """That somebody was not told. Once until something arrives there again, or a day later:
    two that are both out of reach would tell of each other for ever."""
    recipient = envelope.recipient
    missed = "\n".join(f"- {line.message.title}" for line in envelope.lines)
    keep(
        session,
        Message(
            site_id=recipient.site_id,
            subject=Subject.RECIPIENT,
            number=recipient.id or 0,
            title=f"{recipient.name} could not be told",
            body=f"After {envelope.dispatch.attempts} attempts: {said}. Not told:\n{missed}",
            urgency=urgency,
            once=True,
            but_not_recipient_id=recipient.id,
            created_at=at,
        ),
    )
