"""Taking a feed back, and putting one right. The sums of what was eaten follow."""

from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlmodel import Session

from service.errors import Conflict
from service.feeding import queries
from service.feeding.actions import summing
from service.feeding.actions.naming import Said
from service.feeding.actions.recording import RIGHT_CLOCK, Fed, record
from service.feeding.schemas import FeedCorrectionIn
from service.ledger.actions import stock
from service.security import audit
from service.security.actor import Actor


@dataclass(frozen=True)
class Corrected:
    """The feed that stands now, and the movement that took the wrong one back."""

    fed: Fed
    reversal_id: int


def reverse(
    session: Session,
    movement_id: int,
    reason: str,
    *,
    at: datetime,
    by: Actor,
    said: datetime | None = None,
) -> int:
    """Take any movement back, as the ledger does; of a feed its sums too.

    Returns the number of the movement that does it. Raises Conflict `already-reversed` or
    `has-successors`.
    """
    undone = stock.reverse(session, movement_id, reason, at=at, by=by, said=said)
    fed = queries.feed_of_movement(session, movement_id)
    if fed is not None:
        items = queries.items_of(session, fed.id or 0)
        shares = queries.shares_of(session, fed.id or 0)
        summing.add(session, [summing.given_of(fed, items, shares)], sign=-1)
    return undone.id or 0


def reverse_feed(
    session: Session,
    number: int,
    reason: str,
    *,
    at: datetime,
    by: Actor,
    said: datetime | None = None,
) -> int:
    """Take a feed back: it never was. Returns the number of the movement that does it."""
    fed = queries.feed_by_id(session, number, by=by)
    return reverse(session, fed.movement_id, reason, at=at, by=by, said=said)


def correct(
    session: Session,
    number: int,
    order: FeedCorrectionIn,
    *,
    at: datetime,
    by: Actor,
    clock: timedelta = RIGHT_CLOCK,
) -> Corrected:
    """Record what really happened in place of what was recorded, in one transaction.

    The animal has been fed, so the right record is a fact: it is stored with its breaches
    and not refused. When it happened is as it was recorded, unless it is said.
    """
    wrong = queries.feed_by_id(session, number, by=by)
    reversal_id = reverse(session, wrong.movement_id, order.reason, at=at, by=by)
    when = order.feed.occurred_at or order.occurred_at
    right = order.feed.model_copy(
        update={"occurred_at": when or wrong.occurred_at, "already_done": True}
    )
    (fed,) = record(
        session,
        [Said(right, "feed.")],
        at=at,
        by=by,
        clock=clock if when is not None else RIGHT_CLOCK,
        corrects_id=wrong.id,
    )
    if fed.feed.site_id != wrong.site_id:
        raise Conflict("the feed was of another site", kind="another-site")
    audit.note(
        session,
        by,
        "feed corrected",
        number,
        at=at,
        site_id=wrong.site_id,
        before=wrong,
        after=[fed.feed.id, [[i.thaw_batch, i.portion.__dict__] for i in fed.feed.items]],
        detail={"feed": fed.feed.id, "reason": order.reason},
    )
    return Corrected(fed, reversal_id)
