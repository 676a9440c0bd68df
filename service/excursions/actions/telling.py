"""Telling people of an excursion: once for each change of its state, and when it gets worse."""

from datetime import datetime, timedelta
from enum import StrEnum

from sqlmodel import Session

from service.excursions.models import Excursion
from service.excursions.queries.watching import Book
from service.excursions.rules import ExcursionKind
from service.excursions.rules.words import Told, body_of, title_of
from service.notifications.actions.telling import tell
from service.notifications.rules import Subject, Urgency
from service.science.excursion_shape import Cause

LONG_AGO = timedelta(days=3)  # what was over by then is kept, not sent


class News(StrEnum):
    """What has happened to an excursion."""

    OPENED = "opened"
    WORSE = "worse"
    AGAIN = "again"
    ENDED = "ended"
    WITHDRAWN = "withdrawn"


OVER = (News.ENDED, News.WITHDRAWN)  # told to all who heard of it, and once


def tell_of(
    session: Session, row: Excursion, news: News, book: Book, probe: str, *, at: datetime
) -> None:
    """Put it into the outbox. No query."""
    place = book.places[row.place_id]
    told = Told(
        place.code,
        probe,
        ExcursionKind(row.kind),
        Cause(row.cause),
        row.limit_c,
        row.peak_c,
        row.from_at,
        row.ended_at,
    )
    units, zone = book.units[place.site_id], book.zones[place.site_id]
    title, body = title_of(told, units), body_of(told, units, zone)
    if news is News.WITHDRAWN:
        title = f"{place.code}: excursion {row.id} is withdrawn"
        body = f"{row.reason}. {body}"
    tell(
        session,
        site_id=place.site_id,
        subject=Subject.EXCURSION,
        number=row.id or 0,
        title=title,
        body=body,
        urgency=_urgency(row, news, at),
        at=at,
        ends=news in OVER,
    )


def _urgency(row: Excursion, news: News, at: datetime) -> Urgency:
    if row.ended_at is not None and at - row.ended_at > LONG_AGO:
        return Urgency.RECORD
    if news in OVER or row.ended_at is not None:
        return Urgency.TODAY
    return Urgency.NOW
