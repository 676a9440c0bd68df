"""Telling people of a watch."""

from collections.abc import Sequence
from datetime import datetime

from sqlmodel import Session

from service.notifications.actions.telling import tell
from service.notifications.rules import Subject, Urgency
from service.security import audit
from service.security.actor import SERVICE
from service.watch_list.models import WatchChange
from service.watch_list.queries.standing import Standing


def because_of(standing: Standing) -> str:
    """Why it is kept, in one line."""
    return "; ".join(cause.because for cause in standing.causes)


def times(number: int, noun: str) -> str:
    """'1 animal', '3 animals'."""
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"


def tell_of(
    session: Session,
    standing: Standing,
    title: str,
    lines: Sequence[str],
    *,
    urgency: Urgency,
    at: datetime,
    ends: bool = False,
) -> None:
    """Put a message about a watch into the outbox. One insert."""
    tell(
        session,
        site_id=standing.watch.site_id,
        subject=Subject.WATCH,
        number=standing.watch.id or 0,
        title=title,
        body="\n".join(lines),
        urgency=urgency,
        at=at,
        ends=ends,
    )


def note_change(
    session: Session, standing: Standing, kind: str, because: str, *, at: datetime
) -> None:
    """Keep with a watch what changed in it, and note it in the trail."""
    watch = standing.watch
    session.add(
        WatchChange(watch_id=watch.id or 0, kind=kind, because=because, at=at, by=SERVICE.name)
    )
    audit.note(
        session,
        SERVICE,
        f"watch {kind.replace('_', ' ')}",
        watch.id,
        at=at,
        site_id=watch.site_id,
        detail={"because": because},
    )
