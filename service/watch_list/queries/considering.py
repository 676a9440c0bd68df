"""Lots whose fish was eaten lately and of which something is known that a vet should weigh."""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy import func, literal, or_
from sqlalchemy import select as columns
from sqlmodel import Session, col, exists, select

from service.animals.models import Animal, AnimalGroup
from service.feeding.models import Feed, FeedItem
from service.lots.models import Hold, Lot
from service.site.models import Deviation
from service.traceability.queries.whereabouts import feeds_that_stand
from service.watch_list.models import Watch

BREACHED = (
    "clock-from-freezer",
    "clock-from-thawed",
    "warm-too-long",
    "excursion-open",
    "no-refreeze",
    "lot-on-hold",
)
"""What fed fish must not have breached, or those who ate of it may have to be watched."""


@dataclass(frozen=True)
class Doubtful:
    """A lot that was eaten of lately, and what speaks against it."""

    lot: str
    site_id: int
    eaten_g: int
    first_at: datetime
    last_at: datetime
    because: tuple[str, ...]


def doubtful(session: Session, site_ids: Sequence[int], since: datetime) -> list[Doubtful]:
    """Lots eaten of since then that are held, rejected, or fed against a clock, by last feed.

    Not those that an open watch is kept for. Three queries; cost grows with the feeds since then.
    """
    breaches = _breaches(session, site_ids, since)
    held = exists().where(col(Hold.lot_id) == col(Lot.id), col(Hold.released_at).is_(None))
    watched = exists().where(col(Watch.lot_id) == col(Lot.id), col(Watch.closed_at).is_(None))
    fed = (
        feeds_that_stand(col(FeedItem.lot_id))
        .where(
            col(Feed.site_id).in_(site_ids),
            col(Feed.day) >= since.date() - timedelta(days=1),  # found by index; any zone's day
            col(Feed.occurred_at) >= since,
            col(FeedItem.eaten_g) > 0,
        )
        .group_by(col(FeedItem.lot_id))
        .subquery()
    )
    statement = (
        columns(Lot, fed.c.eaten_g, fed.c.first_at, fed.c.last_at)
        .join(fed, fed.c.lot_id == col(Lot.id))
        .where(
            or_(held, col(Lot.rejected_at).is_not(None), col(Lot.id).in_(list(breaches))), ~watched
        )
        .order_by(fed.c.last_at.desc(), col(Lot.code))
    )
    rows = session.execute(statement).all()
    holds = _holds(session, [lot.id for lot, *_ in rows])
    return [
        Doubtful(
            lot.code,
            lot.site_id,
            int(eaten_g),
            first_at,
            last_at,
            (*holds[lot.id], *_rejected(lot), *breaches.get(lot.id, ())),
        )
        for lot, eaten_g, first_at, last_at in rows
    ]


def _rejected(lot: Lot) -> tuple[str, ...]:
    return () if lot.rejected_at is None else (f"rejected: {lot.rejected_because}",)


def _holds(session: Session, lot_ids: Sequence[int]) -> Mapping[int, list[str]]:
    found: dict[int, list[str]] = defaultdict(list)
    statement = select(Hold).where(col(Hold.lot_id).in_(lot_ids), col(Hold.released_at).is_(None))
    for hold in session.exec(statement.order_by(col(Hold.id))):
        found[hold.lot_id].append(f"held: {hold.reason}")
    return found


def _breaches(
    session: Session, site_ids: Sequence[int], since: datetime
) -> Mapping[int, list[str]]:
    """What was recorded of feeds as facts against a rule, by lot.

    A deviation names who was fed and when; every lot of that feed is meant, to be safe.
    """
    who = func.coalesce(
        literal("animal ") + col(Animal.code), literal("group ") + col(AnimalGroup.code)
    )
    statement = (
        columns(col(FeedItem.lot_id), col(Deviation.rule), who, col(Feed.occurred_at))
        .select_from(Feed)
        .join(FeedItem, col(FeedItem.feed_id) == col(Feed.id))
        .outerjoin(Animal, col(Animal.id) == col(Feed.animal_id))
        .outerjoin(AnimalGroup, col(AnimalGroup.id) == col(Feed.group_id))
        .join(
            Deviation,
            (col(Deviation.subject) == who)
            & (col(Deviation.occurred_at) == col(Feed.occurred_at))
            & (col(Deviation.site_id) == col(Feed.site_id)),
        )
        .where(
            col(Feed.site_id).in_(site_ids),
            col(Feed.day) >= since.date() - timedelta(days=1),
            col(Feed.occurred_at) >= since,
            col(FeedItem.eaten_g) > 0,
            col(Deviation.kind) == "breach",
            col(Deviation.rule).in_(BREACHED),
        )
        .order_by(col(Feed.id), col(Deviation.rule))
    )
    found: dict[int, dict[str, None]] = defaultdict(dict)
    for lot_id, rule, code, at in session.execute(statement):
        found[lot_id][f"{rule}: fed to {code} at {at:%Y-%m-%d %H:%M} UTC"] = None
    return {lot_id: list(said) for lot_id, said in found.items()}
