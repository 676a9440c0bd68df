"""Every select of standing orders, what ended them, and what animals were given."""

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any

from sqlalchemy import ColumnElement, Date, column, table, true
from sqlalchemy import select as columns
from sqlalchemy.orm import aliased
from sqlmodel import Session, and_, col, exists, func, or_, select

from service.animals.models import Animal
from service.catalogue.models import SupplementProduct
from service.database import rows_where_in
from service.errors import NotFound
from service.security.actor import Actor
from service.supplement_stock.models import SupplementBatch
from service.supplement_stock.queries import batch_of
from service.supplement_stock.rules import Batch
from service.supplements.models import (
    SupplementGiven,
    SupplementGivenReversal,
    SupplementOrderEnd,
    SupplementPlan,
    SupplementSignature,
)
from service.supplements.rules import PlanBasis, PlanStatus

# A proposal that nobody has signed for so long is not shown: its figures are long out of date.
SHOWN_FOR = timedelta(days=31)


def in_force(
    session: Session, site_id: int, day: date, animal_ids: Collection[int] | None = None
) -> Sequence[SupplementPlan]:
    """The signed plan that stands for each animal of a site on a day, by animal. One query.

    Of several the one that was signed last. One that was worked out from feeds is of its own
    day only. Cost: grows with the orders that have not ended for good.
    """
    plan = SupplementPlan
    there = and_(
        col(plan.site_id) == site_id,
        col(plan.status) == PlanStatus.SIGNED,
        col(plan.day) <= day,
        or_(col(plan.until_day).is_(None), col(plan.until_day) >= day),
        or_(col(plan.basis) == PlanBasis.DIET, col(plan.day) == day),
        ~_stopped(day),
        _of(animal_ids),
    )
    return _newest_of_each(session, there, col(plan.signature_id))


def _of(animal_ids: Collection[int] | None) -> ColumnElement[bool]:
    """Plans of these animals; None: of any."""
    return true() if animal_ids is None else col(SupplementPlan.animal_id).in_(animal_ids)


def standing_between(
    session: Session, but: SupplementPlan, first: date, last: date
) -> Sequence[SupplementPlan]:
    """Other orders of the same animal that hold on all days of a range. One query."""
    plan = SupplementPlan
    return session.exec(
        select(plan)
        .where(
            col(plan.animal_id) == but.animal_id,
            col(plan.id) != but.id,
            col(plan.status) == PlanStatus.SIGNED,
            col(plan.basis) == PlanBasis.DIET,
            col(plan.day) <= first,
            or_(col(plan.until_day).is_(None), col(plan.until_day) >= last),
            ~_stopped(first),
        )
        .order_by(col(plan.id))
    ).all()


def _stopped(day: date) -> ColumnElement[bool]:
    """A plan that has ended by a day, or does not hold on it."""
    end = SupplementOrderEnd
    return exists().where(
        col(end.plan_id) == col(SupplementPlan.id),
        col(end.from_day) <= day,
        or_(col(end.until_day).is_(None), col(end.until_day) >= day),
    )


def _newest_of_each(
    session: Session, there: ColumnElement[bool], newest: Any
) -> Sequence[SupplementPlan]:
    plan = SupplementPlan
    place = func.row_number().over(
        partition_by=col(plan.animal_id), order_by=(newest.desc(), col(plan.id).desc())
    )
    placed = columns(col(plan.id).label("id"), place.label("place")).where(there).subquery()
    return session.exec(
        select(plan)
        .join(placed, placed.c.id == col(plan.id))
        .where(placed.c.place == 1)
        .order_by(col(plan.animal_id))
    ).all()


def to_come(
    session: Session, site_id: int, day: date, animal_ids: Collection[int] | None = None
) -> Sequence[SupplementPlan]:
    """Signed plans of a site that begin after a day and have not ended. One query."""
    plan = SupplementPlan
    statement = select(plan).where(
        col(plan.site_id) == site_id,
        col(plan.status) == PlanStatus.SIGNED,
        col(plan.day) > day,
        ~_ended(),
        _of(animal_ids),
    )
    return session.exec(statement.order_by(col(plan.day), col(plan.id))).all()


def _ended() -> ColumnElement[bool]:
    end = SupplementOrderEnd
    return exists().where(col(end.plan_id) == col(SupplementPlan.id), col(end.until_day).is_(None))


def not_ended(session: Session, animal_ids: Collection[int]) -> Sequence[SupplementPlan]:
    """Signed plans of animals that nothing has ended for good. One query."""
    plan = SupplementPlan
    statement = select(plan).where(
        col(plan.animal_id).in_(animal_ids), col(plan.status) == PlanStatus.SIGNED, ~_ended()
    )
    return session.exec(statement.order_by(col(plan.id))).all()


def proposed(
    session: Session,
    site_id: int,
    day: date,
    animal_ids: Collection[int] | None = None,
    *,
    since: datetime,
) -> Sequence[SupplementPlan]:
    """The newest proposal for each animal whose days are not over, if none of its plans was
    signed that is newer. One query over what was proposed lately."""
    plan, other = SupplementPlan, aliased(SupplementPlan)
    signed = (
        columns(func.max(col(other.id)))
        .where(col(other.animal_id) == col(plan.animal_id), col(other.status) == PlanStatus.SIGNED)
        .scalar_subquery()
    )
    there = and_(
        col(plan.site_id) == site_id,
        col(plan.status) == PlanStatus.PROPOSED,
        col(plan.recorded_at) >= since,
        or_(col(plan.until_day).is_(None), col(plan.until_day) >= day),
        col(plan.id) > func.coalesce(signed, 0),
        _of(animal_ids),
    )
    return _newest_of_each(session, there, col(plan.id))


def last_ends(
    session: Session, site_id: int, animal_ids: Collection[int] | None = None
) -> Sequence[tuple[SupplementPlan, SupplementOrderEnd]]:
    """The newest end for good of each animal of a site, with its plan. One query."""
    end, plan = SupplementOrderEnd, SupplementPlan
    place = func.row_number().over(partition_by=col(plan.animal_id), order_by=col(end.id).desc())
    placed = (
        columns(col(end.id).label("id"), place.label("place"))
        .join(plan, col(plan.id) == col(end.plan_id))
        .where(col(plan.site_id) == site_id, col(end.until_day).is_(None), _of(animal_ids))
        .subquery()
    )
    statement = (
        select(plan, end)
        .join(end, col(end.plan_id) == col(plan.id))
        .join(placed, placed.c.id == col(end.id))
        .where(placed.c.place == 1)
        .order_by(col(plan.animal_id))
    )
    return session.exec(statement).all()


def ends_of(
    session: Session, plan_ids: Iterable[int]
) -> Mapping[int, Sequence[SupplementOrderEnd]]:
    """What ended or interrupted plans, in order, by plan. One query."""
    rows = session.execute(rows_where_in(SupplementOrderEnd.plan_id), {"keys": list(set(plan_ids))})
    found: dict[int, list[SupplementOrderEnd]] = {}
    for row in sorted(rows.scalars(), key=lambda end: end.id):
        found.setdefault(row.plan_id, []).append(row)
    return found


def signatures(session: Session, plans: Iterable[SupplementPlan]) -> Mapping[int, str]:
    """What the signatures of plans mean, by signature. One query."""
    numbers = {plan.signature_id for plan in plans if plan.signature_id is not None}
    rows = session.execute(rows_where_in(SupplementSignature.id), {"keys": list(numbers)})
    return {row.id: row.meaning for row in rows.scalars()}


def whose(session: Session, numbers: Sequence[int]) -> dict[int, tuple[int, int]]:
    """Site and animal of plans, by plan. One query."""
    plan = SupplementPlan
    asked = columns(col(plan.id), col(plan.site_id), col(plan.animal_id))
    rows = session.execute(asked.where(col(plan.id).in_(numbers)))
    return {number: (site_id, animal_id) for number, site_id, animal_id in rows}


def locked(session: Session, numbers: Sequence[int]) -> list[SupplementPlan]:
    """Plans as they stand now, locked in order of number so that nobody deadlocks. One query."""
    statement = (
        select(SupplementPlan)
        .where(col(SupplementPlan.id).in_(numbers))
        .order_by(col(SupplementPlan.id))
    )
    fresh = statement.with_for_update().execution_options(populate_existing=True)
    return list(session.exec(fresh))


def lock_animals(session: Session, ids: Iterable[int]) -> dict[int, Animal]:
    """Animals, locked in order of number: whoever signs, reviews or gives waits here."""
    statement = select(Animal).where(col(Animal.id).in_(set(ids))).order_by(col(Animal.id))
    return {animal.id or 0: animal for animal in session.exec(statement.with_for_update())}


def animals_by_id(session: Session, ids: Iterable[int]) -> dict[int, Animal]:
    """Animals of these numbers. One query."""
    rows = session.execute(rows_where_in(Animal.id), {"keys": list(set(ids))}).scalars()
    return {animal.id: animal for animal in rows}


def _stands() -> ColumnElement[bool]:
    """What was given and not taken back."""
    undo = SupplementGivenReversal
    return ~exists().where(col(undo.given_id) == col(SupplementGiven.id))


Recorded = tuple[SupplementGiven, SupplementProduct]


def recorded_on(session: Session, day: date, animal_ids: Collection[int]) -> Sequence[Recorded]:
    """What stands recorded of supplements of animals on a day, in order. One query."""
    given = SupplementGiven
    statement = (
        select(given, SupplementProduct)
        .join(SupplementProduct, col(SupplementProduct.id) == col(given.product_id))
        .where(col(given.animal_id).in_(animal_ids), col(given.day) == day, _stands())
        .order_by(col(given.id))
    )
    return session.exec(statement).all()


def recorded_at_site(session: Session, site_id: int, day: date) -> Sequence[Recorded]:
    """What stands recorded of supplements at a site on a day, in order. One query."""
    given = SupplementGiven
    statement = (
        select(given, SupplementProduct)
        .join(SupplementProduct, col(SupplementProduct.id) == col(given.product_id))
        .join(SupplementPlan, col(SupplementPlan.id) == col(given.plan_id))
        .where(col(SupplementPlan.site_id) == site_id, col(given.day) == day, _stands())
        .order_by(col(given.id))
    )
    return session.exec(statement).all()


@dataclass(frozen=True)
class InBucket:
    """Pieces in an animal's fish of which nobody has said what became of them."""

    bucket: str
    product: SupplementProduct
    count: float


# Buckets are a part above this one, so their tables are read by name, and only here: whoever
# gives by hand asks here, not there, and a copy of what is in buckets could be out of step.
_BUCKET = table("bucket", column("id"), column("code"), column("day", Date()))
_PIECE = table(
    "bucket_piece",
    *map(column, ("bucket_id", "number", "animal_id", "plan_id", "item", "count")),
)
_EVENT = table("bucket_event", column("bucket_id"), column("kind"))
_OUTCOME = table("piece_outcome", column("bucket_id"), column("number"))


def in_buckets(
    session: Session, day: date, animal_id: int, *, but: int | None = None
) -> Sequence[InBucket]:
    """Supplements in an animal's buckets of a day without an outcome, cancelled ones left out.

    but: a bucket that does not count. One query; grows with the pieces that ever were in its
    buckets: 8 ms after ten years of two a day.
    """
    bucket, piece = _BUCKET.c, _PIECE.c
    cancelled = exists().where(_EVENT.c.bucket_id == bucket.id, _EVENT.c.kind == "cancelled")
    said = exists().where(
        _OUTCOME.c.bucket_id == piece.bucket_id, _OUTCOME.c.number == piece.number
    )
    statement = (
        columns(bucket.code, SupplementProduct, piece.count)
        .join_from(_PIECE, _BUCKET, bucket.id == piece.bucket_id)
        .join(SupplementProduct, col(SupplementProduct.code) == piece.item)
        .where(
            piece.animal_id == animal_id,
            piece.plan_id.is_not(None),
            bucket.day == day,
            ~cancelled,
            ~said,
        )
        .order_by(piece.bucket_id, piece.number)
    )
    if but is not None:
        statement = statement.where(bucket.id != but)
    return [InBucket(*row) for row in session.execute(statement)]


def out_of_bucket(session: Session, bucket_id: int, piece: int) -> Sequence[SupplementGiven]:
    """What stands recorded of a piece in a bucket; it may be of several batches. One query."""
    given = SupplementGiven
    # Its day comes first: there is no index on buckets, and one day is little to look through.
    day = columns(_BUCKET.c.day).where(_BUCKET.c.id == bucket_id).scalar_subquery()
    statement = (
        select(given)
        .where(
            col(given.day) == day,
            col(given.bucket_id) == bucket_id,
            col(given.piece) == piece,
            _stands(),
        )
        .order_by(col(given.id))
    )
    return session.exec(statement).all()


@dataclass(frozen=True)
class RecordedRow:
    """One thing recorded of an animal's supplements, and whether it was taken back."""

    given: SupplementGiven
    product: SupplementProduct
    reversal: SupplementGivenReversal | None


def recorded_of(
    session: Session,
    animal_id: int,
    *,
    first: date | None,
    last: date | None,
    limit: int,
    before_id: int | None,
) -> Sequence[RecordedRow]:
    """What was recorded of an animal's supplements, newest first. One query."""
    given, undo = SupplementGiven, SupplementGivenReversal
    statement = (
        columns(given, SupplementProduct, undo)
        .join(SupplementProduct, col(SupplementProduct.id) == col(given.product_id))
        .outerjoin(undo, col(undo.given_id) == col(given.id))
        .where(col(given.animal_id) == animal_id)
        .order_by(col(given.id).desc())
        .limit(limit)
    )
    if first is not None:
        statement = statement.where(col(given.day) >= first)
    if last is not None:
        statement = statement.where(col(given.day) <= last)
    if before_id is not None:
        statement = statement.where(col(given.id) < before_id)
    return [RecordedRow(*row) for row in session.execute(statement)]


def given_by_id(session: Session, number: int, *, by: Actor) -> SupplementGiven:
    """What was recorded under a number. Raises NotFound, NotAllowed at another's site."""
    found = session.get(SupplementGiven, number)
    if found is None:
        raise NotFound.of("supplement given", number, "given")
    by.ensure_site(session.get_one(SupplementPlan, found.plan_id).site_id)
    return found


def taken_back(session: Session, number: int) -> bool:
    """Whether what was recorded under a number was taken back. By primary key."""
    return session.get(SupplementGivenReversal, number) is not None


def in_hand(
    session: Session, site_id: int, product_ids: Collection[int]
) -> Mapping[int, Sequence[Batch]]:
    """Batches of products with something left, the first to expire first. One query."""
    row = SupplementBatch
    statement = (
        select(row)
        .where(
            col(row.site_id) == site_id,
            col(row.product_id).in_(product_ids),
            col(row.left_milli) > 0,
        )
        .order_by(col(row.expires_on), col(row.id))
    )
    found: dict[int, list[Batch]] = {}
    for each in session.exec(statement):
        found.setdefault(each.product_id, []).append(batch_of(each))
    return found
