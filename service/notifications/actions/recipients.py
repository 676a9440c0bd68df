"""Who is told: adding a recipient, withdrawing one, trying one out."""

import importlib.util
from datetime import datetime

from sqlmodel import Session

from service.errors import Conflict, Invalid
from service.notifications import queries
from service.notifications.actions.telling import keep
from service.notifications.models import Message, Recipient
from service.notifications.rules import Channel, Subject, Urgency
from service.notifications.schemas import RecipientIn, RecipientOut, Withdrawal
from service.security import audit
from service.security.actor import Actor
from service.site import queries as sites
from service.site.models import Site


def add_recipient(
    session: Session, new: RecipientIn, *, at: datetime, by: Actor
) -> tuple[Recipient, Site]:
    """Tell somebody from now on. Neither address nor key goes into the trail.

    Raises Conflict for an apprise address where that library is missing.
    """
    if new.channel is Channel.APPRISE:
        _ensure_apprise_reads(new.address.get_secret_value())
    site = sites.site_or_only(session, new.site, by=by)
    recipient = Recipient(
        site_id=site.id or 0,
        address=new.address.get_secret_value(),
        key=None if new.key is None else new.key.get_secret_value(),
        created_at=at,
        by=by.name,
        **new.model_dump(exclude={"site", "address", "key"}),
    )
    session.add(recipient)
    session.flush()
    shown = RecipientOut.of(recipient, site.code)
    _note(session, by, "recipient added", recipient, at=at, after=shown)
    return recipient, site


def _ensure_apprise_reads(address: str) -> None:
    if importlib.util.find_spec("apprise") is None:
        raise Conflict(
            "the library that reaches this kind of address is not installed",
            kind="not-installed",
            advice="Install `fishhouse[notify]` where the service runs, or use e-mail or webhook.",
        )
    from service.notifications.actions.channels import apprise_of  # noqa: PLC0415 - heavy

    if apprise_of(address) is None:
        raise Invalid.at("address", "apprise does not know this kind of URL, or it is incomplete")


def withdraw(
    session: Session, number: int, withdrawal: Withdrawal, *, at: datetime, by: Actor
) -> tuple[Recipient, Site]:
    """Tell somebody nothing more; what was not sent yet is not sent.

    Raises NotFound, and Conflict where it was withdrawn before.
    """
    recipient, site = _in_use(session, number, by=by)
    recipient.withdrawn_at, recipient.withdrawn_by = at, by.name
    recipient.withdrawn_reason = withdrawal.reason
    session.add(recipient)
    session.flush()
    shown = RecipientOut.of(recipient, site.code)
    _note(session, by, "recipient withdrawn", recipient, at=at, after=shown)
    return recipient, site


def try_out(session: Session, number: int, *, at: datetime, by: Actor) -> Message:
    """Send one recipient a test, whatever its quiet hours. The message shows what became of it."""
    recipient, site = _in_use(session, number, by=by)
    message = keep(
        session,
        Message(
            site_id=recipient.site_id,
            subject=Subject.TEST,
            number=recipient.id or 0,
            title=f"Test message to {recipient.name}",
            body=f"{by.name} at {site.name} asked for this test. Nothing is wrong.",
            urgency=Urgency.NOW,
            once=True,
            only_recipient_id=recipient.id,
            created_at=at,
        ),
    )
    _note(session, by, "recipient tried out", recipient, at=at)
    return message


def _in_use(session: Session, number: int, *, by: Actor) -> tuple[Recipient, Site]:
    recipient = queries.recipient_seen(session, number, by=by)
    if recipient.withdrawn_at is not None:
        raise Conflict(
            f"{recipient.name} was withdrawn at {recipient.withdrawn_at:%Y-%m-%d %H:%M} UTC",
            kind="recipient-withdrawn",
            advice="Add the recipient anew if it is to be told again.",
        )
    return recipient, session.get_one(Site, recipient.site_id)


def _note(
    session: Session,
    by: Actor,
    what: str,
    recipient: Recipient,
    *,
    at: datetime,
    after: object = None,
) -> None:
    audit.note(
        session,
        by,
        what,
        f"recipient {recipient.id}",
        at=at,
        site_id=recipient.site_id,
        after=after,
        detail={"name": recipient.name, "channel": recipient.channel},
    )
