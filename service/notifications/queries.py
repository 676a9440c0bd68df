"""Every select of recipients and messages."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, time, timedelta

from sqlalchemy import ColumnElement, exists, literal, or_
from sqlalchemy import select as columns
from sqlmodel import Session, col, func, select

from service.errors import NotFound
from service.notifications.models import Dispatch, Message, Notice, Recipient
from service.notifications.rules import QuietHours, State, Subject, Telling, Told, Urgency, Wish
from service.security.actor import Actor
from service.site.models import Site


@dataclass(frozen=True)
class Line:
    """A message within what is dispatched, and how often its recipient is told of it."""

    message: Message
    times: int


@dataclass(frozen=True)
class Envelope:
    """What goes out in one piece, to whom, from which site, and which attempt this is."""

    dispatch: Dispatch
    recipient: Recipient
    site: Site
    lines: tuple[Line, ...]


@dataclass(frozen=True)
class Progress:
    """The last time that a recipient was told of a message, with what was dispatched for it."""

    recipient: Recipient
    notice: Notice
    dispatch: Dispatch | None

    @property
    def state(self) -> State:
        """What became of it."""
        if self.dispatch is not None and self.dispatch.sent_at is not None:
            return State.SENT
        if self.dispatch is not None and self.dispatch.failed_at is not None:
            return State.FAILED
        return State.WAITING if self.recipient.withdrawn_at is None else State.WITHDRAWN


def state_of(message: Message, progress: Sequence[Progress]) -> State:
    """What became of a message, from how far each recipient was told."""
    if message.urgency == Urgency.RECORD:
        return State.RECORDED
    states = {each.state for each in progress}
    for state in (State.SENT, State.WAITING, State.FAILED):
        if state in states:
            return state
    return State.WAITING if message.next_look_at == message.created_at else State.NOBODY


def telling_of(message: Message) -> Telling:
    """What of a message decides who is told."""
    return Telling(
        subject=Subject(message.subject),
        urgency=Urgency(message.urgency),
        created_at=message.created_at,
        once=message.once,
        only=message.only_recipient_id,
        but_not=message.but_not_recipient_id,
    )


def wish_of(recipient: Recipient) -> Wish:
    """What a recipient wants to be told."""
    repeat = recipient.repeat_minutes
    return Wish(
        id=recipient.id or 0,
        urgencies=frozenset(recipient.urgencies),
        subjects=frozenset(recipient.subjects),
        after=timedelta(minutes=recipient.after_minutes),
        repeat=None if repeat is None else timedelta(minutes=repeat),
    )


def quiet_hours_of(recipient: Recipient) -> QuietHours | None:
    """A recipient's quiet hours, if it has any."""
    if recipient.quiet_from is None or recipient.quiet_until is None:
        return None
    return QuietHours(
        time.fromisoformat(recipient.quiet_from), time.fromisoformat(recipient.quiet_until)
    )


def anything_due(session: Session, *, at: datetime) -> bool:
    """Whether there is something to send or to look at. One query of four index look-ups."""
    due = (
        exists().where(col(Message.next_look_at) <= at),
        exists().where(col(Notice.due_at) <= at),
        exists().where(*_free(at)),
    )
    return bool(session.execute(columns(literal(True)).where(or_(*due))).first())


def _free(at: datetime) -> tuple[ColumnElement[bool], ...]:
    """A dispatch that is due and that nobody is sending."""
    return (
        col(Dispatch.due_at) <= at,
        or_(col(Dispatch.leased_until).is_(None), col(Dispatch.leased_until) <= at),
    )


def messages_to_look_at(session: Session, *, at: datetime, most: int) -> Sequence[Message]:
    """Messages whose next round is due, oldest first, locked. One query."""
    statement = (
        select(Message)
        .where(col(Message.next_look_at) <= at)
        .order_by(col(Message.id))
        .limit(most)
        .with_for_update(skip_locked=True)
    )
    return session.exec(statement).all()


def recipients_in_use(session: Session, site_ids: Iterable[int]) -> dict[int, list[Recipient]]:
    """The recipients of these sites that are not withdrawn, by site. One query."""
    wanted = sorted(set(site_ids))
    statement = (
        select(Recipient)
        .where(col(Recipient.site_id).in_(wanted), col(Recipient.withdrawn_at).is_(None))
        .order_by(col(Recipient.id))
    )
    found: dict[int, list[Recipient]] = {site_id: [] for site_id in wanted}
    for recipient in session.exec(statement):
        found[recipient.site_id].append(recipient)
    return found


def told(session: Session, message_ids: Iterable[int]) -> dict[int, dict[int, Told]]:
    """How far each recipient was told, by message and recipient. One query."""
    found: dict[int, dict[int, Told]] = {}
    for each in progress(session, message_ids):
        notice = each.notice
        found.setdefault(notice.message_id, {})[notice.recipient_id] = Told(
            notice.times, notice.made_at, each.state is State.WAITING
        )
    return found


def progress(session: Session, message_ids: Iterable[int]) -> list[Progress]:
    """The last notice of each message to each recipient, in the order of recipients. One query."""
    last = (
        columns(func.max(col(Notice.id)))
        .where(col(Notice.message_id).in_(sorted(set(message_ids))))
        .group_by(col(Notice.message_id), col(Notice.recipient_id))
    )
    statement = (
        select(Recipient, Notice, Dispatch)
        .join(Notice, col(Notice.recipient_id) == col(Recipient.id))
        .outerjoin(Dispatch, col(Dispatch.id) == col(Notice.dispatch_id))
        .where(col(Notice.id).in_(last))
        .order_by(col(Recipient.id))
    )
    return [Progress(*row) for row in session.exec(statement)]


def recipients_waited_for(session: Session, *, at: datetime, most: int) -> Sequence[Recipient]:
    """Recipients in use for whom a notice is due, locked. One query."""
    waited = columns(col(Notice.recipient_id)).where(col(Notice.due_at) <= at)
    statement = (
        select(Recipient)
        .where(col(Recipient.id).in_(waited), col(Recipient.withdrawn_at).is_(None))
        .order_by(col(Recipient.id))
        .limit(most)
        .with_for_update(skip_locked=True)
    )
    return session.exec(statement).all()


def notices_due(
    session: Session, recipient_id: int, *, at: datetime, most: int
) -> Sequence[tuple[Notice, Message]]:
    """What a recipient is due to be told, oldest first. One query."""
    statement = (
        select(Notice, Message)
        .join(Message, col(Message.id) == col(Notice.message_id))
        .where(col(Notice.recipient_id) == recipient_id, col(Notice.due_at) <= at)
        .order_by(col(Notice.id))
        .limit(most)
    )
    return session.exec(statement).all()


def dispatches_due(session: Session, *, at: datetime, most: int) -> Sequence[Dispatch]:
    """What is due to go out and nobody is sending, oldest first, locked. One query."""
    statement = (
        select(Dispatch)
        .join(Recipient, col(Recipient.id) == col(Dispatch.recipient_id))
        .where(*_free(at), col(Recipient.withdrawn_at).is_(None))
        .order_by(col(Dispatch.due_at), col(Dispatch.id))
        .limit(most)
        .with_for_update(skip_locked=True, of=Dispatch)
    )
    return session.exec(statement).all()


def dispatch_locked(session: Session, dispatch_id: int) -> Dispatch:
    """One dispatch, locked. One query."""
    statement = select(Dispatch).where(col(Dispatch.id) == dispatch_id).with_for_update()
    return session.exec(statement).one()


def envelopes(session: Session, dispatches: Sequence[Dispatch]) -> list[Envelope]:
    """What these dispatches hold, to whom they go. Two queries."""
    ids = [dispatch.id for dispatch in dispatches]
    lines: dict[int | None, list[Line]] = {id_: [] for id_ in ids}
    rows = session.exec(
        select(Notice, Message)
        .join(Message, col(Message.id) == col(Notice.message_id))
        .where(col(Notice.dispatch_id).in_(ids))
        .order_by(col(Notice.id))
    )
    for notice, message in rows:
        lines[notice.dispatch_id].append(Line(message, notice.times))
    addressed = session.exec(
        select(Dispatch, Recipient, Site)
        .join(Recipient, col(Recipient.id) == col(Dispatch.recipient_id))
        .join(Site, col(Site.id) == col(Recipient.site_id))
        .where(col(Dispatch.id).in_(ids))
        .order_by(col(Dispatch.id))
    )
    return [Envelope(d, r, s, tuple(lines[d.id])) for d, r, s in addressed]


def recipients_told_of(
    session: Session, site_id: int, subject: Subject, number: int
) -> frozenset[int]:
    """Who was told something about a thing before. One query."""
    statement = (
        columns(col(Notice.recipient_id))
        .join(Message, col(Message.id) == col(Notice.message_id))
        .where(
            col(Message.site_id) == site_id,
            col(Message.subject) == subject,
            col(Message.number) == number,
        )
        .distinct()
    )
    return frozenset(session.execute(statement).scalars())


def recipient_seen(session: Session, number: int, *, by: Actor) -> Recipient:
    """The recipient of this number. Raises NotFound, and NotAllowed at somebody else's site."""
    recipient = session.get(Recipient, number)
    if recipient is None:
        raise NotFound.of("recipient", number, "recipient")
    by.ensure_site(recipient.site_id)
    return recipient


def recipients(
    session: Session, site_ids: Sequence[int], *, limit: int, before_id: int | None
) -> Sequence[tuple[Recipient, str]]:
    """Recipients, withdrawn ones too, newest first, with their site's code. One query."""
    statement = (
        select(Recipient, Site.code)
        .join(Site, col(Site.id) == col(Recipient.site_id))
        .where(col(Recipient.site_id).in_(site_ids))
        .order_by(col(Recipient.id).desc())
        .limit(limit)
    )
    if before_id is not None:
        statement = statement.where(col(Recipient.id) < before_id)
    return session.exec(statement).all()


def message_seen(session: Session, number: int, *, by: Actor) -> tuple[Message, str]:
    """The message of this number and its site's code. One query.

    Raises NotFound, and NotAllowed at somebody else's site.
    """
    found = session.exec(
        select(Message, Site.code)
        .join(Site, col(Site.id) == col(Message.site_id))
        .where(col(Message.id) == number)
    ).one_or_none()
    if found is None:
        raise NotFound.of("message", number, "message")
    by.ensure_site(found[0].site_id)
    return found


def messages(
    session: Session, site_ids: Sequence[int], *, limit: int, before_id: int | None
) -> Sequence[tuple[Message, str]]:
    """The newest messages with their site's code. One query."""
    statement = (
        select(Message, Site.code)
        .join(Site, col(Site.id) == col(Message.site_id))
        .where(col(Message.site_id).in_(site_ids))
        .order_by(col(Message.id).desc())
        .limit(limit)
    )
    if before_id is not None:
        statement = statement.where(col(Message.id) < before_id)
    return session.exec(statement).all()


def urgent_unacknowledged(
    session: Session, site_id: int, *, since: datetime, limit: int
) -> Sequence[Message]:
    """The newest urgent messages of a site since an instant that nobody has acknowledged.

    One query.
    """
    statement = (
        select(Message)
        .where(
            col(Message.site_id) == site_id,
            col(Message.urgency) == Urgency.NOW,
            col(Message.created_at) > since,
            col(Message.acknowledged_at).is_(None),
            col(Message.ends).is_(False),
            col(Message.only_recipient_id).is_(None),
        )
        .order_by(col(Message.id).desc())
        .limit(limit)
    )
    return session.exec(statement).all()


def unacknowledged_about(session: Session, message: Message) -> Sequence[Message]:
    """This message and earlier ones about the same thing that nobody has acknowledged. One query.

    What has no number is about nothing in particular: only the message itself.
    """
    same = (
        col(Message.site_id) == message.site_id,
        col(Message.subject) == message.subject,
        col(Message.number) == message.number,
        col(Message.id) <= message.id,
    )
    this = (col(Message.id) == message.id,)
    statement = (
        select(Message)
        .where(*(same if message.number else this), col(Message.acknowledged_at).is_(None))
        .order_by(col(Message.id))
        .with_for_update()
        .execution_options(populate_existing=True)
    )
    return session.exec(statement).all()
