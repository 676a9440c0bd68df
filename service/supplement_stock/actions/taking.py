"""Booking out what was given, and back what was not: called by those who record giving."""

from collections import Counter
from collections.abc import Collection, Sequence
from datetime import date, datetime

from sqlmodel import Session

from service.errors import Invalid, NotFound
from service.security import audit
from service.security.actor import Actor
from service.supplement_stock import queries
from service.supplement_stock.actions.posting import Movement, post
from service.supplement_stock.models import SupplementBatch
from service.supplement_stock.rules import Kind, Taken, in_milli, pieces

__all__ = ["Taken", "give_back", "take"]


def take(
    session: Session, taken: Sequence[Taken], *, day: date, at: datetime, by: Actor
) -> list[int]:
    """Book pieces out of their batches: they have been given, or lost. Facts; never refused.

    What is more than the books knew is booked with a difference. Returns the numbers of the
    movements in the order of `taken`. Raises NotFound for a batch that is not there, Invalid
    for a count that is not above nothing or finer than a thousandth.
    Cost: one lock for all batches, one insert, one update a batch; one query more for what
    comes late.
    """
    if not taken:
        return []
    held = _held(session, {each.batch_id for each in taken}, by)
    new = [
        Movement(
            batch_id=each.batch_id,
            kind=Kind(each.why),
            occurred_at=each.occurred_at or at,
            day=day,
            milli=-_milli(each.count),
            reference=each.reference,
        )
        for each in taken
    ]
    numbers = post(session, held, new, at=at, by=by.name)
    _note(session, held, new, "supplement stock taken", at=at, by=by)
    return numbers


def give_back(
    session: Session, references: Collection[str], *, reason: str, at: datetime, by: Actor
) -> list[int]:
    """Take back what was booked out under these references, effective when it happened.

    What was taken back before, or never booked, is left alone: told twice it changes nothing.
    Returns the numbers of the reversals. Cost as `take`, and one query.
    """
    standing = queries.standing_by_reference(session, references)
    if not standing:
        return []
    held = _held(session, {row.batch_id for row in standing}, by)
    # Read again under the lock: somebody else may have taken it back meanwhile.
    standing = queries.standing_by_reference(session, references)
    new = [
        Movement(
            batch_id=row.batch_id,
            kind=Kind.REVERSED,
            occurred_at=row.occurred_at,
            day=row.day,
            milli=-row.milli,
            reason=reason,
            reference=row.reference,
            reverses_id=row.id,
        )
        for row in standing
    ]
    if not new:
        return []
    numbers = post(session, held, new, at=at, by=by.name)
    _note(session, held, new, "supplement stock given back", at=at, by=by)
    return numbers


def _held(session: Session, ids: Collection[int], by: Actor) -> list[SupplementBatch]:
    held = queries.locked(session, ids)
    for number in sorted(ids):
        if number not in held:
            raise NotFound.of("supplement batch", number, "batch")
        by.ensure_site(held[number].site_id)
    return list(held.values())


def _milli(count: float) -> int:
    try:
        milli = in_milli(count)
    except ValueError as error:
        raise Invalid.at("count", str(error)) from error
    if milli <= 0:
        raise Invalid.at("count", "must be more than nothing")
    return milli


def _note(
    session: Session,
    held: Sequence[SupplementBatch],
    new: Sequence[Movement],
    what: str,
    *,
    at: datetime,
    by: Actor,
) -> None:
    """One entry of the trail a site, with the sums by batch."""
    sums: Counter[int] = Counter()
    for movement in new:
        sums[movement.batch_id] += movement.milli
    for site_id in sorted({row.site_id for row in held}):
        mine = {row.code: pieces(sums[row.id or 0]) for row in held if row.site_id == site_id}
        audit.note(session, by, what, ", ".join(mine), at=at, site_id=site_id, after=mine)
