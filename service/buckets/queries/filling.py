"""What buckets are made of: thawed fish, members of groups, and pieces ordered for a day."""

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from datetime import date, datetime
from typing import Any

from sqlmodel import Session, col, exists, or_, select

from service.animals.models import Animal, GroupMembership
from service.assays.queries import thiaminase_found
from service.buckets.models import Bucket, BucketEvent, BucketPiece, MedicationOrder
from service.buckets.queries.views import spoken_for
from service.buckets.rules.pieces import Key, Ordered, Part, PieceKind
from service.buckets.rules.sharing import Thawed
from service.buckets.rules.states import EventKind
from service.errors import NotFound
from service.ledger import queries as ledger
from service.lots import queries as lots
from service.security.actor import Actor
from service.site.queries import SiteView
from service.supplements.models import SupplementPlan
from service.supplements.queries.standing import in_force, recorded_at_site
from service.supplements.rules.standing import GivenOutcome
from service.thawing import queries as thawing


def thawed(session: Session, view: SiteView, at: datetime) -> list[Thawed]:
    """What open thaw batches of a site hold for further buckets; held lots left out.

    About ten queries; the cost grows with the batches that are open.
    """
    batches = ledger.batches(session, [view.id], open_only=True, limit=None, after_id=0)
    shown = thawing.batch_views(session, batches, view.policy, at=at)
    facts = lots.facts(session, [each.lot for each in shown])
    taken = spoken_for(session, [batch.id for batch in batches])
    return [
        Thawed(
            each.batch.id,
            each.lot.species_code,
            max(0, each.remaining_g - taken.get(each.batch.id, 0)),
            each.discard_after(view.policy),
            each.lot.id or 0,
        )
        for each in shown
        if not (facts[each.lot.id or 0].held or facts[each.lot.id or 0].rejected)
    ]


def members_of(
    session: Session, group_ids: Collection[int], at: datetime
) -> Mapping[int, frozenset[int]]:
    """The animals of groups at an instant. One query."""
    statement = select(GroupMembership).where(
        col(GroupMembership.group_id).in_(group_ids),
        col(GroupMembership.from_at) <= at,
        or_(col(GroupMembership.until_at).is_(None), col(GroupMembership.until_at) > at),
    )
    found: dict[int, set[int]] = defaultdict(set)
    for row in session.exec(statement):
        found[row.group_id].add(row.animal_id)
    return {group: frozenset(found[group]) for group in group_ids}


def ordered(session: Session, site_id: int, day: date) -> list[Ordered]:
    """What the animals of a site are to get on a day. Two queries.

    By the supplement order of each animal that is in force, and by medication orders.
    """
    supplements = [
        as_supplement(plan, line)
        for plan in in_force(session, site_id, day)
        for line in plan.document["supplements"]
    ]
    medicines = [as_ordered(o) for o in orders_on(session, site_id, day)]
    return supplements + medicines


def as_supplement(plan: SupplementPlan, line: Mapping[str, Any]) -> Ordered:
    """A product of a plan as pieces."""
    return Ordered(
        PieceKind.SUPPLEMENT,
        plan.id or 0,
        plan.animal_id,
        line["product"],
        line["count"],
        parts=tuple(_part(giving) for giving in line.get("givings", ())),
        nutrients=frozenset(each["nutrient"] for each in line.get("gives", ())),
        how=line.get("placement"),
    )


def _part(giving: Mapping[str, Any]) -> Part:
    at = giving.get("at")
    return Part(
        giving["count"],
        giving.get("feed"),
        giving.get("fish"),
        giving.get("how"),
        datetime.fromisoformat(at) if at is not None else None,
    )


def as_ordered(order: MedicationOrder) -> Ordered:
    """A vet's order as pieces."""
    return Ordered(
        PieceKind.MEDICATION,
        order.id or 0,
        order.animal_id,
        order.item,
        order.count,
        order.feeds_per_day,
        order.fish,
    )


def orders_on(session: Session, site_id: int, day: date) -> Sequence[MedicationOrder]:
    """Medication orders in force on a day that nobody has stopped. One query."""
    statement = (
        select(MedicationOrder)
        .where(
            col(MedicationOrder.site_id) == site_id,
            col(MedicationOrder.from_day) <= day,
            col(MedicationOrder.until_day) >= day,
            col(MedicationOrder.stopped_at).is_(None),
        )
        .order_by(col(MedicationOrder.id))
    )
    return session.exec(statement).all()


def _pieces_on(session: Session, site_id: int, day: date) -> Sequence[BucketPiece]:
    """Pieces in buckets of a day, cancelled ones left out."""
    cancelled = exists().where(
        col(BucketEvent.bucket_id) == col(Bucket.id),
        col(BucketEvent.kind) == EventKind.CANCELLED,
    )
    statement = (
        select(BucketPiece)
        .join(Bucket, col(Bucket.id) == col(BucketPiece.bucket_id))
        .where(col(Bucket.site_id) == site_id, col(Bucket.day) == day, ~cancelled)
    )
    return session.exec(statement).all()


def _placed(pieces: Iterable[BucketPiece]) -> dict[Key, float]:
    placed: dict[Key, float] = defaultdict(float)
    for piece in pieces:
        kind = PieceKind.SUPPLEMENT if piece.order_id is None else PieceKind.MEDICATION
        number = piece.plan_id if piece.order_id is None else piece.order_id
        each = Ordered(kind, number or 0, piece.animal_id, piece.item, piece.count)
        placed[each.key] += each.used(piece.count)
    return placed


def before_on(
    session: Session, site_id: int, day: date, *, omitted: bool = False
) -> Mapping[Key, float]:
    """How much of each was put into buckets of a day, or recorded by hand apart from buckets.

    Whatever became of it; omitted: what was left out with a reason counts too. Two queries.
    """
    pieces = _pieces_on(session, site_id, day)
    before, counted = _placed(pieces), {piece.bucket_id for piece in pieces}
    for row, product in recorded_at_site(session, site_id, day):
        if row.bucket_id in counted or (row.outcome == GivenOutcome.OMITTED and not omitted):
            continue
        each = Ordered(PieceKind.SUPPLEMENT, row.plan_id, row.animal_id, product.code, row.count)
        before[each.key] += row.count
    return before


def tested(session: Session, lot_ids: Collection[int], day: date) -> Mapping[int, bool]:
    """Whether a laboratory found thiaminase in lots by a day; untested left out. One query."""
    found = thiaminase_found(session, list(lot_ids), on=day)
    return {lot_id: seen for lot_id, (_, seen) in found.items()}


def served_on(session: Session, site_id: int, day: date) -> set[tuple[int | None, int | None, int]]:
    """(animal, group, number of the feed) that have a bucket of a day. One query.

    A bucket that was cancelled or discarded serves nobody: another is made in its place.
    """
    gone = exists().where(
        col(BucketEvent.bucket_id) == col(Bucket.id),
        col(BucketEvent.kind).in_((EventKind.CANCELLED, EventKind.DISCARDED)),
    )
    statement: Any = select(Bucket.animal_id, Bucket.group_id, Bucket.number).where(
        col(Bucket.site_id) == site_id,
        col(Bucket.day) == day,
        col(Bucket.number).is_not(None),
        ~gone,
    )
    return {tuple(row) for row in session.exec(statement)}


def order_by_id(session: Session, number: int, *, by: Actor, field: str) -> MedicationOrder:
    """The medication order of this number. Raises NotFound, NotAllowed at another's site."""
    found = session.get(MedicationOrder, number)
    if found is None:
        raise NotFound.of("medication order", number, field)
    by.ensure_site(found.site_id)
    return found


def orders(
    session: Session,
    site_ids: Sequence[int],
    *,
    animal_id: int | None,
    limit: int,
    before_id: int | None,
) -> Sequence[tuple[MedicationOrder, str]]:
    """The newest medication orders with their animals' codes. One query."""
    statement = (
        select(MedicationOrder, Animal.code)
        .join(Animal, col(Animal.id) == col(MedicationOrder.animal_id))
        .where(col(MedicationOrder.site_id).in_(site_ids))
        .order_by(col(MedicationOrder.id).desc())
        .limit(limit)
    )
    if animal_id is not None:
        statement = statement.where(col(MedicationOrder.animal_id) == animal_id)
    if before_id is not None:
        statement = statement.where(col(MedicationOrder.id) < before_id)
    return session.exec(statement).all()
